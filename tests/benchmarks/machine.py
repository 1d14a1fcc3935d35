"""What a benchmark ran on."""

from __future__ import annotations

import os
import platform
from importlib.metadata import version


def machine(*packages: str) -> str:
    """Name Python, numpy and other packages with their versions, and the machine."""
    versions = ", ".join(f"{name} {version(name)}" for name in ("numpy", *packages))
    return (
        f"Python {platform.python_version()}, {versions}, {os.cpu_count()} cores, "
        f"{platform.machine()}"
    )
