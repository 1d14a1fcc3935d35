"""What messages change in what is known, and what they must not (design, section 5)."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract.messages import Reading, VehicleReport
from daemon.control.events import AnnouncePlan, Issue, MeterRead, Note, TimePassed, VehicleReported
from daemon.control.learning import AHEAD
from daemon.control.state import PointState, SocFact, Wishes, counted_soc_percent, watts_of
from planners.local_time.wished_departures import Wish
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    World,
    household,
    kowhai,
)

HOURS_BY_FILE = {"plugged_in": "18:30-07:30"}


def soc_of(world: World) -> float:
    soc = counted_soc_percent(world.state, world.house.file, world.now)
    assert soc is not None
    return soc


def charging(soc: float = 35.0) -> World:
    """Kowhai Cottage an hour into its charging."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(soc)
    world.wait(NIGHT_BEGINS + HOUR)
    return world


# --- the state of charge ----------------------------------------------------------------------


def test_the_meter_counts_the_state_of_charge_on() -> None:
    """An hour at 32 A and 230 V through 90 % efficiency into 52 kWh is 12.74 %."""
    assert soc_of(charging()) == pytest.approx(35 + 100 * 7.36 * 0.9 / 52, abs=0.01)


def test_what_is_assumed_is_counted_on_too() -> None:
    """Without a report, the file's arrives_with_percent is where the count begins."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in()
    world.wait(NIGHT_BEGINS + HOUR)
    assert world.state.soc is not None
    assert world.state.soc.source == "assumed"
    assert soc_of(world) == pytest.approx(40 + 100 * 7.36 * 0.9 / 52, abs=0.01)


@pytest.mark.parametrize("lower", [1, 17_360, 1_000_000])
def test_a_register_that_begins_again_keeps_the_count(lower: int) -> None:
    """After a fall of the register the count goes on from where it was."""
    world = charging()
    before = soc_of(world)
    world.meter_wh -= min(lower, world.meter_wh)
    world.read()
    assert soc_of(world) == pytest.approx(before, abs=0.01)
    world.wait(NIGHT_BEGINS + 2 * HOUR)
    assert soc_of(world) == pytest.approx(35 + 2 * 100 * 7.36 * 0.9 / 52, abs=0.05)


def test_one_false_zero_from_the_meter_fills_no_battery() -> None:
    """A register that shows 0 once and then its old value again is not a battery's worth."""
    world = charging()
    before = soc_of(world)
    world.receive(Reading(at=world.now, register_kwh=0.0))
    world.advance(world.now + 10 * MINUTE / 10)
    world.read()
    assert soc_of(world) == pytest.approx(before + 100 * 7.36 * 0.9 / 52 / 60, abs=0.05)
    world.wait(NIGHT_BEGINS + 5 * HOUR)
    assert world.meter_wh - 1_000_000 == pytest.approx(26_000, abs=150)


@given(
    st.lists(
        st.tuples(st.integers(0, 900), st.integers(0, 2_000_000), st.floats(-9000, 9000)),
        max_size=20,
    )
)
def test_no_readings_count_outside_the_battery(readings: list[tuple[int, int, float]]) -> None:
    """Whatever a meter shows, the state of charge stays from what is known to 100 percent."""
    world = World(household(), EVENING)
    world.plug_in(0.0)
    for seconds, wh, watts in readings:
        world.now += timedelta(seconds=seconds)
        world.handle(MeterRead(Reading(at=world.now, register_kwh=wh / 1000, watts=watts)))
        assert 0 <= soc_of(world) <= 100


def test_a_report_in_a_gap_of_readings_takes_nothing_away() -> None:
    """Energy counted on while the meter was silent is not taken off what the vehicle then says."""
    world = charging()
    world.advance(world.now + 14 * MINUTE)
    world.report(soc_percent=50.0)
    world.receive(
        Reading(at=world.now, register_kwh=round(world.meter_wh - 1717) / 1000, watts=0.0)
    )
    assert soc_of(world) == pytest.approx(50.0)


def test_less_than_was_counted_on_is_made_up() -> None:
    """A charge point that paused unnoticed charges longer in the end."""
    world = charging()
    silent = world.now + 14 * MINUTE
    world.now = silent
    world.handle(TimePassed())
    assert soc_of(world) > 49
    world.read(watts=0.0)
    assert soc_of(world) == pytest.approx(35 + 100 * 7.36 * 0.9 / 52, abs=0.01)
    world.wait(NIGHT_BEGINS + 6 * HOUR)
    assert world.meter_wh - 1_000_000 == pytest.approx(26_000, abs=150)


