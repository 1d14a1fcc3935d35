"""When a plan is made again and announced, and when not."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import Reading
from adapters.ledger.ledger import Ledger, open_ledger
from config.files.price_series import PricePoint
from config.household.household_file import HouseholdFile
from daemon.control.events import AnnouncePlan, HouseChanged, Issue, TimePassed, Warn
from daemon.control.replanning import plan_now
from daemon.control.state import House, Wishes, counted_soc_percent
from planners.home.left_beside import LeftByLoad
from planners.power.allowed_currents import charge_model
from planners.rates.prices import prices_of
from tests.daemon.worlds import (
    EVENING,
    HERE,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    POINT,
    World,
    household,
    kowhai,
)

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from pathlib import Path

    from daemon.control.events import Action


def plugged_in(soc: float | None = 35.0) -> World:
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(soc)
    return world


def announced(actions: Iterable[Action]) -> list[AnnouncePlan]:
    return [action for action in actions if isinstance(action, AnnouncePlan)]


def priced(hours: int, rate: str = "0.20") -> House:
    """Make a household on a series of hourly prices, from a day before the evening."""
    file = household().file
    series = {"name": "Hourly", "prices": {"file": HERE / "prices.csv", "step_minutes": 60}}
    tariff = type(file.tariffs[0]).model_validate(series, context={"directory": HERE})
    file = HouseholdFile.model_copy(file, update={"tariffs": (tariff,)})
    start = EVENING - 24 * HOUR - 30 * MINUTE
    points = [PricePoint(start + i * HOUR, Decimal(rate)) for i in range(hours)]
    return House(file, prices_of(file, {"Hourly": points}))


@pytest.mark.parametrize("off", [0.0, 0.3, -0.4])
def test_a_report_that_matches_the_count_makes_no_new_plan(off: float) -> None:
    """A vehicle that says what was counted on anyhow changes nothing."""
    world = plugged_in()
    world.wait(NIGHT_BEGINS + HOUR)
    plan, command = world.state.plan, world.state.command
    counted = 35 + 100 * 7.36 * 0.9 / 52
    assert world.report(soc_percent=counted + off) == ()
    assert world.state.plan is plan
    assert world.state.command is command


@pytest.mark.parametrize("off", [-12.0, -0.6, 0.6, 12.0])
def test_a_report_that_differs_makes_a_new_plan(off: float) -> None:
    """A state of charge half a percent from the count is planned with."""
    world = plugged_in()
    world.wait(NIGHT_BEGINS + HOUR)
    counted = 35 + 100 * 7.36 * 0.9 / 52
    (plan,) = announced(world.report(soc_percent=counted + off))
    assert plan.plan.soc_percent == pytest.approx(counted + off)
    assert world.doing() == ("start", 32.0), "the run in progress goes on"


def test_a_night_that_goes_as_planned_has_one_plan() -> None:
    """From the plug-in to the departure nothing makes the plan again."""
    world = plugged_in()
    world.wait(LEAVES - MINUTE)
    assert len(world.plans()) == 1


@pytest.mark.parametrize("more", [0.93, 1.07])
def test_a_voltage_that_is_not_nominal_reaches_the_target(more: float) -> None:
    """Charging that runs fast ends early, charging that runs slow ends late: 80 % either way."""
    world = plugged_in()
    while world.now < LEAVES - MINUTE:
        before = world.meter_wh
        world.advance(min(world.wake, world.now + MINUTE))
        world.meter_wh = before + (world.meter_wh - before) * more
        world.read(watts=world.watts * more)
    assert world.meter_wh - 1_000_000 == pytest.approx(26_000, abs=200)
    assert world.doing() == ("stop", None)


def test_a_full_vehicle_that_stops_by_itself_is_not_begun_again() -> None:
    """A vehicle that takes no more before the plan ends leaves the rest of the plan alone."""
    world = plugged_in()
    world.wait(NIGHT_BEGINS + HOUR)
    world.is_there = False  # it draws nothing from here on, and says nothing
    world.wait(LEAVES - MINUTE)
    assert [do for _, do in world.switches()] == ["stop", "start", "stop"]


@pytest.mark.parametrize("watts", [None, 3000.0])
def test_without_a_register_the_plan_is_run_once(watts: float | None) -> None:
    """Hardware without a register charges for the planned time, not on until the departure."""
    world = World(household(), EVENING)
    world.plug_in(50.0)
    plan = world.state.plan
    assert plan is not None
    if watts is not None:
        world.receive(Reading(at=world.now, watts=watts))
    world.wait(LEAVES - MINUTE, read_every=None)
    assert [at for at, do in world.switches() if do == "stop"][-1] == plan.periods[-1].end
    assert len(world.switches()) == 3 - 1 + (world.switches()[0][1] == "stop")


def test_what_changes_the_course_is_announced_and_what_does_not_is_not() -> None:
    """A new file with the same meaning announces nothing; another target does."""
    world = plugged_in()
    assert announced(world.handle(HouseChanged("file"))) == []
    assert len(announced(world.ask(want_percent=90.0))) == 1
    assert announced(world.ask(want_percent=90.0)) == []
    assert len(announced(world.ask(clear=True))) == 1


def test_prices_that_replace_estimates_make_the_plan_again() -> None:
    """A plan that rests on estimates is made again when prices come, be its hours the same."""
    world = World(priced(hours=26), EVENING)
    world.plug_in(60.0)
    world.ask(want_percent=100.0)
    assert world.state.plan is not None
    assert world.state.plan.rests_on_estimates
    periods = [(p.start, p.end) for p in world.state.plan.periods]
    world.house = priced(hours=60)
    (plan,) = announced(world.handle(HouseChanged("prices")))
    assert not plan.plan.rests_on_estimates
    assert (plan.plan.periods[0].start, plan.plan.periods[-1].end) == (
        periods[0][0],
        periods[-1][1],
    )


def test_other_prices_for_the_same_hours_are_announced() -> None:
    """A plan whose hours cost more now says what they cost now."""
    world = World(priced(hours=60), EVENING)
    world.plug_in(60.0)
    world.house = priced(hours=60, rate="0.30")
    (plan,) = announced(world.handle(HouseChanged("prices")))
    assert plan.plan.cost == pytest.approx(0.30 * plan.plan.energy_kwh)


def test_no_price_is_a_warning_once_and_a_plan_when_prices_come() -> None:
    """Without prices nothing is planned and one alert is raised, until prices come."""
    empty = priced(hours=0)
    world = World(empty, EVENING)
    world.plug_in(60.0)
    world.wait(EVENING + HOUR)
    world.report(soc_percent=50.0)
    assert world.warned() == ["no-rate"]
    assert world.doing() == ("stop", None)
    world.house = priced(hours=60)
    assert len(announced(world.handle(HouseChanged("prices")))) == 1
    assert world.doing() == ("start", 32.0)


def test_a_need_out_of_reach_is_one_alert_a_stay() -> None:
    """A shortfall is an alert when it arises; not at each new plan, but again the next evening."""
    world = World(household(vehicle={"usable_kwh": 200.0}), EVENING)
    world.plug_in(5.0)
    (warning,) = [a for _, a in world.actions if isinstance(a, Warn)]
    assert warning.code == "need-out-of-reach"
    assert "will reach" in warning.message
    command = world.state.command
    assert command is not None
    assert command.why == "every hour before 07:20 is needed, and even that is too little time"
    world.ask(want_percent=90.0)
    assert len(world.warned()) == 1
    world.wait(LEAVES + MINUTE)
    world.unplug()
    world.wait(EVENING + 24 * HOUR)
    world.plug_in(5.0)
    assert world.warned() == ["need-out-of-reach"] * world.warned().count("need-out-of-reach")
    assert sum(at >= EVENING + 24 * HOUR for at, a in world.actions if isinstance(a, Warn)) == 1


def test_a_later_need_out_of_reach_is_an_alert_too() -> None:
    """Thursday evening needs 100 %, four hours after the return; the alert ends with that wish."""
    world = World(kowhai(), EVENING)
    world.plug_in(60.0)
    assert world.warned() == []
    world.ask(need_percent=100.0, by="2026-06-04T08:00:00Z")
    (message,) = [a.message for _, a in world.actions if isinstance(a, Warn)]
    assert message.startswith("hatchback needs 100 % by Thu 04 Jun 20:00 and will reach ")
    assert message.endswith(" kWh are missing.")
    world.ask(clear=True)
    assert "need-out-of-reach" not in world.state.alerts


def test_a_shortfall_that_returns_is_another_alert() -> None:
    """A need that can be met clears its alert; out of reach again, it raises another."""
    world = World(household(vehicle={"usable_kwh": 200.0}), EVENING)
    world.plug_in(5.0)
    world.report(soc_percent=55.0)
    world.report(soc_percent=5.0)
    assert world.warned() == ["need-out-of-reach"] * 2


def test_skipping_past_the_departure_is_no_alert() -> None:
    """A person who skips the whole night was told in the answer; the plan has the shortfall."""
    world = plugged_in()
    world.ask(skip_until=LEAVES + HOUR)
    assert world.warned() == []
    assert world.state.plan is not None
    assert world.state.plan.shortfall is not None
    world.wait(LEAVES - MINUTE)
    assert world.meter_wh == 1_000_000


def test_a_plan_round_a_skip_says_when_it_was_made() -> None:
    """The plan's periods begin when the skip ends; the plan itself was made when it was asked."""
    world = plugged_in()
    until = NIGHT_BEGINS + 3 * HOUR
    (plan,) = announced(world.ask(skip_until=until))
    assert plan.plan.made_at == EVENING
    assert plan.plan.periods[0].start == until


