"""The machine and the packages of a benchmark."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version


def machine(*packages: str) -> str:
    """Return the versions of Python, numpy and other packages, and the machine."""
    versions = ", ".join(f"{name} {version(name)}" for name in ("numpy", *packages))
    return (
        f"Python {platform.python_version()}, {versions}, {os.cpu_count()} cores, "
        f"{platform.machine()}"
    )
