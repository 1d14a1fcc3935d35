"""What each charge point may draw below the home's live load, and what they draw themselves."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from hypothesis import given
from hypothesis import strategies as st

from daemon.control.events import CommandInForce
from daemon.control.state import PointState
from daemon.load_guard.currents import kept_amps, own_current
from daemon.sharing.claims import Claim
from planners.home.left_beside import LeftByLoad
from planners.power.allowed_currents import AmpsSpan
from planners.power.excess_current import CurrentWatch
from planners.power.live_load import OwnCurrent
from planners.power.phases import users_of_phases
from tests.daemon.worlds import EVENING, HOUR, household

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.household_file import HouseholdFile

SECOND = timedelta(seconds=1)


def home(*, relay: bool = False) -> HouseholdFile:
    """Two charge points of 6 to 32 A; the second may be a relay."""
    file = household().file
    one = file.charge_points["driveway"]
    two = one.model_copy(update={"switching": "on_off"}) if relay else one
    return file.model_copy(update={"charge_points": {"driveway": one, "shed": two}})


def told(name: str, amps: float) -> PointState:
    """Return a charge point with a start in force since the evening; with 0 A, a stop."""
    command = CommandInForce(1, "start" if amps else "stop", amps or None, EVENING + HOUR, None, "")
    watch = CurrentWatch(judged_from=EVENING)
    return PointState(name, command=command, current_watch=watch)


def claim(amps: float, shown: float = 0.0) -> Claim:
    """Return what the hardware may draw by its command, and what a reading shows."""
    until = EVENING + HOUR
    return Claim(
        commanded=(AmpsSpan(EVENING, until, amps),) if amps else (),
        shown=(AmpsSpan(EVENING, until, shown),) if shown else (),
    )


def kept(
    amps: float, driveway: float, shed: float, file: HouseholdFile, stuck: float = 0.0
) -> list[float]:
    """Return what each keeps of so many amperes, with these commands in force."""
    states = {"driveway": told("driveway", driveway), "shed": told("shed", shed)}
    claims = {"driveway": claim(driveway), "shed": claim(shed, stuck)}
    limits = [LeftByLoad(amps, dict.fromkeys(states, 1.0))]
    shares = kept_amps(states, claims, limits, EVENING, file)
    return [shares.get(name, 0.0) for name in states]


def test_those_that_charge_keep_what_fits() -> None:
    assert kept(40, 16, 16, home()) == [16, 16]
    assert kept(32, 16, 16, home()) == [16, 16]
    assert kept(32, 0, 16, home()) == [0, 16]


def test_those_that_charge_give_way_together() -> None:
    """Each keeps its lowest current and a part of the rest; where that is too much, one stops."""
    assert kept(20, 16, 16, home()) == [10, 10]
    assert kept(20, 32, 10, home()) == [12, 7]
    assert kept(8, 16, 16, home()) == [8, 0]
    assert kept(3, 16, 16, home()) == [0, 0]
    assert kept(20, 10, 16, home(relay=True)) == [10, 0]  # too little for a relay of 16 A


def test_the_others_give_way_to_one_that_does_not() -> None:
    """A reading shows that the shed still draws 16 A though it was told 6 A."""
    assert kept(24, 16, 6, home()) == [16, 6]
    assert kept(24, 16, 6, home(), stuck=16) == [8, 6]
    assert kept(20, 16, 6, home(), stuck=16) == [0, 6]


def test_a_reading_before_a_vehicle_could_follow_shows_nothing() -> None:
    lowered = replace(claim(6, shown=16), lowered_at=EVENING - 9 * SECOND)
    assert lowered.not_given_way_amps == 0
    assert replace(lowered, lowered_at=EVENING - 10 * SECOND).not_given_way_amps == 16


@given(
    st.floats(0, 80),
    st.sampled_from([0, 6, 10, 16.5, 32]),
    st.sampled_from([0, 6, 16, 32]),
    st.sampled_from([home(), home(relay=True)]),
)
def test_together_they_never_keep_more_than_is_left(
    left: float, driveway: float, shed: float, file: HouseholdFile
) -> None:
    """None keeps more than it has; if all fit, each keeps all of it."""
    may = kept(left, driveway, shed, file)
    assert sum(may) <= left + 1e-5
    assert all(each <= now for each, now in zip(may, (driveway, shed), strict=True))
    if driveway + shed <= left:
        assert may == [driveway, shed]


def own(
    state: PointState, claimed: Claim, now: datetime, *, is_one_value: bool = True
) -> OwnCurrent:
    """Return what one of the two charge points draws; the file says nothing of its phases."""
    states, claims = {"driveway": state}, {"driveway": claimed}
    return own_current(states, claims, now, home(), is_one_value=is_one_value)


def test_a_new_command_leaves_open_what_a_vehicle_draws() -> None:
    """Until a reading that is 5 seconds younger, it may be anything up to the command."""
    now = EVENING + 10 * SECOND
    state = told("driveway", 16)
    read = replace(state, watts=2300.0, watts_at=EVENING + 5 * SECOND)
    soon = replace(read, watts_at=EVENING + 4 * SECOND)
    assert own(state, claim(16), now) == OwnCurrent((0,) * 3, (16,) * 3)
    assert own(read, claim(16), now) == OwnCurrent((10,) * 3, (10,) * 3)
    assert own(soon, claim(16), now) == OwnCurrent((10,) * 3, (16,) * 3)
    assert own(read, claim(16), EVENING + 120 * SECOND) == OwnCurrent((0,) * 3, (16,) * 3)


def test_a_vehicle_that_is_lowered_may_still_draw_as_before() -> None:
    state = replace(told("driveway", 8), watts=3680.0, watts_at=EVENING)
    before = replace(claim(8), earlier=claim(16).commanded)
    assert own(state, before, EVENING + SECOND) == OwnCurrent((8,) * 3, (16,) * 3)


def test_nobody_knows_on_which_phase_one_phase_is() -> None:
    """On each of three phases it may draw its current, or nothing."""
    read = replace(told("driveway", 10), watts=2300.0, watts_at=EVENING + 5 * SECOND)
    now = EVENING + 10 * SECOND
    assert own(read, claim(10), now, is_one_value=False) == OwnCurrent((0,) * 3, (10,) * 3)


def test_a_charge_point_with_a_declared_phase_draws_on_that_one() -> None:
    file = home()
    points = dict(file.charge_points)
    points["shed"] = points["shed"].model_copy(update={"connected_to": ("L2",)})
    file = file.model_copy(update={"charge_points": points})
    read = replace(told("shed", 10), watts=2300.0, watts_at=EVENING + 5 * SECOND)
    drawn = own_current({"shed": read}, {"shed": claim(10)}, EVENING + 10 * SECOND, file)
    assert drawn == OwnCurrent((0, 10, 0), (0, 10, 0))
    users = users_of_phases(file)
    assert [users[phase].possible for phase in ("L1", "L2", "L3")] == [
        {"driveway"}, {"driveway", "shed"}, {"driveway"}
    ]  # fmt: skip


def test_one_value_of_three_phases_is_not_that_of_every_charge_point() -> None:
    """Where one has a declared phase, the other may be on another: it counts for nothing there."""
    file = home()
    points = dict(file.charge_points)
    points["shed"] = points["shed"].model_copy(update={"connected_to": ("L2",)})
    file = file.model_copy(update={"charge_points": points})
    read_at = EVENING + 5 * SECOND
    states = {name: replace(told(name, 10), watts=2300.0, watts_at=read_at) for name in points}
    claims = {name: claim(10) for name in points}
    drawn = own_current(states, claims, EVENING + 10 * SECOND, file, is_one_value=True)
    assert drawn == OwnCurrent((0, 10, 0), (10, 20, 10))
