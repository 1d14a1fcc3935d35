"""A charge point claims what its hardware may still draw, until it has given way."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from config.doors.ocpp import OcppPoint
from daemon.control.events import CommandInForce
from daemon.control.state import PointState
from daemon.sharing.claims import Claim, claim_after, stored_periods
from planners.power.allowed_currents import AmpsSpan
from tests.daemon.worlds import EVENING, POINT, household

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile

SECOND = timedelta(seconds=1)
FILE = household().file


def commanded(amps: float, seconds: int, *, watts: float | None = None, at: int = 0) -> PointState:
    """Return a charge point with a command that expires so many seconds after the evening."""
    until = EVENING + seconds * SECOND
    command = CommandInForce(1, "start" if amps else "stop", amps or None, until, None, "")
    read_at = None if watts is None else EVENING + at * SECOND
    return PointState(
        POINT, plugged_in=True, pilot="C", command=command, watts=watts, watts_at=read_at
    )


def after(*steps: tuple[int, PointState], file: HouseholdFile = FILE) -> Claim:
    """Return the claim after steps, each at so many seconds."""
    claim = Claim()
    for second, state in steps:
        claim = claim_after(claim, state, EVENING + second * SECOND, file)
    return claim


def claimed(claim: Claim, second: int) -> float:
    return claim.highest_amps(EVENING + second * SECOND)


def test_a_start_is_claimed_until_the_vehicle_has_followed_its_end() -> None:
    claim = after((0, commanded(32, 60)))
    assert [claimed(claim, second) for second in (59, 64, 65)] == [32, 32, 0]


def test_the_earlier_current_is_claimed_until_a_reading_shows_that_it_fell() -> None:
    """The reading must be as old as a vehicle may take to follow."""
    before = (0, commanded(32, 60, watts=32 * 230, at=-5))
    lower = (10, commanded(10, 60, watts=32 * 230, at=9))
    soon = (14, commanded(10, 60, watts=10 * 230, at=14))
    later = (15, commanded(10, 60, watts=10 * 230, at=15))
    assert claimed(after(before, lower), 11) == 32
    assert claimed(after(before, lower, soon), 14) == 32
    assert claimed(after(before, lower, soon, later), 15) == 10
    assert claimed(after(before, lower), 65) == 0


def test_a_vehicle_that_took_little_before_proves_nothing() -> None:
    """It may take more later, by the command that was perhaps not replaced."""
    before = (0, commanded(32, 60, watts=8 * 230, at=-5))
    lower = (10, commanded(10, 60, watts=8 * 230, at=9))
    later = (20, commanded(10, 60, watts=8 * 230, at=20))
    assert claimed(after(before, lower, later), 21) == 32


def test_equipment_that_accepts_its_commands_needs_no_such_proof() -> None:
    ocpp = OcppPoint.model_construct(identity="one", password_file=Path("password"), connector=1)
    point = FILE.charge_points[POINT].model_copy(update={"ocpp": ocpp})
    file = FILE.model_copy(update={"charge_points": {POINT: point}})
    before = (0, commanded(32, 60, watts=8 * 230, at=-5))
    lower = (10, commanded(10, 60, watts=8 * 230, at=9))
    later = (20, commanded(10, 60, watts=8 * 230, at=20))
    assert claimed(after(before, lower, later, file=file), 21) == 10


def test_a_shorter_command_of_the_same_current_leaves_the_longer_one_claimed() -> None:
    """No reading tells them apart."""
    long = (0, commanded(20, 600, watts=20 * 230, at=-5))
    short = (10, commanded(20, 60, watts=20 * 230, at=9))
    later = (30, commanded(20, 60, watts=20 * 230, at=30))
    assert claimed(after(long, short, later), 300) == 20


def test_nothing_of_before_is_claimed_while_no_vehicle_is_there() -> None:
    """One that comes in time may charge by the command that was perhaps not replaced."""
    start = (0, commanded(32, 60))
    gone = (10, replace(commanded(0, 600), pilot="A"))
    back = (20, commanded(0, 600))
    assert claimed(after(start, gone), 11) == 0
    assert claimed(after(start, gone, back), 21) == 32


def test_a_start_without_a_plan_falls_to_the_fixed_share() -> None:
    """Two equal charge points behind 40 A: each has 20 A after what is above it has expired."""
    one = FILE.charge_points[POINT]
    home = FILE.household.model_copy(update={"main_fuse_amps": (40.0,) * 3})
    file = FILE.model_copy(update={"household": home, "charge_points": {POINT: one, "shed": one}})
    until = EVENING + 60 * SECOND
    (after_it,) = stored_periods(commanded(32, 60), file)
    assert after_it == AmpsSpan(until, until + timedelta(minutes=29), 20)
    assert stored_periods(commanded(20, 60), file) == ()
    assert stored_periods(commanded(0, 60), file) == ()


def test_a_reading_above_the_command_is_claimed() -> None:
    """It shows that a lower command was not followed only once a vehicle would have followed."""
    shown = commanded(10, 600, watts=32 * 230, at=30)
    claim = after((0, commanded(32, 60)), (10, commanded(10, 600)), (30, shown))
    assert claimed(claim, 100) == 32
    assert claim.not_given_way_amps == 32