def test_a_departure_asked_for_is_planned_for() -> None:
    """With a time of its own, what a person wants is planned up to it, at any price."""
    world = World(kowhai(), EVENING)
    by = NIGHT_BEGINS
    world.ask(want_percent=60.0, need_percent=60.0, by=by)
    world.read()
    world.plug_in(35.0)
    plan = world.state.plan
    assert plan is not None
    assert plan.departure == by
    assert plan.reaches_percent == pytest.approx(60.0)
    assert all(period.end <= by for period in plan.periods)
    world.wait(by + MINUTE)
    assert world.state.wishes == Wishes()
    assert world.state.plan is not None
    assert world.state.plan.departure == LEAVES


def test_a_vehicle_that_stays_is_planned_for_the_next_departure() -> None:
    """Past the departure with the vehicle still there, the next one is planned for."""
    world = plugged_in()
    world.wait(LEAVES + MINUTE)
    assert world.state.plan is not None
    assert world.state.plan.departure == LEAVES + timedelta(days=1)


def test_a_run_in_progress_outlives_a_new_plan() -> None:
    """Made again in the middle of a tick and a run, the plan goes on from this very instant."""
    world = plugged_in()
    world.wait(NIGHT_BEGINS + HOUR + timedelta(minutes=2, seconds=7))
    actions = world.ask(want_percent=85.0)
    assert [a for a in actions if isinstance(a, Issue) and a.command.do == "stop"] == []
    assert world.state.plan is not None
    assert world.state.plan.starts == 0
    assert world.state.plan.periods[0].start == world.now


