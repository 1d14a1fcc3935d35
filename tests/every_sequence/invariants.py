"""What must hold after every step, in whatever order things happen (design, section 5).

Each check is written from the rule, not from the controller: `wrong_with` names what is broken.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control import controller
from daemon.control.confirming import response_due
from daemon.control.events import (
    Assert,
    BusConnected,
    CloseNight,
    HouseChanged,
    Issue,
    TimePassed,
)
from daemon.control.state import LONGEST_GAP, counted_soc_percent
from daemon.messaging.outbox import command_message
from planners.power.allowed_currents import highest_amps
from tests.daemon.worlds import POINT
from tests.every_sequence.points import LOAD_LEAVES_AMPS, MINUTE, stepped

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from daemon.control.events import CommandInForce, NightFacts
    from daemon.control.state import PointState, Response
    from planners.plan.plan import Plan
    from tests.every_sequence.points import Moved, World

START_LASTS, STOP_LASTS = timedelta(minutes=30), timedelta(hours=6)
LATE_LASTS = timedelta(hours=1)
LONGEST_REPEAT = timedelta(minutes=16)
CAR = "hatchback"
EVERYDAY_PERCENT = 80.0
NEARLY = 1.5
"""A meter and a plan's last tick may exceed a target by so much [percent]."""


def wrong_with(moved: Moved) -> str | None:
    """Return the first thing that a step broke; None if all is well."""
    return next(_all_wrong(moved), None)


def _all_wrong(moved: Moved) -> Iterator[str]:
    command = moved.after.state.command
    if command is None:
        yield "no command is in force"
        return
    yield from _lease(moved, command)
    yield from _serials(moved, command)
    yield from _delivery(moved, command)
    if command.do == "start":
        yield from _start(moved.after, command)
        yield from _reason(moved, command)
        yield from _rest(moved)
    yield from _plan(moved.after)
    yield from _response(moved.after, command)
    yield from _presence(moved)
    for action in moved.actions:
        if isinstance(action, CloseNight):
            yield from _night(action.facts)


# --- 3: a command has a serial that grows, and expires --------------------------------------


def _lease(moved: Moved, command: CommandInForce) -> Iterator[str]:
    now, world = moved.after.now, moved.after
    if command.valid_until <= now:
        yield "the command in force has expired"
    if command.valid_until - now > (START_LASTS if command.do == "start" else STOP_LASTS):
        yield f"a {command.do} outlives its lease"
    wake = controller.next_wake(world.state, now, world.house)
    if wake <= now:
        yield "it does not ask to be woken later"
    if wake > command.valid_until:
        yield "it wakes after its command has expired"
    last, is_same_plan = moved.before.state.command, moved.before.state.plan == world.state.plan
    if last is None or last.valid_until != now or last.serial == command.serial:
        return
    plan = world.state.plan
    if plan is not None and any(each.end == now for each in plan.periods):
        return  # a start ends where its current falls, be it by less than an ampere
    if (last.do, last.amps) == (command.do, command.amps) and is_same_plan:
        yield "a command is renewed only as it expires"


def _serials(moved: Moved, command: CommandInForce) -> Iterator[str]:
    before, after = moved.before.state, moved.after.state
    last = before.serial
    for action in moved.actions:
        if isinstance(action, Issue):
            if action.command.serial <= last:
                yield "a serial does not grow"
            last = action.command.serial
            command_message(action.command)
        elif isinstance(action, Assert) and action.command != before.command:
            yield "another command than the one in force is sent again"
    if command.serial > after.serial:
        yield "the command in force has a serial that may be used again"
    if command != before.command and command.serial <= before.serial:
        yield "another command is in force that was not issued"


def _delivery(moved: Moved, command: CommandInForce) -> Iterator[str]:
    world, was_in_step = moved.after, _is_same(moved.before.held, moved.before.sent)
    if not world.is_up or _is_same(world.held, command):
        return
    if isinstance(moved.event, BusConnected):
        yield "the broker is back, and the command was not sent again"
    if was_in_step:
        yield "the hardware has another command than the one in force"


