"""Load the compiled accelerator, if it is installed: the package `lullwatt-accelerator`."""

from __future__ import annotations

INTERFACE = 1
"""Of the accelerators that fit this code, as in `rows.h`: another one is left alone."""

try:
    from lullwatt_accelerator import ffi, lib
except ImportError:
    ffi = lib = None
if getattr(lib, "INTERFACE", None) != INTERFACE:
    ffi = lib = None

__all__ = ["ffi", "is_installed", "lib"]


def is_installed() -> bool:
    """Tell whether the accelerator is installed, and fits this code and this Python."""
    return lib is not None