def test_time_alone_makes_no_plan() -> None:
    """Being woken at odd instants neither plans nor commands anything new."""
    world = plugged_in()
    before = len(world.actions)
    for _ in range(30):
        world.now += timedelta(seconds=37)
        world.handle(TimePassed())
    assert world.actions[before:] == []


@pytest.mark.parametrize("pilot", [None, "B"])
def test_the_files_hours_limit_a_plan_unless_the_hardware_sees_the_vehicle(
    pilot: str | None,
) -> None:
    """Leaves at 07:20, counts as plugged in until 04:00; the cheap hours begin at 04:00."""
    bands = [
        {"name": "cheap", "rate": Decimal("0.10"), "hours": ["04:00-07:30"]},
        {"name": "dear", "rate": Decimal("0.30")},
    ]
    house = household(tariff={"bands": bands}, point={"plugged_in": "18:00-04:00"})
    world = World(house, EVENING)
    if pilot is not None:
        world.plug_in(50.0, pilot)
    else:
        world.ask(soc_percent=50.0)
    assert world.state.plan is not None
    assert {period.band for period in world.state.plan.periods} == {"cheap" if pilot else "dear"}


# --- the figures of now -------------------------------------------------------------------------


SHORT = {"charging_mode": 3, "max_amps": 10.0, "switching": "current"}
VAN = {"van": {"charge_point": "driveway", "usable_kwh": 100.0, "everyday_limit_percent": 90.0}}