def test_a_state_of_charge_from_before_the_trip_is_forgotten() -> None:
    """A vehicle that comes back without a report has what it left with, less the usual 45 km."""
    world = charging()
    left = soc_of(world)
    world.unplug()
    world.wait(world.now + 2 * HOUR)
    world.plug_in()
    assert soc_of(world) == pytest.approx(left - 100 * 45 * 0.165 / 52)


def test_a_state_of_charge_reported_on_the_way_home_is_kept() -> None:
    """What a vehicle reported an hour before it is plugged in is what it arrives with."""
    world = World(kowhai(), EVENING)
    world.report(pilot="A")
    world.report(soc_percent=55.0)
    world.wait(EVENING + HOUR)
    world.plug_in()
    assert soc_of(world) == 55.0


@pytest.mark.parametrize("first", ["person", "vehicle"])
def test_what_is_said_last_counts(first: str) -> None:
    """A person and a vehicle may both say the state of charge; the later word is planned with."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in()
    for who in (first, "vehicle" if first == "person" else "person"):
        world.now += MINUTE
        percent = 50.0 if who == first else 60.0
        if who == "person":
            world.ask(soc_percent=percent)
        else:
            world.report(soc_percent=percent)
    assert soc_of(world) == 60.0
    assert world.state.plan is not None
    assert world.state.plan.soc_percent == 60.0


# --- late, early, doubled ---------------------------------------------------------------------


def test_a_reading_twice_changes_nothing() -> None:
    """The same reading again leaves all that is known as it was."""
    world = charging()
    reading = Reading(at=world.now, register_kwh=world.meter_wh / 1000, watts=7360)
    world.receive(reading)
    before = world.state
    assert world.receive(reading) == ()
    assert world.state == before


@given(
    minutes=st.integers(1, 100_000),
    register_kwh=st.none() | st.floats(0, 1e6),
    watts=st.floats(-1e5, 1e5),
)
def test_a_late_reading_changes_nothing(
    minutes: int, register_kwh: float | None, watts: float
) -> None:
    """A reading from before the last one moves neither register, power, plan nor command."""
    world = charging()
    world.read()
    before = world.state
    old = Reading(at=world.now - minutes * MINUTE, register_kwh=register_kwh, watts=watts)
    assert world.handle(MeterRead(old)) == ()
    assert world.state == before


@pytest.mark.parametrize("ahead", [AHEAD + MINUTE / 60, HOUR, timedelta(days=3650)])
def test_what_is_dated_in_the_future_changes_nothing(ahead: timedelta) -> None:
    """A reading or report from a future that clocks can't excuse is not believed."""
    world = charging()
    before = world.state
    at = world.now + ahead
    assert world.handle(MeterRead(Reading(at=at, register_kwh=2.0, watts=0))) == ()
    assert world.handle(VehicleReported(VehicleReport(at=at, pilot="A", soc_percent=100))) == ()
    assert world.state == before


def test_a_late_report_changes_nothing() -> None:
    """A pilot state or state of charge from before the last one of its kind is passed over."""
    world = charging()
    world.report(pilot="C", soc_percent=47.0)
    before = world.state
    at = world.now - MINUTE
    assert world.handle(VehicleReported(VehicleReport(at=at, pilot="A", soc_percent=90))) == ()
    assert world.state == before


def test_a_vehicle_whose_clock_is_ahead_hides_no_unplugging() -> None:
    """A state of charge dated a little ahead does not make the charge point's own report late."""
    world = charging()
    world.handle(VehicleReported(VehicleReport(at=world.now + 5 * MINUTE, soc_percent=48)))
    world.now += MINUTE
    world.unplug()
    assert world.doing() == ("stop", None)


def test_after_the_clock_is_put_back_readings_are_believed_again() -> None:
    """A day that a wrong clock lived ahead is not a day in which every reading is late."""
    world = World(kowhai(), EVENING + timedelta(days=1))
    world.read()
    world.plug_in(35.0)
    world.now = EVENING
    world.meter_wh += 500
    world.read()
    assert world.state.register is not None
    assert world.state.register.at == EVENING
    world.unplug()
    assert not world.sees_vehicle()


# --- whether a vehicle is there ---------------------------------------------------------------


