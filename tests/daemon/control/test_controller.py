"""What is in force, by the table in `daemon.control.controller`; when it wakes and renews."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest

from daemon.control.controller import RENEWED_BEFORE, START_HOLDS, STOP_HOLDS
from daemon.control.events import Assert, BusConnected, Delivered, HouseChanged, Issue, TimePassed
from daemon.control.state import House, PointState
from planners.local_time.conversion import wall_time
from planners.plan.planning import draft_plan
from tests.daemon.worlds import (
    EVENING,
    HOUR,
    LEAVES,
    MINUTE,
    NIGHT_BEGINS,
    NOON,
    POINT,
    World,
    household,
    kowhai,
    utc,
)

if TYPE_CHECKING:
    from collections.abc import Callable

IN_PLAN = NIGHT_BEGINS + HOUR
AFTER_PLAN = utc("2026-06-03T15:00")


def at_home(now: datetime, soc: float = 35.0) -> World:
    """Kowhai Cottage, plugged in on Wednesday at 18:30, its time let pass until `now`."""
    world = World(kowhai(), EVENING)
    world.read()
    world.plug_in(soc)
    world.wait(now)
    return world


# --- what each event teaches ------------------------------------------------------------------

NOBODY = Delivered("a/topic", "nobody-listens", is_command=True)
TEACHES: list[tuple[str, Callable[[World], object], bool]] = [
    ("a reading that says nothing new", lambda w: w.read(), False),
    ("a reading of no power", lambda w: w.read(watts=0.0), False),
    ("the same state of charge", lambda w: w.report(soc_percent=35.0), False),
    ("another state of charge", lambda w: w.report(soc_percent=50.0), True),
    ("the same pilot state", lambda w: w.report(pilot="B"), False),
    ("the vehicle goes and comes", lambda w: (w.unplug(), w.plug_in(35.0)), True),
    ("a fault that is over", lambda w: (w.report(pilot="F"), w.report(pilot="B")), True),
    ("a request", lambda w: w.ask(want_percent=70.0), True),
    ("a new file", lambda w: w.handle(HouseChanged("file")), True),
    ("new prices", lambda w: w.handle(HouseChanged("prices")), True),
    ("the broker is there", lambda w: w.handle(BusConnected()), False),
    ("a message without a subscriber", lambda w: w.handle(NOBODY), False),
    ("time", lambda w: w.handle(TimePassed()), False),
]


@pytest.mark.parametrize(
    ("happens", "plans"), [row[1:] for row in TEACHES], ids=[row[0] for row in TEACHES]
)
def test_which_events_plan_again(
    happens: Callable[[World], object], *, plans: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The plan is made again for what it rests on, and for nothing else."""
    world = at_home(EVENING + HOUR / 2)
    made: list[object] = []

    def draft(*args: Any, **named: Any) -> Any:  # noqa: ANN401 - handed through
        made.append(args)
        return draft_plan(*args, **named)

    monkeypatch.setattr("daemon.control.replanning.draft_plan", draft)
    happens(world)
    assert bool(made) == plans


# --- the table --------------------------------------------------------------------------------


@pytest.mark.parametrize("now", [EVENING, IN_PLAN, AFTER_PLAN])
@pytest.mark.parametrize("pilot", ["A", "E", "F"])
def test_first_line_no_vehicle_or_a_fault(pilot: str, now: datetime) -> None:
    """Without a vehicle, or with a fault, it is stop, whatever the plan or a person says."""
    world = at_home(now)
    world.ask(charge_now=True, want_percent=100.0)
    assert world.doing()[0] == "start"
    world.report(pilot=pilot)
    assert world.doing() == ("stop", None)


@pytest.mark.parametrize("now", [EVENING, IN_PLAN])
def test_second_line_the_vehicle_has_ended_by_itself(now: datetime) -> None:
    """A vehicle that takes no more is stopped, in the plan and outside; a person's word ends it."""
    world = at_home(now)
    world.state = replace(world.state, stopped_itself=True)
    world.handle(TimePassed())
    assert world.doing() == ("stop", None)
    assert world.issued()[-1].command.why == "the vehicle has ended its charge by itself"
    world.ask(charge_now=True, want_percent=100.0)
    if now == IN_PLAN:  # the charge that it ended rests first
        world.wait(now + 5 * MINUTE)
    assert world.doing() == ("start", 32.0)