def too_weak() -> World:
    """Return a world in which 10 A all night leave the vehicle short of its need."""
    world = World(household(point=SHORT, departure={"need_percent": 80.0}), EVENING)
    world.read()
    world.plug_in(5.0)
    return world


def test_a_charge_said_by_a_person_changes_what_a_plan_reaches() -> None:
    """Charging all night anyway, the plan has the same hours and another target."""
    world = too_weak()
    assert world.state.plan is not None
    reached = world.state.plan.reaches_percent
    assert announced(world.ask(soc_percent=15.0))
    assert world.state.plan.reaches_percent == pytest.approx(reached + 10, abs=0.1)
    assert world.state.plan.shortfall is not None


def test_another_vehicle_has_a_plan_of_its_own() -> None:
    """Two vehicles that charge in the same hours do not share a plan."""
    leaves = household(more_vehicles=VAN, point=SHORT).file.departures[0]
    file = household(more_vehicles=VAN, point=SHORT).file
    van_leaves = leaves.model_copy(update={"vehicle": "van"})
    house = House(file.model_copy(update={"departures": (leaves, van_leaves)}), household().prices)
    world = World(house, EVENING)
    world.read()
    world.plug_in()
    world.ask(soc_percent=5.0)
    assert announced(world.ask(vehicle="van", soc_percent=5.0))
    assert world.state.plan is not None
    assert world.state.plan.vehicle == "van"


@pytest.mark.parametrize("draws", [1.0, 0.97, 0.9, 10 / 32])
def test_a_plan_is_true_all_through_the_charge(draws: float) -> None:
    """Whatever power flows, what is left and what it reaches are right to a percent."""
    world = plugged_in()
    world.draws = draws
    shown = []
    for quarter in range(4 * 9):
        world.wait(NIGHT_BEGINS + quarter * 15 * MINUTE)
        plan = plan_now(world.state, world.now, world.house)
        if plan is not None and quarter > 0:
            shown.append((world.meter_wh / 1000, plan))
    assert len(shown) > 8
    world.wait(LEAVES - MINUTE)
    final = world.meter_wh / 1000
    reached = counted_soc_percent(world.state, world.house.file, world.now)
    assert reached is not None
    for meter, plan in shown:
        assert plan.energy_kwh == pytest.approx(final - meter, abs=0.01 * 52 / 0.9 + 0.05)
        assert plan.reaches_percent == pytest.approx(reached, abs=1.0)
        assert plan.cost == pytest.approx(plan.energy_kwh * 0.1932, abs=0.03)


def test_without_power_a_plan_is_not_made_again_and_again() -> None:
    """A start that nothing follows leaves the plan as it is, until the plan has ended."""
    world = plugged_in()
    world.draws = 0.0
    world.wait(NIGHT_BEGINS + 6 * HOUR)
    assert [action.plan.made_at for action in world.plans()] == [
        EVENING,
        world.plans()[0].plan.periods[-1].end,
    ]


def test_without_a_meter_a_plan_is_carried_out_as_it_says() -> None:
    """If nothing counts the energy, what is left goes by the plan."""
    world = World(kowhai(), EVENING)
    world.plug_in(35.0)
    world.wait(NIGHT_BEGINS + HOUR, read_every=None)
    plan = plan_now(world.state, world.now, world.house)
    assert plan is not None
    assert world.state.plan is not None
    assert plan.energy_kwh == pytest.approx(world.state.plan.energy_kwh - 7.36, abs=0.05)
    assert plan.reaches_percent == pytest.approx(80.0)


def charging_unmetered(ledger: Ledger | None = None, pilot: str = "C") -> World:
    """Charge from 40 % for 70 minutes at a charge point that has no meter."""
    world = World(household(), EVENING, ledger=ledger)
    world.plug_in(40.0, pilot=pilot)
    world.wait(EVENING + 70 * MINUTE, read_every=None)
    assert world.doing() == ("start", 32.0)
    return world