def test_unplugged_is_stop_and_plugged_in_again_is_a_new_plan() -> None:
    """The pilot state rules: away is stop at once, back is a plan made then."""
    world = charging()
    world.unplug()
    assert world.doing() == ("stop", None)
    gone = world.state
    assert gone.plan is None
    world.now += 30 * MINUTE
    world.plug_in(45.0)
    back = world.state
    assert back.plan is not None
    assert back.plan.made_at == world.now
    assert back.plan.soc_percent == 45.0
    assert world.doing() == ("start", 32.0)


def test_charge_now_ends_with_the_stay() -> None:
    """Charge now is forgotten when the vehicle leaves: back later, it waits for cheap hours."""
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    world.ask(charge_now=True)
    world.unplug()
    world.now += HOUR
    world.plug_in(35.0)
    assert world.doing() == ("stop", None)


def test_other_wishes_outlast_a_short_trip() -> None:
    """What is wanted for the morning still holds when the vehicle comes back in the evening."""
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    world.ask(want_percent=95.0)
    world.unplug()
    world.now += HOUR
    world.plug_in(35.0)
    assert world.state.plan is not None
    assert world.state.plan.want_percent == 95.0


@pytest.mark.parametrize(("watts", "there"), [(50.0, False), (2000.0, True)])
def test_power_means_a_vehicle_where_nothing_else_tells(watts: float, *, there: bool) -> None:
    """A plug that only knows its power sees a vehicle once one draws it."""
    world = World(household(), EVENING)
    world.read(watts=watts)
    assert world.sees_vehicle() is there


def test_power_is_no_vehicle_against_the_pilot() -> None:
    """Where the pilot says that nobody is there, power is something else."""
    world = World(household(), EVENING)
    world.report(pilot="A")
    world.read(watts=2000.0)
    assert not world.sees_vehicle()


def test_hours_of_the_file_say_when_a_vehicle_is_there() -> None:
    """A plug that can't tell has a vehicle from 18:30 to 07:30, and commands follow."""
    world = World(household(point=HOURS_BY_FILE), EVENING - 2 * HOUR)
    world.handle(TimePassed())
    world.wait(EVENING - MINUTE)
    assert not world.sees_vehicle()
    world.wait(EVENING)
    assert world.sees_vehicle()
    assert world.doing()[0] == "start"
    world.wait(EVENING + 13 * HOUR)
    assert world.doing()[0] == "stop"
    assert not world.sees_vehicle()


@pytest.mark.parametrize("sees", ["power", "report"])
def test_a_plug_does_not_chatter_at_the_end_of_its_hours(sees: str) -> None:
    """Outside the file's hours neither power nor a report plugs the vehicle in again and again."""
    world = World(household(point=HOURS_BY_FILE), EVENING + 13 * HOUR - MINUTE)
    world.is_there = True
    world.handle(TimePassed())
    world.wait(EVENING + 13 * HOUR)
    before = len(world.actions)
    for _ in range(10):
        world.now += MINUTE / 2
        if sees == "power":
            world.read(watts=3000.0)
        else:
            world.report(soc_percent=60.0)
        world.handle(TimePassed())
    # Another matter: the stop is sent again while power flows.
    done = [action for _, action in world.actions[before:]]
    assert {action.command.do for action in done if isinstance(action, Issue)} <= {"stop"}
    assert not any(isinstance(action, Note | AnnouncePlan) for action in done)
    assert not world.sees_vehicle()