def _is_same(one: CommandInForce | None, two: CommandInForce | None) -> bool:
    """Whether two commands are one for the hardware, which knows no reasons."""
    if one is None or two is None:
        return one is two
    parts = ((each.serial, each.do, each.amps, each.valid_until) for each in (one, two))
    return next(parts) == next(parts)


# --- 1 and 2: no current is too high, and nothing starts without a reason -------------------


def _start(world: World, command: CommandInForce) -> Iterator[str]:
    state, house, amps = world.state, world.house, command.amps
    point = house.file.charge_points[POINT]
    if amps is None or amps < point.min_amps:
        yield "a start without a current, or below the lowest"
        return
    if amps > highest_amps(house.file, POINT, CAR):
        yield "a start above what equipment and fuse carry"
    limit = world.setting.limit_amps
    if limit is not None and amps > limit:
        yield "a start above what the grid operator allows"
    if world.setting.is_loaded and amps > LOAD_LEAVES_AMPS:
        yield "a start above what the rest of the home leaves"
    if not state.plugged_in or state.pilot in {"A", "E", "F"}:
        yield "a start without a vehicle, or under a fault"
    if state.stopped_itself:
        yield "a start for a vehicle that has ended its charge"
    excess = state.current_watch.excess
    allowed = min(highest_amps(house.file, POINT, CAR), limit or 80.0)
    if excess is not None and not excess.fits(allowed) and world.setting.limit != "three":
        yield "a start of equipment that takes more than is allowed"


def _reason(moved: Moved, command: CommandInForce) -> Iterator[str]:
    world, wishes = moved.after, moved.after.state.wishes
    counted = counted_soc_percent(world.state, world.house.file, world.now) or 0.0
    if wishes.charge_now:
        asked = [each.need_percent or 0.0 for each in wishes.departures]
        if counted > max([EVERYDAY_PERCENT, *asked]) + NEARLY:
            yield "it charges beyond what is wanted"
        return
    if wishes.skip_until is not None and world.now < wishes.skip_until:
        yield "it charges although a person asked to skip this"
    if _leaves_late(world):
        if command.valid_until > _late_until(world):
            yield "a vehicle that leaves late charges for more than an hour"
        return
    yield from _by_plan(world, command, counted)


def _by_plan(world: World, command: CommandInForce, counted: float) -> Iterator[str]:
    plan = world.state.plan
    period = plan.period_at(world.now) if plan is not None else None
    if plan is None or period is None:
        yield "a start outside the plan's periods"
        return
    if command.amps is not None and command.amps > period.amps:
        yield "a start above the plan's current"
    if command.valid_until > _run_ends(plan, world.now):
        yield "a start outlives the plan's run"
    if counted > plan.reaches_percent + NEARLY:
        yield "it charges beyond the plan's target"


def _leaves_late(world: World) -> bool:
    night = world.state.night
    if night is None or night.departure is None or world.state.plan is not None:
        return False
    return night.departure.instant <= world.now < night.departure.instant + LATE_LASTS


def _late_until(world: World) -> datetime:
    night = world.state.night
    assert night is not None
    assert night.departure is not None
    return night.departure.instant + LATE_LASTS


def _run_ends(plan: Plan, now: datetime) -> datetime:
    end = now
    for period in plan.periods:
        if period.start <= end < period.end:
            end = period.end
    return end


def _rest(moved: Moved) -> Iterator[str]:
    before, after = moved.before.contactor, moved.after.contactor
    if before.is_on or not after.is_on or before.on_at is None or before.off_at is None:
        return
    point = moved.after.house.file.charge_points[POINT]
    rest, run = point.rest_minutes * MINUTE, point.min_run_minutes * MINUTE
    if moved.after.now < max(before.off_at + rest, before.on_at + run + rest):
        yield "a start before the charge point has rested"


# --- 8: what is not followed is repeated, and a person is warned -----------------------------


