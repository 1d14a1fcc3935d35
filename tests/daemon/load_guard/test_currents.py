"""What each charge point may draw below the home's live load, and what they draw themselves."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from daemon.control.events import CommandInForce
from daemon.control.state import PointState, Response
from daemon.load_guard.currents import amps_beside_others, own_current, shares_below_load
from planners.power.live_load import OwnCurrent
from tests.daemon.worlds import EVENING, HOUR, household

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile

SECOND = timedelta(seconds=1)


def home(*, relay: bool = False) -> HouseholdFile:
    """Two charge points of 6 to 32 A; the second may be a relay."""
    file = household().file
    one = file.charge_points["driveway"]
    two = one.model_copy(update={"switching": "on_off"}) if relay else one
    return file.model_copy(update={"charge_points": {"driveway": one, "shed": two}})


def told(name: str, amps: float) -> PointState:
    """Return a charge point with a start in force; with 0 A, a stop."""
    command = CommandInForce(1, "start" if amps else "stop", amps or None, EVENING + HOUR, None, "")
    return PointState(name, command=command, response=Response(EVENING))


def limits(amps: float, driveway: float, shed: float, file: HouseholdFile) -> list[float]:
    """Return what each may take of so many amperes, with these commands in force."""
    states = {"driveway": told("driveway", driveway), "shed": told("shed", shed)}
    shares = shares_below_load(amps, states, EVENING, file)
    return [
        max(shares.get(name, 0.0), amps_beside_others(amps, name, states, EVENING, file))
        for name in states
    ]


def test_those_that_charge_keep_what_fits() -> None:
    """One may take more where the other leaves it."""
    assert limits(40, 16, 16, home()) == [24, 24]
    assert limits(32, 16, 16, home()) == [16, 16]
    assert limits(32, 0, 16, home()) == [16, 32]


def test_those_that_charge_give_way_together() -> None:
    """Each keeps its lowest current and a part of the rest; where that is too much, one stops."""
    assert limits(20, 16, 16, home()) == [10, 10]
    assert limits(20, 32, 10, home()) == [12, 7]
    assert limits(8, 16, 16, home()) == [8, 0]
    assert limits(3, 16, 16, home()) == [0, 0]
    assert limits(20, 10, 16, home(relay=True)) == [10, 10]  # too little for a relay of 16 A


@given(
    st.floats(0, 80),
    st.sampled_from([0, 6, 10, 16.5, 32]),
    st.sampled_from([0, 6, 16, 32]),
    st.sampled_from([home(), home(relay=True)]),
)
def test_together_they_never_get_more_than_is_left(
    left: float, driveway: float, shed: float, file: HouseholdFile
) -> None:
    """If all of them change to what they may keep, and if any one of them takes more."""
    may = limits(left, driveway, shed, file)
    kept = [
        min(now, max(0.0, each)) for now, each in zip((driveway, shed), may, strict=True)
    ]  # fmt: skip
    assert sum(kept) <= left + 1e-5
    if driveway + shed <= left:
        assert may[0] + shed <= left + 1e-5
        assert may[1] + driveway <= left + 1e-5


def test_a_new_command_leaves_open_what_a_vehicle_draws() -> None:
    """Until a reading that is 5 seconds younger, it may be anything up to the command."""
    states = [told("driveway", 16)]
    read = replace(states[0], watts=2300.0, watts_at=EVENING + 5 * SECOND)
    now = EVENING + 10 * SECOND
    assert own_current(states, now, home(), 1) == OwnCurrent((0,), (16,))
    assert own_current([read], now, home(), 1) == OwnCurrent((10,), (10,))
    soon = replace(read, watts_at=EVENING + 4 * SECOND)
    assert own_current([soon], now, home(), 1) == OwnCurrent((0,), (16,))
    assert own_current([read], EVENING + 2 * 60 * SECOND, home(), 1) == OwnCurrent((0,), (16,))


def test_nobody_knows_on_which_phase_one_phase_is() -> None:
    """On each of three phases it may draw its current, or nothing."""
    read = replace(told("driveway", 10), watts=2300.0, watts_at=EVENING + 5 * SECOND)
    own = own_current([read], EVENING + 10 * SECOND, home(), 3)
    assert own == OwnCurrent((0, 0, 0), (10, 10, 10))
