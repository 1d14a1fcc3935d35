"""What a shared main fuse will carry: currents of plans and the known load, added up."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from importlib.resources import files
from pathlib import Path

import pytest

from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from daemon.page.fuse import FuseStrip, fixed_parts_text, fuse_strips
from daemon.page.plan_shown import ShownPlan
from tests.daemon.page.test_view import words

EXAMPLE = files("config").joinpath("examples", "two-cars.yaml").read_text("utf-8")
NOW = datetime(2026, 6, 3, 8, 0, tzinfo=UTC)
"""20:00 at Kowhai Cottage, where 15 A are expected until 23:00."""

HOUR = timedelta(hours=1)


def shown(vehicle: str, *currents: tuple[float, float, float]) -> ShownPlan:
    """Return a plan with currents from and to hours after `NOW`."""
    found = tuple((NOW + start * HOUR, NOW + end * HOUR, amps) for start, end, amps in currents)
    return ShownPlan(
        vehicle, "NZD", NOW + 11 * HOUR, 10.0, 2.0, 20.0, 70.0, 70.0, 0.0, 4.0,
        rests_on_estimates=False, spans=tuple(each[:2] for each in found), currents=found,
    )  # fmt: skip


def home(tmp_path: Path, *replaced: tuple[str, str]) -> HouseholdFile:
    text = EXAMPLE
    for old, new in replaced:
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "house.yaml"
    path.write_text(text, "utf-8")
    return load_household(path)


PLANS = {
    "driveway": shown("hatchback", (1, 3, 9.0), (3, 8, 24.0)),
    "carport": shown("van", (1, 6, 16.0)),
}


def strips(file: HouseholdFile, plans: dict[str, ShownPlan]) -> list[FuseStrip]:
    return list(fuse_strips(file, plans, NOW, words()))


def test_all_that_flows_is_added_up(tmp_path: Path) -> None:
    """15 A of the home until 23:00, then 24 + 16 A; the heights are shares of the 40 A."""
    [strip] = strips(home(tmp_path), PLANS)
    assert strip.name == "Main fuse of 40 A"
    assert strip.text == "At most 40.0 A of 40 A are planned, at 9:00\u202fpm."
    heights = [(step.home, step.charging) for step in strip.steps]
    assert heights == [(37.5, 0), (37.5, 62.5), (0, 100), (0, 60), (0, 0)]
    assert strip.has_home
    assert sum(step.width for step in strip.steps) == pytest.approx(100 - strip.steps[0].left)


def test_a_strip_for_each_phase_that_differs(tmp_path: Path) -> None:
    """Both on L1 and one on L2 too: L1 carries all that L2 does, and is shown alone."""
    three = ("main_fuse_amps: 40", "main_fuse_amps: [40, 32, 40]")
    point = ("    max_amps: 16\n", "    max_amps: 16\n    phases: 2\n    connected_to: [L1, L2]\n")
    other = (
        "    switching: current\n",
        "    switching: current\n    phases: 2\n    connected_to: [L2, L1]\n",
    )
    file = home(tmp_path, three, point, other, ("usable_kwh: 60", "usable_kwh: 60\n    phases: 2"),
                ("usable_kwh: 52", "usable_kwh: 52\n    phases: 2"))  # fmt: skip
    [strip] = strips(file, PLANS)
    assert strip.name == "Main fuse of 32 A", "the smaller one of two with the same load"
    file = home(
        tmp_path, three, point, other, ("usable_kwh: 60", "usable_kwh: 60\n    phases: 2"),
        ("amps: 15,", "amps: 15, connected_to: [L1],"),
        ("usable_kwh: 52", "usable_kwh: 52\n    phases: 2"),
    )  # fmt: skip
    names = [strip.name for strip in strips(file, PLANS)]
    assert names == ["Main fuse of 40 A, phase L1", "Main fuse of 32 A, phase L2"]


def test_nothing_is_shared(tmp_path: Path) -> None:
    """Without a fuse, or a plan, there is no strip; a plan without currents says so."""
    [quiet] = strips(
        home(tmp_path, ("17:00-23:00", "12:00-13:00")), {"driveway": shown("hatchback")}
    )
    assert quiet.text == "Nothing is planned to flow through it."
    assert strips(home(tmp_path), {}) == []


def test_the_power_of_the_whole_home(tmp_path: Path) -> None:
    """It is named in kW, and so is each part that holds without a plan for all."""
    file = home(tmp_path, ("  main_fuse_amps: 40", "  max_power_kw: 8\n  main_fuse_amps: [40]"))
    fuse, power = strips(file, PLANS)
    assert (fuse.name, power.name) == ("Main fuse of 40 A", "Whole home, 8.0 kW")
    assert power.text == "At most 9.2 kW of 8.0 kW are planned, at 9:00\u202fpm."
    assert not power.is_fuse
    assert fixed_parts_text(file, words()) == (
        "Without a plan for all together, each keeps to its part: driveway 18 A, carport 16 A."
    )