def _response(world: World, command: CommandInForce) -> Iterator[str]:
    state, response, now = world.state, world.state.response, world.now
    if response is None:
        yield "nobody waits for the response to the command"
        return
    due = response_due(state, world.house)
    # Whoever sleeps until a reading is old finds out nothing from it.
    is_read = state.watts_at is not None and now - state.watts_at < LONGEST_GAP
    if due is not None and due <= now and (is_read or command.do == "start"):
        yield "what was due about the response was not done"
    if command.do == "stop" and world.defied_since is not None and is_read:
        yield from _defied(state, response, due, now)
    if command.do == "stop" and response.repeats >= 2 and "power-after-stop" not in state.alerts:
        yield "power flows after a stop, and nobody is warned"
    if (
        command.do == "start"
        and response.repeats >= 2
        and not response.flowed
        and "no-power-after-start" not in state.alerts
    ):
        yield "no power flows after a start, and nobody is warned"


def _defied(
    state: PointState, response: Response, due: datetime | None, now: datetime
) -> Iterator[str]:
    if response.wrong_since is None:
        if state.idle_since is None:
            yield "power flows after a stop, and nobody notices"
        return
    # Until the power is read again, one repetition is enough.
    is_read_since = state.watts_at is not None and state.watts_at > response.since
    if is_read_since and (due is None or due > now + LONGEST_REPEAT):
        yield "power flows after a stop, and the stop is not repeated"


# --- presence, plans, nights -----------------------------------------------------------------


def _presence(moved: Moved) -> Iterator[str]:
    before, state = moved.before.state, moved.after.state
    if state.plugged_in:
        return
    if state.plan is not None:
        yield "a plan without a vehicle"
    if before.plugged_in and state.wishes.charge_now:
        yield "a wish to charge now outlives the vehicle"


def _plan(world: World) -> Iterator[str]:
    plan, file = world.state.plan, world.house.file
    if plan is None:
        return
    if plan.departure <= world.now:
        yield "a plan for a departure that has passed"
    most = highest_amps(file, POINT, CAR)
    if any(each.amps > most or each.end > plan.departure for each in plan.periods):
        yield "a plan above what is allowed, or past its departure"
    if any(one.end > two.start for one, two in zip(plan.periods, plan.periods[1:], strict=False)):
        yield "periods of a plan overlap"


def _night(facts: NightFacts) -> Iterator[str]:
    if not facts.stays:
        yield "a night without a stay"
    for one, two in zip(facts.stays, facts.stays[1:], strict=False):
        if one.plugged_since > two.plugged_since or one.departure is None:
            yield "the stays of a night are out of order"


# --- at rest: the same instant again, and a restart ------------------------------------------


def wrong_at_rest(world: World) -> str | None:
    """Return what is wrong if the same instant comes again; None if nothing is done twice."""
    again = stepped(world, TimePassed()).after.state
    before = world.state
    commands = (before.command, again.command)
    # Another reason for the same command may be sent once more.
    one, two = ((each.do, each.amps, each.valid_until) for each in commands if each is not None)
    if one != two:
        return "at the same instant another command is sent"
    # A reading that is as old as a new command is taken up for it now: the watch may change.
    if (before.plan, before.alerts) != (again.plan, again.alerts):
        return "at the same instant something else is planned or raised"
    return None


def wrong_with_restart(before: World, after: World) -> str | None:
    """Return what is wrong with the command after a restart: it must be the one before."""
    # A restart makes the plan again. That may be another one, where more has flowed since it was
    # made, or less than a tick is left: then the command must be as if prices were new now.
    one, two = before.state.command, after.state.command
    if one is None or two is None or one.valid_until <= before.now:
        return None
    if (one.do, one.amps) == (two.do, two.amps):
        return None
    again = stepped(before, HouseChanged("prices")).after.state.command
    if again is not None and (again.do, again.amps) == (two.do, two.amps):
        return None
    return f"a restart turns {one.do} {one.amps} into {two.do} {two.amps}"
