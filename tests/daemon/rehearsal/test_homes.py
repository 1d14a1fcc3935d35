"""Months of invented homes are played in virtual time, and kept for the reports to be tried on."""

from __future__ import annotations

import json
import re
from typing import TYPE_CHECKING

import pytest
from structlog.testing import capture_logs

from config.fields.names import topic_level
from config.household.loading import load_household
from daemon.command_line.cli import MOST_HOMES
from daemon.rehearsal.homes import HOMES, household_text, keep_home

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from tests.support.commands import Ran

NIGHTS = 2


def test_the_account_agrees_with_the_meter(tmp_path: Path, run: Callable[..., Ran]) -> None:
    """Each night is in the ledger, and together they are what the simulated meter counted."""
    with capture_logs():
        said = keep_home(tmp_path / "home", NIGHTS, 0)
    house = str(tmp_path / "home" / "house.yaml")
    nights = json.loads(run("nights", house, "--format", "json").out)["nights"]
    assert [each["night"] for each in nights] == ["2026-06-01", "2026-06-02"]
    assert all(each["need_met"] for each in nights)
    kwh = sum(each["energy_kwh"] for each in nights)
    assert said == f"Kowhai Cottage: {NIGHTS} nights, {kwh:.3f} kWh at the meter"
    assert len({each["energy_kwh"] for each in nights}) == NIGHTS  # no two days are the same


def test_the_same_home_is_the_same_every_time(tmp_path: Path) -> None:
    """Distances and times are drawn from the home's number."""
    with capture_logs():
        said = [keep_home(tmp_path / f"{n}", 1, 1) for n in range(2)]
    assert said[0] == said[1]


def test_two_homes_at_a_time(tmp_path: Path, run: Callable[..., Ran]) -> None:
    """The command keeps a folder for each, and says how to look at them."""
    folder = tmp_path / "homes"
    done = run("rehearse", "--keep", str(folder), "--nights", "1", "--homes", "2")
    assert done.code == 0, done.err
    assert sorted(each.name for each in folder.iterdir()) == ["kowhai-cottage", "rata-house"]
    assert f"lullwatt month {folder}/*/house.yaml 2026-06" in done.out
    files = [str(each) for each in sorted(folder.glob("*/house.yaml"))]
    assert "Rata House" in run("month", *files, "2026-06").out
    again = run("rehearse", "--keep", str(folder))
    assert again.code == 2
    assert "expected a new or an empty folder" in again.err


@pytest.mark.parametrize("number", range(len(HOMES)))
def test_every_home_has_a_good_file(number: int, tmp_path: Path) -> None:
    """Each is the demo's file with some parts changed."""
    path = tmp_path / "house.yaml"
    path.write_text(household_text(HOMES[number]), "utf-8")
    text = path.read_text("utf-8")
    assert load_household(path).household.name == HOMES[number].name
    assert f"# its level in topics is {topic_level(HOMES[number].name)}," in text
    rates = set(re.findall(r"\{name: \w+, rate: ([\d.]+)", text))
    assert ("name: Three-band" in text) == (len(rates) > 1)
    assert len(HOMES) == MOST_HOMES


@pytest.mark.parametrize(
    ("options", "why"),
    [
        (["--nights", "3"], "expected --keep FOLDER beside them"),
        (["--keep", "x", "--home", "busy"], "expected only --nights and --homes beside it"),
        (["--keep", "/dev/null/x"], "--keep /dev/null/x: Not a directory"),
    ],
)
def test_what_does_not_fit_is_refused(
    options: list[str], why: str, run: Callable[..., Ran]
) -> None:
    """It says what was expected."""
    done = run("rehearse", *options)
    assert done.code == 2
    assert why in done.err