@pytest.mark.parametrize("now", [EVENING, IN_PLAN, AFTER_PLAN])
def test_third_line_charge_now(now: datetime) -> None:
    """A person who says charge now is obeyed at the highest current, in the plan and outside."""
    world = at_home(now)
    world.ask(charge_now=True, want_percent=100.0)
    assert world.doing() == ("start", 32.0)
    assert world.state.command is not None
    if now != IN_PLAN:
        assert world.state.command.why == "a person asked to charge now"
    world.wait(now + HOUR)
    assert world.doing() == ("start", 32.0)


def test_charge_now_ends_at_the_target() -> None:
    """Charging now ends at the want, on the minute, and is not begun again."""
    world = at_home(EVENING, 79.0)
    world.ask(charge_now=True)
    world.wait(NIGHT_BEGINS - MINUTE)
    # 1 % of 52 kWh at 90 % and 7.36 kW takes 4 min 43 s.
    assert [do for _, do in world.switches()] == ["stop", "start", "stop"]
    assert timedelta(0) <= world.switches()[-1][0] - EVENING - timedelta(minutes=4.7) < MINUTE
    assert world.meter_wh - 1_000_000 == pytest.approx(52_000 * 0.01 / 0.9, abs=130)


def test_charge_now_leaves_the_rest_of_the_home_its_current() -> None:
    """On the minute: all of 32 A, then 13 A beside a load of 50 A, none beside 60 A, and again."""
    loads = [
        {"amps": 50.0, "hours": ["19:00-20:00"]},
        {"amps": 60.0, "hours": ["20:00-20:30"]},
    ]
    world = World(household(household={"main_fuse_amps": 63.0, "known_load": loads}), EVENING)
    world.read()
    world.plug_in(20.0)
    world.ask(charge_now=True)
    world.wait(EVENING + 150 * MINUTE)
    issued = [
        (at, action.command.do, action.command.amps)
        for at, action in world.actions
        if isinstance(action, Issue)
    ]
    changes = [b for a, b in pairwise([(EVENING, "stop", None), *issued]) if a[1:] != b[1:]]
    assert changes == [
        (EVENING, "start", 32.0),
        (EVENING + 30 * MINUTE, "start", 13.0),
        (EVENING + 90 * MINUTE, "stop", None),
        (EVENING + 120 * MINUTE, "start", 32.0),
    ]


@pytest.mark.parametrize("amps", [50.0, 60.0])
@pytest.mark.parametrize("minutes", [0, 5, 29])
def test_charge_now_does_not_outlast_what_the_fuse_leaves(amps: float, minutes: int) -> None:
    """A start ends when less is left, for the daemon may be dead by then."""
    load = [{"amps": amps, "hours": ["19:00-20:00"]}]
    world = World(household(household={"main_fuse_amps": 63.0, "known_load": load}), EVENING)
    world.read()
    world.plug_in(20.0)
    world.wait(EVENING + minutes * MINUTE)
    world.ask(charge_now=True)
    command = world.state.command
    assert command is not None
    assert (command.do, command.amps) == ("start", 32.0)
    assert command.valid_until == EVENING + 30 * MINUTE


BOILER = [{"amps": 50.0, "hours": ["18:45-19:00"]}]
"""Beside it 13 A are left of 63 A, and afterwards all of 32 A."""


@pytest.mark.parametrize("wish", [{"charge_now": True}, {"soc_percent": 20.0}])
def test_a_start_outlasts_a_rise_of_the_current(wish: dict[str, object]) -> None:
    """Without a broker the hardware goes on at the lower current, for as long as a start holds."""
    fuse = {"main_fuse_amps": 63.0, "known_load": BOILER}
    world = World(household(household=fuse), EVENING + 20 * MINUTE)
    world.read()
    world.plug_in(20.0)
    world.ask(**wish)
    assert world.doing() == ("start", 13.0)
    assert world.state.command is not None
    assert world.state.command.valid_until == world.now + START_HOLDS
    world.wait(EVENING + 30 * MINUTE)
    assert world.doing() == ("start", 32.0), "and it rises on the minute while there is a broker"


def test_a_planned_start_ends_where_less_is_planned() -> None:
    """The command in force before 18:45 allows 32 A, and the boiler leaves 13 A."""
    fuse = {"main_fuse_amps": 63.0, "known_load": BOILER}
    world = World(household(household=fuse), EVENING)
    world.read()
    world.plug_in(20.0)
    assert world.doing() == ("start", 32.0)
    assert world.state.command is not None
    assert world.state.command.valid_until == EVENING + 15 * MINUTE


