"""What `check` says about the main fuse and the home's load."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from config.doors.ocpp import OcppPoint
from config.household.household_file import HouseholdFile
from config.wiring.meters import LoadMeter
from daemon.check.fuse import explain_fuse
from tests.daemon.worlds import EVENING, kowhai


def behind(fuse: float | None, **more: Any) -> HouseholdFile:  # noqa: ANN401 - keys of the file
    file = kowhai().file
    fuses = None if fuse is None else (fuse,) * 3
    home = file.household.model_copy(update={"main_fuse_amps": fuses, **more})
    return file.model_copy(update={"household": home})


def live_load(file: HouseholdFile) -> list[str]:
    lines = list(explain_fuse(file, EVENING))
    return lines[lines.index("Live load of the home (main fuse: 40 A):") + 1 :]


def test_a_home_without_a_wired_meter() -> None:
    """It names the topic at which a meter may publish."""
    first, *others = live_load(behind(40.0))
    assert first == (
        "  No load_meter is wired. It is read if a meter publishes it at"
        " lullwatt/kowhai-cottage/load."
    )
    assert others == [
        "  A reading lowers or stops charging at once, so that the fuse carries all.",
        "  After 30 s without a reading the plan holds alone.",
    ]


@pytest.mark.parametrize(
    ("topics", "includes", "line"),
    [
        (("m",), False, "one current, the highest, at m, without"),
        (("m",) * 3, True, "L1, L2 and L3 at m, with"),
        (
            ("a", "b", "c"),
            False,
            "L1, L2 and L3 at a, b and c, without",
        ),
    ],
)
def test_a_wired_meter_and_a_reserve(topics: tuple[str, ...], includes: bool, line: str) -> None:  # noqa: FBT001 - a case
    """It names what the meter reads and where, and what is kept free."""
    meter = LoadMeter.model_validate(
        {"phases": [{"topic": each} for each in topics], "includes_charge_points": includes}
    )
    lines = live_load(behind(40.0, reserve_amps=2.0, load_meter=meter))
    assert lines[0] == f"  load_meter reads {line} the charge points' own current."
    assert lines[1].endswith(", and 2 A are kept free (reserve_amps).")


def test_points_that_share_the_fuse_have_fixed_parts_while_the_meter_is_silent() -> None:
    """The same home with two charge points of 32 A behind 40 A and 8 kW."""
    file = behind(40.0, max_power_kw=8.0)
    points = dict.fromkeys(("driveway", "carport"), file.charge_points["driveway"])
    file = file.model_copy(update={"charge_points": points})
    lines = list(explain_fuse(file, EVENING))
    assert "driveway and carport share the main fuse of 40 A, at most 8 kW." in lines
    assert lines[-2].endswith(" so that the fuse carries all, at most 8 kW.")
    assert lines[-1] == (
        "  After 30 s without a reading each charge point keeps to its fixed part of the fuse,"
        " until readings have come at least every 30 s for 3 minutes. Without a meter the plan"
        " holds alone."
    )


def test_a_home_without_a_main_fuse_has_nothing_to_guard() -> None:
    """Then readings of the load change nothing, and nothing is said of them."""
    assert list(explain_fuse(behind(None), EVENING)) == []


def test_a_meter_of_ocpp_equipment() -> None:
    """It names the charge point whose equipment measures the home."""
    file = behind(40.0)
    ocpp = OcppPoint(identity="driveway-1", password_file=Path("secret"), home_meter=True)
    point = file.charge_points["driveway"].model_copy(update={"ocpp": ocpp})
    file = file.model_copy(update={"charge_points": {"driveway": point}})
    first = "  The equipment of driveway reports it over OCPP, from the grid connection."
    assert live_load(file)[0] == first
