"""The wheel in a clean environment, with the oldest and the newest Python of this machine."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from tests.release.building import project
from tests.release.pythons import OLDEST, clean_environment, output_of, pythons

NEWEST = max(pythons())
ASK = "import config, sys; print(config.__file__); print(*sys.version_info[:2])"


NONE_NEWER = pytest.mark.skipif(NEWEST == OLDEST, reason="there is no Python newer than 3.11 here")


@pytest.mark.parametrize(
    "version",
    [pytest.param(OLDEST, id="oldest"), pytest.param(NEWEST, id="newest", marks=NONE_NEWER)],
)
def test_the_installed_wheel_checks_and_rehearses(
    version: tuple[int, int], built: tuple[Path, Path, Path], tmp_path: Path
) -> None:
    """It uses only its own files; it prints its version, checks, plans and rehearses."""
    environment = clean_environment(version, tmp_path / "environment", built[1])
    home = tmp_path / "home"
    home.mkdir()
    where = subprocess.run(
        [environment.python, "-I", "-c", ASK],
        capture_output=True, text=True, check=True, timeout=60,
    ).stdout.splitlines()  # fmt: skip
    package = Path(where[0]).parent
    assert package.is_relative_to(environment.home)
    assert where[1] == f"{version[0]} {version[1]}"
    assert (
        output_of(environment, home, "--version") == f"lullwatt, version {project()['version']}\n"
    )
    example = str(package / "examples" / "kowhai.yaml")
    assert "licensed electrician" in output_of(environment, home, "check", example)
    text = output_of(environment, home, "rehearse")
    assert "26.000 kWh for NZD 5.02, 35 % to 80 %, enough for the departure, starts: 1." in text