def test_a_fault_that_clears_is_planned_anew() -> None:
    """Hours lost to a fault are made up in the hours that are left."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(35.0)
    world.wait(NIGHT_BEGINS)
    world.report(pilot="F")
    world.wait(NIGHT_BEGINS + 5 * HOUR)
    world.report(pilot="C")
    assert world.doing() == ("start", 32.0)
    world.wait(NIGHT_BEGINS + 10 * HOUR)
    assert world.meter_wh - 1_000_000 == pytest.approx(26_000, abs=150)


def test_going_and_coming_are_noted_once() -> None:
    """Reports that repeat the pilot state are no news; a change is, once."""
    world = World(kowhai(), EVENING)
    for pilot in "AABCBBAA":
        world.now += MINUTE
        world.report(pilot=pilot)
    noted = [action.event for _, action in world.actions if isinstance(action, Note)]
    assert [event for event in noted if "plugged" in event] == ["plugged-in", "unplugged"]


# --- what a person asks -----------------------------------------------------------------------


def test_wishes_are_laid_over_one_another() -> None:
    """Each request changes what it names and leaves the rest; clear begins from nothing."""
    world = World(kowhai(), EVENING)
    world.ask(want_percent=90.0)
    world.ask(need_percent=70.0)
    assert world.state.wishes == Wishes((Wish("1", "hatchback", LEAVES, 70.0, 90.0),))
    world.ask(clear=True, want_percent=85.0)
    assert world.state.wishes == Wishes((Wish("1", "hatchback", LEAVES, None, 85.0),))


def test_a_wish_from_before_the_plug_in_counts() -> None:
    """A person may ask at noon for what is plugged in at night."""
    world = World(kowhai(), EVENING - 5 * HOUR)
    world.ask(want_percent=95.0)
    world.wait(EVENING)
    world.plug_in(35.0)
    assert world.state.plan is not None
    assert world.state.plan.want_percent == 95.0
    assert world.state.plan.reaches_percent == pytest.approx(95.0)


# --- another vehicle ----------------------------------------------------------------------------

VAN = {"van": {"charge_point": POINT, "usable_kwh": 100.0, "everyday_limit_percent": 90.0}}


def test_a_person_says_which_vehicle_it_is() -> None:
    """The vehicle that a person names is planned with until it is unplugged."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.plug_in(30.0)
    assert world.state.plan is not None
    assert world.state.plan.vehicle == "hatchback"
    world.ask(vehicle="van", soc_percent=50.0, want_percent=90.0, by=EVENING + 9 * HOUR)
    assert world.state.plan is not None
    assert world.state.plan.vehicle == "van"
    assert world.state.plan.energy_kwh == pytest.approx(40 / 0.9, abs=0.1)
    assert world.state.night is not None
    assert world.state.night.vehicle == "van"
    world.unplug()
    world.plug_in(30.0)
    assert world.state.plan is not None
    assert world.state.plan.vehicle == "hatchback"


def two_vehicles() -> World:
    """Return a world with the hatchback at 30 % by a person's word, then the van at 50 %."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.plug_in()
    world.ask(soc_percent=30.0)
    world.wait(EVENING + 10 * MINUTE)
    world.ask(vehicle="van", soc_percent=50.0)
    return world


def test_what_a_person_said_of_each_vehicle_is_kept() -> None:
    """Switching to another vehicle and back leaves each with what a person said of it."""
    world = two_vehicles()
    world.ask(vehicle="hatchback")
    assert world.state.soc == SocFact(30.0, EVENING, "person", 1_000_000)
    world.ask(vehicle="van")
    named_at = EVENING + 10 * MINUTE
    assert world.state.soc is not None
    assert replace(world.state.soc, register_wh=None) == SocFact(50.0, named_at, "person", None)


def test_what_the_vehicle_reported_is_of_the_one_that_is_there() -> None:
    """It stays true under another name: the van's need is planned from 30 % of its own battery."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.plug_in(30.0)
    world.ask(vehicle="van", need_percent=80.0, by=EVENING + 12 * HOUR)
    assert world.state.plan is not None
    assert world.state.plan.energy_kwh == pytest.approx(50 / 0.9, abs=0.1)
    world.ask(vehicle="hatchback")
    assert world.state.soc is not None
    assert (world.state.soc.source, world.state.soc.percent) == ("vehicle", 30.0)


def test_a_report_outlives_what_a_person_says_of_another_vehicle() -> None:
    """The van's 37 % hide the 30 % that were reported, not for good; nor is it what was left."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.plug_in(30.0)
    world.ask(vehicle="van")
    world.ask(soc_percent=37.0)
    world.ask(vehicle="hatchback")
    assert world.state.soc is not None
    assert (world.state.soc.source, world.state.soc.percent) == ("vehicle", 30.0)
    world.ask(vehicle="van")
    world.unplug()
    assert world.state.left_with is None


def test_a_report_is_nobodys_where_the_cable_may_have_moved_unseen() -> None:
    """Without a pilot state, another vehicle may be there than the one that reported."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.report(soc_percent=30.0)
    world.ask(vehicle="van", need_percent=80.0, by=EVENING + 12 * HOUR)
    assert world.state.soc is not None
    assert world.state.soc.source == "assumed"


