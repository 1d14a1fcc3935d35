"""What `check` says of random delays: to homes in Great Britain, and of equipment that delays."""

from __future__ import annotations

from typing import TYPE_CHECKING

from daemon.check.delays import delay_cautions
from tests.daemon.worlds import household, kowhai

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile

BRITISH = {"timezone": "Europe/London", "currency": "GBP"}


def said(file: HouseholdFile) -> list[str]:
    return list(delay_cautions(file))


def test_homes_in_great_britain_hear_of_the_statute() -> None:
    """Of the delay only where none is declared; elsewhere nothing."""
    missing, hours = said(household(household=BRITISH).file)
    assert missing.startswith("driveway: in Great Britain")
    assert "SI 2021/1467, regulation 11" in missing
    assert "08:00-11:00 and 16:00-22:00 on weekdays" in hours
    assert said(household(household=BRITISH, point={"random_delay_seconds": 600}).file) == [hours]
    assert said(household(household=BRITISH, point={"charging_mode": 2, "max_amps": 10}).file) == []
    assert said(kowhai().file) == []


def test_equipment_that_delays_itself_is_late_for_a_fuse() -> None:
    """Without a main fuse there is nothing to be late for."""
    point = {"delays_itself_seconds": 600}
    assert said(household(point=point).file) == []
    (late,) = said(household(point=point, household={"main_fuse_amps": [63]}).file)
    assert "up to 600 s late, also a lower one" in late
