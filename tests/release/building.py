"""Build the sdist and the wheel from a clean copy of this tree, with its build backend.

The hooks of PEP 517 are called as pip calls them, without a network: what they need is installed.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tarfile
import tomllib
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
_LEFT_OUT = (".*", "build", "dist", "*.egg-info", "__pycache__", "*.sqlite3*")


def project() -> dict[str, Any]:
    """Return the table ``[project]`` of pyproject.toml."""
    with (ROOT / "pyproject.toml").open("rb") as file:
        table: dict[str, Any] = tomllib.load(file)["project"]
    return table


def clean_copy(target: Path) -> Path:
    """Copy this tree without the files that building and testing leave in it.

    Parameters
    ----------
    target : Path
        A folder that is not there yet.

    Returns
    -------
    Path
        The same.
    """
    shutil.copytree(ROOT, target, ignore=shutil.ignore_patterns(*_LEFT_OUT))
    return target


def build(tree: Path, kind: str, target: Path) -> Path:
    """Build one distribution.

    Parameters
    ----------
    tree : Path
        The source; the backend leaves things in it.
    kind : str
        ``sdist`` or ``wheel``.
    target : Path
        A folder for it.

    Returns
    -------
    Path
        The file.
    """
    target.mkdir(parents=True, exist_ok=True)
    hook = f"from setuptools import build_meta; build_meta.build_{kind}({str(target)!r})"
    subprocess.run(
        [sys.executable, "-c", hook], cwd=tree, check=True, capture_output=True, timeout=120
    )
    [made] = target.glob({"sdist": "*.tar.gz", "wheel": "*.whl"}[kind])
    return made


def unpack(sdist: Path, target: Path) -> Path:
    """Unpack an sdist.

    Parameters
    ----------
    sdist : Path
        The file.
    target : Path
        A folder for it.

    Returns
    -------
    Path
        The one folder that was in it.
    """
    with tarfile.open(sdist) as archive:
        archive.extractall(target, filter="data")
    [tree] = target.iterdir()
    return tree