def test_charge_now_rises_on_the_minute_without_a_plan() -> None:
    """Nothing but the known load says when more is left."""
    fuse = {"main_fuse_amps": 63.0, "known_load": BOILER}
    world = World(household(household=fuse, departure={}), EVENING + 20 * MINUTE)
    world.read()
    world.plug_in(20.0)
    world.ask(charge_now=True)
    world.wait(EVENING + 30 * MINUTE, read_every=None)
    assert world.doing() == ("start", 32.0)


@pytest.mark.parametrize("now", [EVENING, IN_PLAN])
def test_fourth_line_skip(now: datetime) -> None:
    """A person who says skip is obeyed until then, in the plan and outside."""
    world = at_home(now)
    until = now + 4 * HOUR
    world.ask(skip_until=until)
    assert world.doing() == ("stop", None)
    if now == IN_PLAN:
        assert world.issued()[-1].command.why == "a person asked to skip this"
    before = len(world.switches())
    world.wait(until - MINUTE)
    assert len(world.switches()) == before
    world.wait(LEAVES - MINUTE)
    assert world.doing() == ("stop", None)
    assert world.state.soc is not None
    assert world.meter_wh - 1_000_000 == pytest.approx(26_000, abs=150), (
        "what was skipped is made up"
    )
    assert "need-out-of-reach" not in world.warned()


@pytest.mark.parametrize(
    ("first", "then", "do"),
    [
        ({"charge_now": True}, {"skip_until": LEAVES}, "stop"),
        ({"skip_until": LEAVES}, {"charge_now": True}, "start"),
        ({"charge_now": True}, {"charge_now": False}, "stop"),
        ({"charge_now": True}, {"clear": True}, "stop"),
        ({"skip_until": LEAVES}, {"clear": True}, "stop"),
    ],
)
def test_of_two_wishes_the_later_counts(
    first: dict[str, object], then: dict[str, object], do: str
) -> None:
    """Charge now and skip replace one another; both can be cleared."""
    world = at_home(EVENING)
    world.ask(**first)
    world.ask(**then)
    world.wait(EVENING + 15 * MINUTE)  # the file's min_run_minutes
    assert world.doing()[0] == do


def test_fifth_line_the_plan_has_a_period() -> None:
    """In a period it is start, at its current, and void at the end of the run."""
    world = at_home(IN_PLAN)
    command, plan = world.state.command, world.state.plan
    assert command is not None
    assert plan is not None
    assert (command.do, command.amps, command.plan) == ("start", 32.0, plan.name)
    assert command.why == "cheapest hours before 07:20"
    world.wait(plan.periods[-1].end - MINUTE)
    assert world.state.command is not None
    assert world.state.command.valid_until == plan.periods[-1].end
    world.wait(plan.periods[-1].end)
    assert world.doing() == ("stop", None)


@pytest.mark.parametrize("now", [EVENING, NIGHT_BEGINS - MINUTE, AFTER_PLAN, LEAVES])
def test_last_line_otherwise_stop(now: datetime) -> None:
    """Before the plan's first period and after its last it is stop."""
    assert at_home(now).doing() == ("stop", None)


def test_a_run_over_a_change_of_rate_is_one_run() -> None:
    """A start lasts through periods that touch: no stop, no second start where the rate changes."""
    bands = [
        {"name": "low", "rate": 0.1, "hours": ["21:00-23:00"]},
        {"name": "middle", "rate": 0.2, "hours": ["23:00-02:00"]},
        {"name": "high", "rate": 0.4},
    ]
    world = World(household(tariff={"bands": bands}), EVENING)
    world.read()
    world.plug_in(30.0)
    plan = world.state.plan
    assert plan is not None
    assert [period.band for period in plan.periods] == ["low", "middle"]
    world.wait(LEAVES - MINUTE)
    assert world.switches()[1:] == [
        (plan.periods[0].start, "start"),
        (plan.periods[-1].end, "stop"),
    ]