@pytest.mark.parametrize(
    "what", ["prices", "restart", "restart at B", "skip", "another need", "it stays"]
)
def test_without_a_meter_what_was_charged_is_not_planned_again(what: str, tmp_path: Path) -> None:
    """The commands that were in force say what has flowed, where nothing else does."""
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        world = charging_unmetered(ledger, "B" if what == "restart at B" else "C")
        begun_wh, until = 1_000_000.0, LEAVES - MINUTE
        match what:
            case "prices":
                world.handle(HouseChanged("prices"))
            case "restart" | "restart at B":
                world = world.restarted()
            case "skip":
                world.ask(skip_until=world.now + HOUR)
            case "another need":
                world.ask(need_percent=70.0, want_percent=80.0)
            case _:
                until = LEAVES + 20 * HOUR
        world.wait(until, read_every=None)
        kwh = (world.meter_wh - begun_wh) / 1000
    model = charge_model(world.house.file, "hatchback")
    gained = model.soc_percent(kwh * model.full_power_efficiency)
    assert 40.0 + gained == pytest.approx(80.0, abs=0.5)


@pytest.mark.parametrize(
    ("soc", "max_rate"), [(59.8, 0.01), (79.8, 1.0)], ids=["of the need", "of the want"]
)
def test_no_charging_begins_for_a_remainder(soc: float, max_rate: float) -> None:
    """A battery that lacks less than the meter's steps of its need, or of its want, is ready."""
    world = World(household(departure={"max_rate": max_rate}), EVENING)
    world.read()
    world.plug_in(soc)
    assert world.doing() == ("stop", None)
    assert world.state.plan is not None
    assert world.state.plan.periods == ()


def without_power() -> World:
    """Have the cheapest hours pass without power; dearer ones come later, after a pause."""
    bands = [
        {"name": "low", "rate": 0.1, "hours": ["20:00-23:00"]},
        {"name": "middle", "rate": 0.2, "hours": ["02:00-06:00"]},
        {"name": "high", "rate": 0.4},
    ]
    point = {"min_run_minutes": 15, "min_rest_minutes": 20}
    world = World(household(tariff={"bands": bands}, point=point), EVENING, draws=0.0)
    world.read()
    world.plug_in(50.0)
    return world


@pytest.mark.parametrize("minutes", [1, 10])
def test_hours_that_pass_without_power_are_planned_again(minutes: int) -> None:
    """The need is planned in the hours that are left, and the alert stays until power flows."""
    world, every = without_power(), minutes * MINUTE
    plan = world.state.plan
    assert plan is not None
    assert [period.band for period in plan.periods] == ["low"]
    world.wait(plan.periods[-1].end + MINUTE, read_every=every)
    again = world.state.plan
    assert again is not None
    assert again.reaches_percent == pytest.approx(plan.reaches_percent)
    assert {period.band for period in again.periods} <= {"low", "middle"}
    assert again.periods[-1].end > plan.periods[-1].end
    world.wait(EVENING + 6 * HOUR, read_every=every)  # 00:30: nothing is commanded until 02:00
    assert world.doing() == ("stop", None)
    assert world.state.alerts == {"no-power-after-start"}
    world.draws = 1.0
    world.wait(LEAVES - MINUTE)
    assert world.state.alerts == set()
    soc = counted_soc_percent(world.state, world.house.file, world.now)
    assert soc == pytest.approx(80.0, abs=0.5)
    assert world.warned().count("no-power-after-start") == 1


def after_hours_held_up_by_the_home(until: datetime) -> World:
    """Play a night in which the home's load leaves too little from the plan's start on."""
    world = plugged_in()
    free = world.house
    world.house = replace(free, left_by_load=(LeftByLoad(4.0, {POINT: 1.0}, load_amps=59.0),))
    world.wait(until)
    assert world.doing() == ("stop", None)
    world.house = free
    return world