@pytest.mark.parametrize(("pilot", "counted"), [("C", True), (None, False)])
def test_energy_counts_for_the_vehicle_that_was_there_all_along(
    pilot: str | None, *, counted: bool
) -> None:
    """A vehicle named again has gained what flowed, unless the cable may have moved unseen."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read(watts=500)
    if pilot is not None:
        world.plug_in(pilot=pilot)
    world.ask(vehicle="van", soc_percent=50.0)
    world.ask(vehicle="hatchback", soc_percent=30.0, charge_now=True)
    world.is_there = True
    world.wait(world.now + HOUR)
    world.ask(vehicle="van")
    soc = counted_soc_percent(world.state, world.house.file, world.now)
    assert soc == pytest.approx(50 + (100 * 7.36 * 0.9 / 100 if counted else 0), abs=0.1)


def test_a_register_that_restarts_is_not_counted_for_a_vehicle_set_aside() -> None:
    """After the meter began again, a vehicle named again has what a person said of it."""
    world = two_vehicles()
    world.meter_wh = 0
    world.wait(EVENING + 20 * MINUTE)
    world.meter_wh += 100_000
    world.read()
    world.ask(vehicle="hatchback")
    assert soc_of(world) == 30.0


def test_each_vehicle_comes_back_with_what_it_left_with() -> None:
    """The van's charge when it left is not taken for the hatchback that is there the next day."""
    world = two_vehicles()
    world.wait(EVENING + 20 * MINUTE)
    world.unplug()
    world.wait(EVENING + 2 * HOUR)
    assert [
        (other.name, other.left_with and other.left_with.percent) for other in world.state.others
    ] == [("van", 50.0)]
    assert world.state.left_with is not None
    assert (world.state.left_with.percent, world.state.left_with.source) == (30.0, "person")


def test_a_word_about_a_vehicle_is_forgotten_after_twelve_hours_without_it() -> None:
    """What a person said of another vehicle before noon is not true of one plugged in at night."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.ask(vehicle="van", soc_percent=50.0)
    world.ask(vehicle="hatchback")
    world.wait(EVENING + 13 * HOUR)
    world.plug_in()
    world.ask(vehicle="van", need_percent=80.0, by=world.now + 9 * HOUR)
    assert world.state.soc is not None
    assert world.state.soc.source == "assumed"


def test_a_night_begins_with_the_charge_of_the_vehicle_that_is_really_there() -> None:
    """If the van is named while it charges, its night begins with what it held before."""
    world = World(household(more_vehicles=VAN), EVENING)
    world.read()
    world.plug_in(30.0)
    world.ask(charge_now=True)
    world.wait(EVENING + HOUR)
    world.ask(vehicle="van", soc_percent=50.0, need_percent=80.0, by=EVENING + 9 * HOUR)
    assert world.state.night is not None
    gained = 100 * 7.36 * 0.9 / 100
    assert world.state.night.soc_before_percent == pytest.approx(50 - gained, abs=0.1)
    assert world.state.night.soc_from == "person"


def test_a_vehicle_of_another_charge_point_is_not_there() -> None:
    """A name that is none of the charge point's vehicles changes nothing."""
    world = charging()
    soc = soc_of(world)
    world.ask(vehicle="tractor", want_percent=80.0)
    assert world.state.vehicle is None
    assert soc_of(world) == soc


# --- no state of charge -------------------------------------------------------------------------


def test_without_a_report_for_days_the_meter_and_the_usual_use_go_on() -> None:
    """Night after night without a report: what was left, less 7.4 kWh, counted on by the meter."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(80.0)
    for day in range(3):
        evening = EVENING + day * 24 * HOUR
        world.wait(evening + 12 * HOUR)
        world.unplug()
        world.wait(evening + 24 * HOUR)
        world.plug_in()
        assert world.state.soc is not None
        assert world.state.soc.source == "recalled"
        # It leaves with the 80 % it wants, at night rates, and comes back with 14.3 % less.
        assert soc_of(world) == pytest.approx(80 - 100 * 45 * 0.165 / 52, abs=0.5)
    assert world.state.plan is not None
    assert world.state.plan.why[-1] == (
        "No state of charge is reported: 66 % is what it left with last, less the usual use while"
        " away."
    )


def test_what_was_left_weeks_ago_says_nothing() -> None:
    """After two weeks the household file's word is taken again."""
    world = charging()
    world.unplug()
    world.wait(world.now + 15 * 24 * HOUR)
    world.plug_in()
    assert world.state.soc is not None
    assert (world.state.soc.source, soc_of(world)) == ("assumed", 40.0)


@pytest.mark.parametrize(("before", "watts"), [(None, 7360.0), ("B", 7360.0), ("C", 0.0)])
def test_only_a_change_of_the_pilot_state_ends_the_power(before: str | None, watts: float) -> None:
    """A first report, or one that says nothing new, does not hide power that flows all the same."""
    state = PointState(POINT, plugged_in=True, pilot=before, watts=7360.0, watts_at=EVENING)
    world = World(kowhai(), EVENING + MINUTE, state=state)
    world.report(pilot="B")
    assert watts_of(world.state) == watts
