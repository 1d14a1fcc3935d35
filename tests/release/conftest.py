"""The files of a release, built once for all that is looked at in them."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.release.building import build, clean_copy, unpack


@pytest.fixture(scope="session")
def built(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, Path]:
    """Build the sdist, a wheel from the tree, and a wheel from the sdist."""
    folder = tmp_path_factory.mktemp("release")
    sdist = build(clean_copy(folder / "tree"), "sdist", folder / "sdist")
    wheel = build(folder / "tree", "wheel", folder / "wheel")
    unpacked = unpack(sdist, folder / "unpacked")
    return sdist, wheel, build(unpacked, "wheel", folder / "again")