@pytest.mark.parametrize("is_early", [True, False])
def test_a_charge_that_the_home_held_up_to_its_end_is_planned_again(*, is_early: bool) -> None:
    """The hours that are left before the departure still serve it."""
    plan = plugged_in().state.plan
    assert plan is not None
    end = plan.periods[-1].end
    world = after_hours_held_up_by_the_home(end + (-20 * MINUTE if is_early else HOUR))
    world.wait(LEAVES)
    soc = counted_soc_percent(world.state, world.house.file, world.now)
    assert soc is not None
    assert soc >= plan.need_percent


@pytest.mark.parametrize("is_read", [True, False])
def test_a_charge_that_was_slept_through_is_planned_again(*, is_read: bool) -> None:
    """A host that was suspended all the while commanded no start: nothing has flowed."""
    world = plugged_in() if is_read else World(kowhai(), EVENING)
    if not is_read:
        world.plug_in(35.0)
    plan = world.state.plan
    assert plan is not None
    world.wait(NIGHT_BEGINS - HOUR, read_every=None)
    world.advance(plan.periods[-1].end + 10 * MINUTE)
    world.handle(TimePassed())
    assert world.doing() == ("start", 32.0)


def test_less_than_is_shown_of_a_charge_that_was_slept_through_is_let_be() -> None:
    """Another plan would not differ enough to replace this one, and be made at each event."""
    bands = [
        {"name": "night", "rate": 0.1, "hours": ["21:00-07:00"]},
        {"name": "day", "rate": 0.4},
    ]
    world = World(household(tariff={"bands": bands}), EVENING)
    world.read()
    world.plug_in(78.0)
    plan = world.state.plan
    assert plan is not None
    assert plan.periods
    world.advance(EVENING + HOUR)
    world.meter_wh += 10 * 1.6 * 50 / 0.9  # to 79.6 %
    world.read()
    world.advance(plan.periods[-1].end + 10 * MINUTE)
    world.handle(TimePassed())
    assert world.state.plan is plan
    assert world.doing() == ("stop", None)


def test_a_vehicle_that_was_charged_in_spite_of_a_stop_is_not_started() -> None:
    """Somebody let it charge by the charge point's own button: nothing is left to buy."""
    world = plugged_in(70.0)
    world.stuck_watts = 7360.0
    world.wait(EVENING + HOUR)
    world.stuck_watts = None
    assert world.state.plan is not None
    assert world.state.plan.periods == ()
    world.wait(NIGHT_BEGINS + HOUR)
    assert "start" not in [do for _, do in world.switches()]


@pytest.mark.parametrize("flowed_before", [True, False])
def test_a_charge_that_nobody_saw_fail_is_planned_again(*, flowed_before: bool) -> None:
    """Hardware that was out of reach over the plan's end, and then reports, gets what is wanted."""
    bands = [
        {"name": "low", "rate": 0.1, "hours": ["22:00-06:00"]},
        {"name": "high", "rate": 0.4},
    ]
    world = World(household(tariff={"bands": bands}), EVENING)
    world.read()
    world.plug_in(66.0)  # the need of 60 % is met; what is wanted beyond it is not
    plan = world.state.plan
    assert plan is not None
    start, end = plan.periods[0].start, plan.periods[-1].end
    world.wait(start + 10 * MINUTE if flowed_before else start - MINUTE)
    world.draws = 0.0  # as no command arrives any longer
    world.wait(end + 20 * MINUTE, read_every=None)
    world.draws = 1.0
    world.read()
    assert world.doing() == ("start", 32.0)
    world.wait(LEAVES - MINUTE)
    soc = counted_soc_percent(world.state, world.house.file, world.now)
    assert soc == pytest.approx(80.0, abs=0.5)


def test_a_vehicle_that_ended_by_itself_is_not_asked_again_after_a_silence() -> None:
    """A reading without power in the plan's hours shows that it took no more."""
    world = plugged_in(70.0)
    plan = world.state.plan
    assert plan is not None
    world.wait(plan.periods[0].start + 5 * MINUTE)
    world.draws = 0.0
    world.read()
    world.wait(plan.periods[-1].end + 40 * MINUTE, read_every=None)
    world.draws = 1.0
    world.read()
    assert world.doing() == ("stop", None)