def test_a_start_is_valid_past_a_change_of_rate() -> None:
    """Five minutes before the rate changes, hardware that hears nothing more still charges on."""
    bands = [
        {"name": "low", "rate": 0.1, "hours": ["21:00-23:00"]},
        {"name": "middle", "rate": 0.2, "hours": ["23:00-02:00"]},
        {"name": "high", "rate": 0.4},
    ]
    world = World(household(tariff={"bands": bands}), EVENING)
    world.read()
    world.plug_in(30.0)
    plan = world.state.plan
    assert plan is not None
    low, middle = plan.periods
    assert low.end == middle.start
    world.wait(low.end - 5 * MINUTE)
    command = world.state.command
    assert command is not None
    assert (command.do, command.valid_until > low.end) == ("start", True)


# --- invariants 1 to 3 ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("point", "vehicle", "fuse", "amps"),
    [(16.0, 32.0, 63.0, 16.0), (32.0, 20.0, 63.0, 20.0), (32.0, 32.0, 25.0, 25.0)],
)
@pytest.mark.parametrize("now", [True, False])
def test_the_lowest_of_three_currents(
    point: float, vehicle: float, fuse: float, amps: float, *, now: bool
) -> None:
    """No start exceeds the charge point's, the vehicle's or the fuse's current (invariant 1)."""
    house = household(
        household={"main_fuse_amps": fuse},
        point={"max_amps": point},
        vehicle={"max_amps": vehicle},
    )
    world = World(house, EVENING)
    world.plug_in(35.0)
    if now:
        world.ask(charge_now=True)
    assert world.doing() == ("start", amps)


@pytest.mark.parametrize("wish", [{}, {"charge_now": True}])
def test_a_lower_current_in_a_new_file_holds_at_once(wish: dict[str, object]) -> None:
    """A file that allows less, taken in during a run, lowers the current in the same step."""
    world = World(household(), EVENING)
    world.plug_in(35.0)
    if wish:
        world.ask(**wish)
    world.house = household(point={"max_amps": 10.0})
    world.handle(HouseChanged("file"))
    assert world.doing() == ("start", 10.0)


def test_commands_are_renewed_before_they_lapse() -> None:
    """Through a whole day the command in force never expires, and serials only grow."""
    world = at_home(EVENING)
    checked = []

    def look(world: World) -> None:
        command = world.state.command
        assert command is not None
        assert command.valid_until > world.now
        checked.append(command.serial)

    world.watch = look
    world.wait(NOON + 6 * HOUR, read_every=None)
    assert checked == sorted(checked)
    assert len({issue.command.serial for issue in world.issued()}) == len(world.issued())
    issued = [(at, a.command) for at, a in world.actions if isinstance(a, Issue)]
    for (_, earlier), (at, later) in pairwise(issued):
        if earlier.do == later.do:
            assert at <= earlier.valid_until - RENEWED_BEFORE
    for issue in world.issued():
        holds = START_HOLDS if issue.command.do == "start" else STOP_HOLDS
        assert issue.command.valid_until <= world.now + holds


def test_a_renewal_is_asked_for_in_time() -> None:
    """While a start is in force, the controller wakes up ten minutes before it expires."""
    world = at_home(IN_PLAN)
    command = world.state.command
    assert command is not None
    assert world.wake <= command.valid_until - RENEWED_BEFORE


@pytest.mark.parametrize("soc", [35.0, 79.9, 80.0, 100.0])
@pytest.mark.parametrize("hours", [0, 2.5, 5.9, 6, 12.7, 13, 17.5, 30])
def test_it_always_wakes_later_than_now(soc: float, hours: float) -> None:
    """The next wake lies after now, and at the latest twenty minutes after the night's end."""
    world = World(kowhai(), EVENING)
    world.plug_in(soc)
    world.wait(EVENING + hours * HOUR, read_every=None)
    assert world.now < world.wake <= world.now + timedelta(hours=24, minutes=20)


def test_a_wake_is_asked_for_without_a_vehicle_too() -> None:
    """A charge point that never had a vehicle still renews its stop."""
    world = World(kowhai(), EVENING)
    world.handle(TimePassed())
    world.wait(EVENING + 24 * HOUR, read_every=None)
    assert len(world.issued()) >= 4
    assert {issue.command.do for issue in world.issued()} == {"stop"}


def test_a_new_connection_asserts_what_is_in_force() -> None:
    """On a new connection the command is published again: the same serial, nothing new."""
    world = at_home(IN_PLAN)
    command = world.state.command
    assert command is not None
    assert world.handle(BusConnected()) == (Assert(command),)
    assert world.state.command == command


