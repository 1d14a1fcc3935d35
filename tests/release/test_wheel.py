"""The released files: a wheel with exactly what it needs, and an sdist that builds the same."""

from __future__ import annotations

import zipfile
from email.parser import HeaderParser
from pathlib import Path

from tests.release.building import ROOT, project, unpack

PACKAGES = ("config", "planners", "adapters", "daemon")
VERSION: str = project()["version"]
INFO = f"lullwatt-{VERSION}.dist-info"


def contents(wheel: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(wheel) as archive:
        return {name: archive.read(name) for name in archive.namelist()}


def package_files() -> set[str]:
    """Return all files in the packages' folders, whatever pyproject.toml lists."""
    return {
        path.relative_to(ROOT).as_posix()
        for package in PACKAGES
        for path in (ROOT / package).rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def test_the_wheel_holds_the_packages_and_nothing_else(built: tuple[Path, Path, Path]) -> None:
    """It has every module, template, example and py.typed; no tests, test data or tools."""
    names = set(contents(built[1]))
    own = {name for name in names if not name.startswith(f"{INFO}/")}
    assert own == package_files()
    for needed in (
        "config/examples/kowhai.yaml", "config/examples/plug.yaml", "daemon/py.typed",
        "daemon/templates/month.html.j2", "daemon/templates/month.css",
    ):  # fmt: skip
        assert needed in own
    assert {name.removeprefix(f"{INFO}/") for name in names - own} == {
        "METADATA", "RECORD", "WHEEL", "entry_points.txt", "top_level.txt", "licenses/LICENSE",
    }  # fmt: skip


def test_the_sdist_builds_the_same_wheel(built: tuple[Path, Path, Path]) -> None:
    """Every file is the same, byte for byte."""
    assert built[1].name == built[2].name == f"lullwatt-{VERSION}-py3-none-any.whl"
    assert contents(built[1]) == contents(built[2])


def test_the_sdist_holds_what_an_install_needs(
    built: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    """It has the installer with its files, the accelerator's source, licences; not the tests."""
    tree = unpack(built[0], tmp_path)
    for needed in ("constraints.txt", "CHANGELOG.md", "LICENCES.md", "LICENSE", "README.md"):
        assert (tree / needed).read_bytes() == (ROOT / needed).read_bytes()
    ours = {path.name for path in (ROOT / "deploy").iterdir()}
    assert {path.name for path in (tree / "deploy").iterdir()} == ours
    sources = {path.name for path in (ROOT / "deploy" / "accelerator").iterdir() if path.is_file()}
    assert {path.name for path in (tree / "deploy" / "accelerator").iterdir()} == sources
    assert not (tree / "tests").exists()


def test_the_version_is_in_one_place(built: tuple[Path, Path, Path]) -> None:
    """It is in pyproject.toml; the wheel has the same, and no module repeats it."""
    metadata = HeaderParser().parsestr(contents(built[1])[f"{INFO}/METADATA"].decode())
    assert (metadata["Name"], metadata["Version"]) == ("lullwatt", VERSION)
    assert metadata["License-Expression"] == "MIT"
    for name in package_files():
        if name.endswith(".py"):
            assert VERSION not in (ROOT / name).read_text("utf-8").split('"'), name
