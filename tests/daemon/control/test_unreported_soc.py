"""What a vehicle without a report comes back with: the longer it was away, the less."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.control.state import House, PointState, SocFact
from daemon.control.unreported_soc import unreported_soc
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, POINT, World, household, kowhai

DAILY = {"daily_distance_km": 50.0, "km_per_kwh": 5.0}
"""10 kWh a day, which is 20 % of the battery."""

LEFT_PERCENT = 70.0
SECOND = timedelta(seconds=1)


def home(vehicle: dict[str, Any], **departure: object) -> House:
    return household(vehicle=vehicle, departure=departure)


def comes_back_with(house: House, away: timedelta, left_at: datetime = EVENING) -> float:
    state = PointState(POINT, left_with=SocFact(LEFT_PERCENT, left_at, "counted", None))
    return unreported_soc(state, "hatchback", left_at + away, house.file).percent


@pytest.mark.parametrize(
    ("away", "used_percent"),
    [
        (15 * SECOND, 0),
        (5 * MINUTE, 0),
        (5 * MINUTE + SECOND, 20 / 115 / 60),
        (28 * MINUTE, 4),
        (62 * MINUTE + 30 * SECOND, 10),
        (2 * HOUR, 20),
        (5 * HOUR, 20),
    ],
)
def test_a_usual_days_use_is_taken_off_over_two_hours(away: timedelta, used_percent: float) -> None:
    """Up to five minutes takes off nothing; from there it grows evenly to the day's 20 %."""
    assert comes_back_with(home(DAILY), away) == pytest.approx(LEFT_PERCENT - used_percent)


@pytest.mark.parametrize(
    ("trip", "left", "away", "used_percent"),
    [
        # Two hours, where the trip takes longer or no return is declared.
        ({"uses_kwh": 15.0, "returns": "18:00"}, 0 * MINUTE, 28 * MINUTE, 6),
        ({"uses_kwh": 15.0, "returns": "18:00"}, 0 * MINUTE, 2 * HOUR, 30),
        ({"uses_kwh": 15.0}, 0 * MINUTE, 10 * HOUR, 30),
        # A trip of 45 minutes is over after 45.
        ({"uses_kwh": 15.0, "returns": "08:05"}, 0 * MINUTE, 5 * MINUTE, 0),
        ({"uses_kwh": 15.0, "returns": "08:05"}, 0 * MINUTE, 25 * MINUTE, 15),
        ({"uses_kwh": 15.0, "returns": "08:05"}, 0 * MINUTE, 45 * MINUTE, 30),
        # It left early, or so late that the declared return has nothing to say.
        ({"uses_kwh": 15.0, "returns": "08:05"}, -15 * MINUTE, 60 * MINUTE, 30),
        ({"uses_kwh": 15.0, "returns": "08:05"}, 60 * MINUTE, 28 * MINUTE, 6),
        # The trip says nothing of its use: a usual day's.
        ({}, 0 * MINUTE, 28 * MINUTE, 4),
        ({}, 0 * MINUTE, 3 * HOUR, 20),
    ],
)
def test_a_declared_trip_is_taken_off_by_its_end(
    trip: dict[str, Any], left: timedelta, away: timedelta, used_percent: float
) -> None:
    """Around a departure it is the trip's declared use."""
    found = comes_back_with(home(DAILY, **trip), away, LEAVES + left)
    assert found == pytest.approx(LEFT_PERCENT - used_percent)


TRIP = {"uses_kwh": 24.0, "returns": "18:00"}
"""48 % of the battery; its departure wants 80 %."""
BACK = LEAVES + 11 * HOUR


@pytest.mark.parametrize(
    ("vehicle", "trip", "back", "percent"),
    [
        (DAILY, TRIP, BACK, 32),
        (DAILY, {"uses_kwh": 24.0}, LEAVES + 2 * HOUR, 32),
        ({}, TRIP, BACK, 32),
        # The lower of two figures in the file.
        (DAILY | {"arrives_with_percent": 25.0}, TRIP, BACK, 25),
        (DAILY | {"arrives_with_percent": 50.0}, TRIP, BACK, 32),
        # The battery is no emptier than empty, and a trip that goes on says nothing yet.
        (DAILY, {"uses_kwh": 50.0}, BACK, 0),
        (DAILY, TRIP, LEAVES + 10 * HOUR, 60),
        (DAILY, {}, BACK, 60),
    ],
)
def test_a_daemon_that_began_during_a_trip_takes_it_off(
    vehicle: dict[str, Any], trip: dict[str, Any], back: datetime, percent: float
) -> None:
    """It never saw the vehicle leave, but the file says what it left with and what it used."""
    found = unreported_soc(PointState(POINT), "hatchback", back, home(vehicle, **trip).file)
    assert found.source == "assumed"
    assert found.percent == pytest.approx(percent)


def test_a_day_of_a_new_daemon_buys_what_the_trip_used() -> None:
    """Begun while the vehicle is away; at 18:20 it comes back, and 48 % are bought that night."""
    world = World(home(DAILY, **TRIP), LEAVES + 4 * HOUR)
    world.read()
    world.report(pilot="A")
    world.wait(BACK, read_every=None)
    world.plug_in()
    assert world.state.plan is not None
    assert world.state.plan.energy_kwh == pytest.approx(24.0 / 0.9)


def test_each_trip_is_taken_off_and_the_last_one_by_its_own_time() -> None:
    """Away since yesterday's departure, and since today's for 28 minutes: 30 % and 6 %."""
    house = home(DAILY, uses_kwh=15.0)
    assert comes_back_with(house, 24 * HOUR + 28 * MINUTE, LEAVES) == pytest.approx(
        LEFT_PERCENT - 36
    )