def test_a_lapsed_command_is_issued_anew_on_a_new_connection() -> None:
    """After hours without a wake, a new connection brings a new command, not the lapsed one."""
    world = at_home(EVENING)
    world.advance(IN_PLAN)
    actions = world.handle(BusConnected())
    issued = [action.command for action in actions if isinstance(action, Issue)]
    assert [command.do for command in issued] == ["start"]
    assert issued[0].valid_until > world.now


# --- time that jumps (invariant 6) ------------------------------------------------------------


@pytest.mark.parametrize("jump", [-3 * HOUR, -20 * MINUTE, -1 * MINUTE, 20 * MINUTE, 2 * HOUR])
def test_a_clock_that_jumps_and_returns_moves_no_period(jump: timedelta) -> None:
    """A clock put wrong for a moment leaves the plan's periods where they were."""
    world = at_home(IN_PLAN)
    plan = world.state.plan
    assert plan is not None
    world.now += jump
    world.handle(TimePassed())
    world.now -= jump
    world.handle(TimePassed())
    assert world.doing() == ("start", 32.0)
    assert world.state.plan is not None
    assert world.state.plan.periods[-1].end == plan.periods[-1].end
    world.wait(LEAVES - MINUTE)
    assert world.switches()[-1] == (plan.periods[-1].end, "stop")


def test_a_suspended_machine_takes_up_where_the_plan_is() -> None:
    """Woken after the plan's end, it does not charge; woken inside, it charges to the same end."""
    world = at_home(EVENING)
    plan = world.state.plan
    assert plan is not None
    slept = replace(world, actions=[])
    slept.advance(IN_PLAN)
    slept.handle(TimePassed())
    assert slept.doing() == ("start", 32.0)
    assert slept.state.plan == plan
    late = replace(world, actions=[])
    late.advance(LEAVES + MINUTE)
    late.handle(TimePassed())
    assert late.doing() == ("stop", None)


CHANGES = [
    # IANA: Europe/London goes back on 25 October 2026 at 01:00 UTC, forward on 29 March at 01:00.
    ("Europe/London", "2026-10-24T20:00", "2026-10-25T01:00"),
    ("Europe/London", "2026-03-28T20:00", "2026-03-29T01:00"),
    # Pacific/Auckland back on 4 April 2026 at 14:00 UTC, forward on 26 September at 14:00.
    ("Pacific/Auckland", "2026-04-04T08:00", "2026-04-04T14:00"),
    ("Pacific/Auckland", "2026-09-26T08:00", "2026-09-26T14:00"),
    # Australia/Lord_Howe, by half an hour: back on 4 April at 15:00 UTC, forward 3 October 15:30.
    ("Australia/Lord_Howe", "2026-04-04T08:00", "2026-04-04T15:00"),
    ("Australia/Lord_Howe", "2026-10-03T08:00", "2026-10-03T15:30"),
]


@pytest.mark.parametrize(("zone", "plugged", "change"), CHANGES)
def test_summer_time_in_mid_charge_moves_and_repeats_nothing(
    zone: str, plugged: str, change: str
) -> None:
    """A run over a change of the clock is one run, as long as the energy takes (invariant 6)."""
    bands = [
        {"name": "night", "rate": 0.1, "hours": ["00:00-06:00"]},
        {"name": "day", "rate": 0.3},
    ]
    house = household(household={"timezone": zone}, tariff={"bands": bands})
    world = World(house, utc(plugged))
    at = utc(change)
    assert wall_time(at, house.file.zone) - wall_time(at - MINUTE, house.file.zone) != MINUTE
    world.read()
    world.plug_in(35.0)
    plan = world.state.plan
    assert plan is not None
    # 45 % of 50 kWh at 90 % and 7.36 kW: 3 h 23 min 48 s from local midnight, over the change.
    assert plan.periods[0].start < at < plan.periods[-1].end
    world.wait(at + 8 * HOUR)
    started, stopped = world.switches()[1:]
    assert wall_time(started[0], house.file.zone).time().isoformat() == "00:00:00"
    assert stopped[0] - started[0] == timedelta(hours=25 / 7.36)
    assert world.meter_wh - 1_000_000 == pytest.approx(25_000, abs=1)
    assert len(world.plans()) <= 2, "nothing but the next day's plan is made"


# --- purity -----------------------------------------------------------------------------------


