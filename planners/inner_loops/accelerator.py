"""Load the compiled accelerator, if it is installed: the package `lullwatt-accelerator`."""

from __future__ import annotations

try:
    from lullwatt_accelerator import ffi, lib
except ImportError:
    ffi = lib = None

__all__ = ["ffi", "is_installed", "lib"]


def is_installed() -> bool:
    """Tell whether the accelerator is installed, and fits this Python."""
    return lib is not None