@pytest.mark.parametrize(
    ("away", "percent"), [(15 * SECOND, 70), (5 * MINUTE, 70), (28 * MINUTE, 64), (2 * HOUR, 40)]
)
def test_without_a_declared_use_it_falls_to_what_the_file_assumes(
    away: timedelta, percent: float
) -> None:
    """From 70 % to 40 %; and 15 seconds still take off nothing."""
    assert comes_back_with(home({"arrives_with_percent": 40.0}), away) == pytest.approx(percent)


def test_a_short_time_away_never_adds_anything() -> None:
    """The file assumes more than it left with; that is not believed after half an hour."""
    house = home({"arrives_with_percent": 90.0})
    assert comes_back_with(house, 28 * MINUTE) == LEFT_PERCENT
    assert comes_back_with(house, 2 * HOUR) == 90.0


@given(
    minutes=st.lists(st.integers(0, 60 * 24 * 13), min_size=2, max_size=2),
    left=st.integers(0, 120),
    use=st.one_of(st.none(), st.floats(0, 60)),
    returns=st.sampled_from([None, "07:50", "09:00", "18:00", "07:00"]),
    vehicle=st.sampled_from([{}, DAILY]),
)
def test_a_longer_time_away_never_leaves_more(
    minutes: list[int],
    left: int,
    use: float | None,
    returns: str | None,
    vehicle: dict[str, Any],
) -> None:
    """A law of all trips, left for at the departure or late; and nothing is used at first."""
    given_trip = {"uses_kwh": use, "returns": returns}
    house = home(vehicle, **{key: value for key, value in given_trip.items() if value is not None})
    left_at = LEAVES + left * MINUTE
    sooner, later = (comes_back_with(house, each * MINUTE, left_at) for each in sorted(minutes))
    assert LEFT_PERCENT >= sooner >= later >= 0
    assert comes_back_with(house, 5 * MINUTE, left_at) == LEFT_PERCENT


def test_fifteen_seconds_without_the_plug_cost_nothing() -> None:
    """A cable that is pulled and put back: the battery is as full as before."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(40.7)
    world.wait(EVENING + HOUR)
    world.unplug()
    world.wait(world.now + 15 * SECOND)
    world.plug_in()
    assert world.state.soc is not None
    assert world.state.soc.source == "recalled"
    assert world.state.soc.percent == pytest.approx(40.7)
    assert world.state.plan is not None
    assert world.state.plan.why[-1] == (
        "No state of charge is reported: 41 % is what it left with last, less the usual use while"
        " away."
    )


@pytest.mark.parametrize("hours", ["18:00-07:30", "18:00-10:00"])
def test_hours_that_go_on_after_the_departure_take_off_one_trip_a_day(hours: str) -> None:
    """A plug that can't tell: it left with 60 % at 07:20, not at the end of the hours with 40 %."""
    point = {"plugged_in": hours, "max_amps": 16.0}
    world = World(household(vehicle=DAILY, point=point, departure={"want_percent": 60.0}), EVENING)
    world.is_there = True
    world.read()
    world.ask(soc_percent=50.0)
    world.wait(LEAVES + 2 * MINUTE)
    assert comes_back_in(world, 0 * MINUTE) == pytest.approx(60.0, abs=0.5)
    world.is_there = False
    assert comes_back_in(world, 11 * HOUR) == pytest.approx(40.0, abs=0.5)


def comes_back_in(world: World, time: timedelta) -> float:
    world.wait(world.now + time, read_every=None)
    assert world.state.soc is not None
    assert world.state.soc.source == "recalled"
    return world.state.soc.percent


def test_a_vehicles_own_figure_wins() -> None:
    """What it reports, before or after it is plugged in again, replaces the estimate."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(60.0)
    for reported in (31.0, 32.0):
        world.unplug()
        world.wait(world.now + HOUR)
        if reported == 31.0:
            world.report(soc_percent=reported)
        world.plug_in(None if reported == 31.0 else reported)
        assert world.state.soc is not None
        assert (world.state.soc.source, world.state.soc.percent) == ("vehicle", reported)


def test_a_vehicle_that_was_never_there_left_with_nothing() -> None:
    """A daemon that starts assumes a vehicle; the first report says that none is there."""
    world = World(home({"arrives_with_percent": 50.0}, at="07:20"), EVENING)
    world.read(watts=3000.0)
    assert world.state.soc is not None
    world.now += SECOND
    world.unplug()
    assert world.state.left_with is None
    world.now += MINUTE
    world.plug_in()
    assert world.state.soc is not None
    assert world.state.soc.source == "assumed"


@pytest.mark.parametrize(
    ("vehicle", "trip", "said"),
    [
        (
            DAILY | {"arrives_with_percent": 50.0},
            TRIP,
            "32 % is what its last departure wants less what that trip uses, by the household file",
        ),
        (
            {"arrives_with_percent": 35.0},
            {"at": "07:20"},
            "35 % is estimated from the household file",
        ),
    ],
)
def test_a_plan_says_where_an_assumed_state_of_charge_comes_from(
    vehicle: dict[str, Any], trip: dict[str, Any], said: str
) -> None:
    """The file does not say 32 %: that is worked out from a departure and its trip."""
    world = World(home(vehicle, **trip), BACK)
    world.plug_in()
    assert world.state.plan is not None
    assert f"No state of charge is reported: {said}." in world.state.plan.why
