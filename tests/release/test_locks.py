"""Every package that an install brings has one version, and hashes that pip requires."""

from __future__ import annotations

import re
from typing import Any

import pytest

from tests.release.building import ROOT, project
from tests.release.licences import for_fleets, for_running
from tests.release.locks import ALL, BUILD, FLEET, RELEASE, RUN, locked
from tests.release.release import check_bill

FILES = (ALL, RUN, FLEET, BUILD, RELEASE)
INSTALLS = {
    name: (ROOT / name).read_text("utf-8").replace("\\\n", " ")
    for name in ("Makefile", "README.md", "deploy/install.sh", "deploy/Containerfile")
}


def versions(name: str) -> dict[str, str]:
    return {package: entry.version for package, entry in locked(name).items()}


@pytest.mark.parametrize("name", FILES)
def test_each_package_has_hashes_and_no_address(name: str) -> None:
    """Where packages come from is a matter of the machine."""
    assert locked(name)
    assert "://" not in (ROOT / name).read_text("utf-8")


@pytest.mark.parametrize("name", [RUN, FLEET, BUILD])
def test_what_is_tested_is_what_is_installed(name: str) -> None:
    """The file of the tests has the same versions with the same hashes."""
    assert locked(name).items() <= locked(ALL).items()


def test_all_extras_can_be_installed() -> None:
    """And nothing that Lullwatt does not need."""
    assert set(locked(RUN)) == for_running()
    assert set(locked(FLEET)) == for_running() | for_fleets()


def test_the_build_backend_is_alone() -> None:
    """Setuptools brings nothing else along."""
    assert list(locked(BUILD)) == ["setuptools"]


def test_the_tools_of_a_release_are_held_too() -> None:
    """The resolver, the audit and the SBOM."""
    assert {"uv", "pip-audit", "cyclonedx-bom"} <= set(locked(RELEASE))


@pytest.mark.parametrize("name", INSTALLS)
def test_every_install_requires_hashes(name: str) -> None:
    """Or is Lullwatt itself, without dependencies and without a backend out of nowhere."""
    commands = re.findall(
        r"(?:pip (?:install|wheel)|\$\(INSTALL\)|^ *fill) [^#\n;&]*--?[a-z].*?(?=&&|$)",
        INSTALLS[name],
        re.MULTILINE,
    )
    commands = [" ".join(each.split()) for each in commands if not each.endswith('"$@" ')]
    assert len(commands) >= 2
    for each in commands:
        if each.endswith(("--disable-pip-version-check", '"$@"')) or '"$@" ||' in each:
            continue  # the beginning of others
        is_own = "--no-deps" in each and ("--no-build-isolation" in each or "--no-index" in each)
        assert is_own or "--require-hashes" in each, each


def bill(**changed: str) -> dict[str, Any]:
    """Return an SBOM as far as it is held against what is locked."""
    packages = versions(RUN) | changed
    return {
        "metadata": {"component": {"name": "lullwatt", "version": project()["version"]}},
        "components": [
            {"name": name, "version": version} for name, version in packages.items() if version
        ],
    }


def test_an_sbom_is_held_against_what_is_locked() -> None:
    """It has exactly the packages that an install brings, in their versions."""
    assert check_bill(bill()) == len(locked(RUN))
    for wrong in ({"numpy": ""}, {"numpy": "1.0"}, {"left-pad": "1.0"}):
        with pytest.raises(RuntimeError, match="not what is installed"):
            check_bill(bill(**wrong))
