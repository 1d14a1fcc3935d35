"""Throw-away roots that Lullwatt is installed into, as any test may have them."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.deploy.prefix import Prefix


@pytest.fixture
def prefix(tmp_path: Path) -> Prefix:
    """Return an empty one."""
    return Prefix(tmp_path)


@pytest.fixture(scope="session")
def once_installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install once; return the root, to be copied and not touched."""
    made = Prefix(tmp_path_factory.mktemp("installed"))
    made.install().check_returncode()
    return made.root


@pytest.fixture
def installed(prefix: Prefix, once_installed: Path) -> Prefix:
    """Return one that version 0.1.0 is installed in."""
    subprocess.run(["cp", "-a", f"{once_installed}/.", prefix.root], check=True)
    programs = prefix.root / "opt/lullwatt/0.1.0/bin"
    programs.unlink()
    programs.symlink_to(prefix.environment("0.1.0") / "bin")
    return prefix
