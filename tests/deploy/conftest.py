"""Throw-away root folders for installs, as fixtures for all tests."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.deploy.prefix import Prefix


@pytest.fixture
def prefix(tmp_path: Path) -> Prefix:
    """Return an empty root."""
    return Prefix(tmp_path)


@pytest.fixture(scope="session")
def once_installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Install once; return the root, to be copied but not changed."""
    made = Prefix(tmp_path_factory.mktemp("installed"))
    made.install().check_returncode()
    return made.root


@pytest.fixture
def installed(prefix: Prefix, once_installed: Path) -> Prefix:
    """Return a root in which version 0.1.0 is installed."""
    subprocess.run(["cp", "-a", f"{once_installed}/.", prefix.root], check=True)
    programs = prefix.root / "opt/lullwatt/0.1.0/bin"
    programs.unlink()
    programs.symlink_to(prefix.environment("0.1.0") / "bin")
    return prefix