def test_the_same_step_twice_gives_the_same() -> None:
    """A step depends on its arguments alone."""
    steps: list[Callable[[World], object]] = [
        lambda world: world.read(watts=7360),
        lambda world: world.handle(TimePassed()),
        lambda world: world.ask(want_percent=90.0),
    ]
    world = at_home(IN_PLAN)
    for act in steps:
        one, other = replace(world, actions=[]), replace(world, actions=[])
        assert act(one) == act(other)
        assert one.state == other.state


def test_a_household_without_departures_stops_with_one_alert() -> None:
    """Without a departure nothing is planned, one alert is raised, and charge now still works."""
    world = World(household(departure={}), EVENING)
    world.plug_in(50.0)
    world.wait(EVENING + 3 * HOUR)
    assert world.warned() == ["no-departure"]
    assert world.doing() == ("stop", None)
    world.ask(charge_now=True)
    world.wait(NOON - HOUR)
    assert world.doing() == ("stop", None)
    assert world.meter_wh - 1_000_000 == pytest.approx(50_000 * 0.30 / 0.9, abs=130)


def test_wishes_start_from_nothing() -> None:
    """A charge point that was asked nothing has no wishes, and clearing leaves none."""
    world = at_home(EVENING)
    world.ask(want_percent=90.0, need_percent=70.0)
    assert world.state.wishes.departures[0].want_percent == 90.0
    world.ask(clear=True)
    assert world.state.wishes == PointState(POINT).wishes


def household_with_peak(**point: object) -> House:
    """Make a household with cheap hours from 21:00, two and a half hours after the evening."""
    night = {"name": "night", "rate": Decimal("0.10"), "hours": ["21:00-07:00"]}
    bands = [night, {"name": "day", "rate": Decimal("0.40")}]
    switching = {"charging_mode": 3, "max_amps": 32.0, "switching": "current"}
    return household(tariff={"bands": bands}, point=switching | point)


# --- a charge that a person takes back ----------------------------------------------------------


def test_a_charge_taken_back_stops_at_once() -> None:
    """Charging now at the peak, then cleared between two ticks: the stop does not wait."""
    world = World(household_with_peak(), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(charge_now=True)
    assert world.doing() == ("start", 32.0)
    world.wait(EVENING + 2 * MINUTE)
    world.ask(clear=True)
    assert world.doing() == ("stop", None)


def test_a_charge_taken_back_goes_on_where_a_relay_must_stay_on() -> None:
    """With a shortest run it goes on for that long, at the lowest current, and says why."""
    world = World(household_with_peak(min_run_minutes=15), EVENING)
    world.read()
    world.plug_in(35.0)
    world.ask(charge_now=True)
    world.wait(EVENING + 2 * MINUTE)
    world.ask(clear=True)
    assert world.doing() == ("start", 6.0)
    assert world.state.command is not None
    assert world.state.command.why == "it must stay on for at least 15 minutes"
    world.wait(EVENING + 16 * MINUTE)
    assert world.doing() == ("stop", None)


def test_a_relay_that_must_stay_on_does_no_more_whatever_is_asked_meanwhile() -> None:
    """A new plan, made within the run's last tick, keeps the lowest current and the same end."""
    begins = EVENING + 2 * MINUTE
    world = World(household_with_peak(min_run_minutes=5), begins)
    world.read()
    world.plug_in(35.0)
    world.ask(charge_now=True)
    world.wait(begins + MINUTE)
    world.ask(clear=True)
    world.wait(begins + 3 * MINUTE + 10 * timedelta(seconds=1))
    world.ask(want_percent=81.0)
    assert world.doing() == ("start", 6.0)
    world.wait(begins + 5 * MINUTE - timedelta(seconds=1))
    assert world.doing() == ("start", 6.0)
    world.wait(begins + 5 * MINUTE + timedelta(seconds=1))
    assert world.doing() == ("stop", None)


def test_a_short_run_in_cheap_hours_says_that_they_are_cheap() -> None:
    """That the relay must stay on is a reason only while cheaper hours are to come."""
    world = World(household(point={"min_run_minutes": 15}), EVENING)
    world.read()
    world.plug_in(78.0)
    assert world.doing() == ("start", 32.0)
    world.wait(EVENING + 2 * MINUTE)
    world.ask(want_percent=81.0)
    assert len(world.issued()) == 3
    assert world.issued()[-1].command.why == "cheapest hours before 07:20"
