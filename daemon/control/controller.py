"""Control one charge point: from the state, an event and the time to a new state and actions.

Does no I/O and reads no clock. Each step has the same parts, whatever the event::

    learn     the event changes the state                                `daemon.control.learning`
    confirm   does the power that flows follow the command?              `daemon.control.confirming`
    account   close the night at a departure and at its end              `daemon.control.nightbook`
    plan      make the plan again if something it rests on has changed   `daemon.control.replanning`
    command   send another command if the one in force is wrong or old   this module
    announce  publish a new plan and its reasons                         `daemon.control.replanning`

The command in force depends on the state and the time alone, so starting is the same as recovering.
What each event changes in the state, and when it makes a new plan necessary:

    a reading            register, power; power shows a vehicle        less flowed than was counted
    a vehicle's report   pilot state, state of charge                  it came; its charge is news
    a person's request   wishes, which vehicle, state of charge        always
    the file is new      what was measured of the vehicle is dropped   always
    prices are new       -                                             always
    the broker is back   - (the command is sent again)                 -
    a delivery           the broker refuses it, nobody listens         -
    the household's own  trouble with ledger, broker or file           -
    time                 the file's hours of a vehicle's presence      the plan has ended

The command, by the first line that applies:

    no vehicle, or a fault (pilot A, E, F)      stop
    the vehicle has ended its charge by itself  stop
    the equipment takes more than it is told,   stop
      and more than is allowed now
    the departure has passed, and the need      start at the highest current, to the need,
      is not met (`daemon.control.leaving_late`)  for an hour at most
    a person asked to charge now                start at the highest current, to the target
    a person asked to skip until later          stop
    the plan has a period now that counts on    start at the current that the surplus feeds,
      the roof, and a grid meter is read          or stop while it feeds too little
    the plan has a period now                   start at its current, until its end
    otherwise                                   stop

A start must fit under each phase of the main fuse, at every instant until it expires, beside what
the rest of the home draws (as declared, and as read live: `daemon.load_guard`) and what the other
charge points may draw by the commands they have. Until it does, its current is lower, or it is a
stop. So it is with what the grid operator allows (`planners.home.grid_limit`); no wish overrides
it.

While the vehicles of the home are being planned together (`daemon.sharing`), what charges goes on
as it is, and a start waits.

A start on other phases than the last one waits for a stop that the meter confirms, at most four
times an hour (`planners.power.rest`).

A stop is at once, always. A start that comes too soon after the last switching waits: it is a stop
until the charge point's rest is over (`planners.power.rest`). With `random_delay_seconds`, a start
or a higher current by the plan waits for a random delay, and what a price ends goes on for one, if
that is allowed; nothing else is delayed.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from math import floor
from typing import TYPE_CHECKING, Literal

from daemon.control.confirming import await_response, confirm, power_has_ended, response_due
from daemon.control.events import (
    Assert,
    BusConnected,
    CommandInForce,
    Issue,
    Note,
)
from daemon.control.learning import learn
from daemon.control.leaving_late import GOES_ON, leaves_late
from daemon.control.nightbook import LAST_READING, account_for, lowered_by_load
from daemon.control.replanning import announce, begins_in_rest, plan
from daemon.control.state import (
    AWAY,
    FAULTS,
    FOLLOWS_SURPLUS,
    LONGEST_GAP,
    SKIPPED,
    TOO_LITTLE_SURPLUS,
    charges_now,
    follows_surplus,
    is_charging,
    rests_until,
    vehicle_of,
    with_commanded,
)
from daemon.control.undelivered import may_be_listening_again
from planners.delays.random_delay import HELD_LONGER, delay_words, drawn_delay
from planners.home.allotments import shares_by_plan
from planners.home.grid_limit import binding
from planners.home.left_beside import left_beside
from planners.local_time.conversion import clock_text
from planners.local_time.departures import night_bounds, night_of
from planners.plan.plan import NOTICED_KWH
from planners.power.allowed_currents import amps_allowed, charge_model, own_amps
from planners.power.charging import NEED_TOLERANCE_PERCENT
from planners.power.circuits import has_power
from planners.power.excess_current import amps_text, with_command
from planners.power.rest import PhaseStep
from planners.surplus.one_phase import most_amps_on_one

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.control.events import Action, Event
    from daemon.control.state import House, OpenNight, PointState
    from planners.home.left_beside import LeftByLoad
    from planners.local_time.departures import DepartureAt
    from planners.plan.plan import Period, Plan
    from planners.power.allowed_currents import AmpsSpan
    from planners.power.rest import LastSwitches

START_HOLDS = timedelta(minutes=30)
"""A start that is not renewed expires after this, and never later than the plan's run ends."""

STOP_HOLDS = timedelta(hours=6)
"""The same for a stop; the hardware stays stopped after it."""

MORE_HOLDS = timedelta(minutes=1)
"""A start with more than the charge point's fixed part of the main fuse expires after this: its
hardware must fall back by itself if nothing reaches it."""

RENEWED_BEFORE = timedelta(minutes=10)
"""A command that is still right is renewed this long before it expires."""

MORE_RENEWED_BEFORE = timedelta(seconds=30)
"""The same for a start that expires after a minute."""

NO_POWER = "its circuit has no power at this hour"

BEING_PLANNED = "the vehicles of the home are being planned together"
"""Why a start waits, or nothing is planned yet."""

DAY = timedelta(days=1)
"""A departure that is further away is named with its day of the week."""

NO_END = datetime.max.replace(tzinfo=UTC)
"""The end of a command that may be renewed for ever."""


def step(
    state: PointState, event: Event, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Handle one event.

    Parameters
    ----------
    state : PointState
        What was known.
    event : Event
        What happened; `TimePassed` for nothing but time.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    state : PointState
        What is known now.
    actions : tuple of Action
        What to do about it, in this order.
    """
    done: tuple[Action, ...] = ()
    for known, actions in react(state, event, now, house):
        state, done = known, (*done, *actions)
    state, announced = announce(state)
    return state, (*done, *announced)


def react(
    state: PointState, event: Event, now: datetime, house: House
) -> Iterator[tuple[PointState, tuple[Action, ...]]]:
    """Handle one event as `step` does, but leave announcing a new plan to the caller.

    A command does not wait for the sentences of the plan, which take as long as the plan itself.
    Where it does not depend on the plan (the first lines of the table), it does not wait for the
    plan either.

    Parameters
    ----------
    state : PointState
        What was known.
    event : Event
        What happened.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Yields
    ------
    state : PointState
        What is known by then; `daemon.control.replanning.announce` announces its plan.
    actions : tuple of Action
        What to do about it, in this order, before going on.
    """
    state, learnt = learn(state, event, now, house)
    state, confirmed, repeat = confirm(state, now, house)
    state, accounted = account_for(state, now, house)
    done = (*learnt, *confirmed, *accounted)
    reassert = isinstance(event, BusConnected) or may_be_listening_again(state, event)
    if _without_plan(state, now, house) is not None:
        state, commanded = _command(state, now, house, reassert=reassert, repeat=repeat)
        yield state, (*done, *commanded)
        done, reassert, repeat = (), False, False
    state, planned = plan(state, now, house)
    state, commanded = _command(state, now, house, reassert=reassert, repeat=repeat)
    done = (*done, *planned, *commanded)
    if begins_in_rest(state, now, house):  # this stop cut a run short that the plan goes on with
        state, planned = plan(state, now, house)
        state, commanded = _command(state, now, house, reassert=False, repeat=False)
        done = (*done, *planned, *commanded)
    yield state, done


def preview(state: PointState, event: Event, now: datetime, house: House) -> PointState:
    """Return the state that an event would lead to; nothing is done about it.

    Parameters
    ----------
    state : PointState
        What is known.
    event : Event
        What might happen.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    PointState
        With the plan that would be made; if no vehicle is there, the plan and the command for one
        that came now.
    """
    for known, _actions in react(state, event, now, house):
        state = known
    if state.plugged_in:
        return state
    state = plan(replace(state, plugged_in=True), now, house)[0]
    command, _limit = _below_fuse(state, _right_command(state, now, house), now, house)
    return replace(state, command=command)


def next_wake(state: PointState, now: datetime, house: House) -> datetime:
    """Return when the controller must be woken next if nothing else happens.

    Parameters
    ----------
    state : PointState
        What is known.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    datetime
        After `now`; at the latest the end of the night.
    """
    days = house.file.days
    due = [night_bounds(night_of(now, days), days)[1]]
    if state.command is not None:
        until = state.command.valid_until
        due += [until - RENEWED_BEFORE, until - MORE_RENEWED_BEFORE, until]
        due += [state.command.delayed_until] if state.command.delayed_until is not None else []
        vehicle = vehicle_of(state, house.file)
        if state.command.do == "start" and state.command.plan is None and vehicle is not None:
            due += [span.end for span in _spans_allowed(state, vehicle, now, house)]
    if state.plan is not None:
        due += [edge for period in state.plan.periods for edge in (period.start, period.end)]
        due.append(state.plan.departure)
    if state.night is not None:
        due.append(night_bounds(state.night.night, days)[1] + LAST_READING)
        if state.night.departure is not None:
            due.append(state.night.departure.instant)
    due += [each for each in (state.wishes.skip_until, state.wishes.away_until) if each is not None]
    late = (response_due(state, house), rests_until(state, house.file, now))
    due += list(_phase_switch_due(state, house))
    due += [each for each in late if each is not None]
    if house.file.charge_points[state.charge_point].plugged_in is not None:
        due.append(now.replace(second=0, microsecond=0) + timedelta(minutes=1))
    return min((instant for instant in due if instant > now), default=now + START_HOLDS)


def _phase_switch_due(state: PointState, house: House) -> Iterator[datetime]:
    """Yield when a charge point that switches phases may go on: see `LastSwitches.to_phases`."""
    point, switches = house.file.charge_points[state.charge_point], state.switches
    if point.phase_switching_seconds is None:
        return
    since = _stopped_since(state)
    if since is not None:
        ready = since + timedelta(seconds=point.phase_switching_seconds)
        yield from (ready, ready + timedelta(seconds=point.confirm_seconds))
    if switches.phases_from is not None:
        yield switches.phases_from


# --- command --------------------------------------------------------------------------------


def _command(
    state: PointState, now: datetime, house: House, *, reassert: bool, repeat: bool
) -> tuple[PointState, tuple[Action, ...]]:
    wanted = _right_command(state, now, house)
    right, limit = _below_fuse(state, wanted, now, house)
    right = replace(right, planned_amps=wanted.planned_amps or wanted.amps)
    load_amps = None if limit is None or limit.by_grid else limit.load_amps
    state = lowered_by_load(state, _amps(right), load_amps, now)
    waits = _amps(right) < _amps(wanted)
    is_load_read = any(not each.by_grid for each in house.left_by_load)
    if (waits, is_load_read) != (state.waits_for_others, state.is_load_read):
        state = replace(state, waits_for_others=waits, is_load_read=is_load_read)
    command, holds = state.command, _holds(state, right, now, house)
    if command is not None and _is_right(command, right, now, holds) and not repeat:
        return state, (Assert(command),) if reassert else ()
    switched = command is None or command.do != right.do
    is_new = command is None or (command.do, command.amps) != (right.do, right.amps)
    watch = state.current_watch
    if is_new:
        state = with_commanded(state, house.file, now)
        is_lower = command is not None and (right.amps or 0) < (command.amps or 0)
        point = house.file.charge_points[state.charge_point]
        delay = timedelta(seconds=point.delays_itself_seconds)
        watch = with_command(watch, now, is_lower=is_lower, delay=delay)
    extends = None if repeat else _extended(command, right, now, holds)
    command = replace(right, valid_until=min(now + holds, right.valid_until))
    # A command that is only renewed does not change how long its response has been waited for.
    response = (
        await_response(state, now, switched=switched) if switched or repeat else state.response
    )
    state = replace(
        state,
        command=command,
        serial=command.serial,
        switches=_switches(state, command, now),
        response=response,
        current_watch=watch,
        night=_count_start(state, command) if switched else state.night,
    )
    if not switched:
        return state, (Issue(command, extends),)
    note = Note(command.do, {"charge_point": state.charge_point, "why": command.why})
    return state, (Issue(command), note)


def _extended(
    command: CommandInForce | None, right: CommandInForce, now: datetime, holds: timedelta
) -> int | None:
    """Return the serial of the command in force, if the right one only extends it by a little."""
    if command is None or holds > MORE_HOLDS or now >= command.valid_until:
        return None
    is_same = replace(right, serial=command.serial, valid_until=command.valid_until) == command
    return command.serial if is_same else None


def _switches(state: PointState, command: CommandInForce, now: datetime) -> LastSwitches:
    if is_charging(state):
        return state.switches if command.do == "start" else state.switches.switched_off(now)
    if command.do == "stop":
        return state.switches
    switches, before = state.switches.switched_on(now, command.phases), state.command
    if before is None or before.phases in {None, command.phases}:
        return switches
    return replace(switches, given_up_at=now)  # it was stopped to switch, and could not


def _holds(state: PointState, command: CommandInForce, now: datetime, house: House) -> timedelta:
    """Return after how long a command expires if it is not renewed."""
    point, vehicle = state.charge_point, vehicle_of(state, house.file)
    if command.amps is None:
        return STOP_HOLDS
    if vehicle is None or not shares_by_plan(house.file):
        return START_HOLDS
    shares = amps_allowed(house.file, point, vehicle, now, now + START_HOLDS)
    falls = (span.start - now for span in shares if span.amps < command.amps)
    return max(MORE_HOLDS, next(falls, START_HOLDS))


def _is_right(
    command: CommandInForce, right: CommandInForce, now: datetime, holds: timedelta
) -> bool:
    """Whether the command in force is the right one and expires neither too soon nor too late."""
    said, wanted = ((each.do, each.amps, each.phases, each.why) for each in (command, right))
    if said != wanted:
        return False
    if command.valid_until >= right.valid_until:
        return command.valid_until == right.valid_until
    if command.valid_until > now + holds:
        return False
    return now < command.valid_until - renewed_before(holds)


def renewed_before(holds: timedelta) -> timedelta:
    """Return how long before it expires a command is renewed that expires after so long."""
    return MORE_RENEWED_BEFORE if holds <= MORE_HOLDS else RENEWED_BEFORE


def _right_command(state: PointState, now: datetime, house: House) -> CommandInForce:
    """Give the right command by the table at the head of this module, to its latest end."""
    return _by_phases(state, _wanted_command(state, now, house), now, house)


def _by_phases(
    state: PointState, command: CommandInForce, now: datetime, house: House
) -> CommandInForce:
    """Give a stop instead of a start on other phases than the last one, until it may switch."""
    point, vehicle = house.file.charge_points[state.charge_point], vehicle_of(state, house.file)
    if command.amps is None or vehicle is None or point.phase_switching_seconds is None:
        return command if command.phases is None else replace(command, phases=None)
    command = replace(command, phases=command.phases or point.phases)
    # What was never switched by Lullwatt is on all its phases.
    last, since = state.switches.phases or point.phases, _stopped_since(state)
    step = state.switches.to_phases(
        command.phases or 1, point, now,
        is_on=is_charging(state), off_at=since, has_ended=power_has_ended(state, since, now),
    )  # fmt: skip
    is_unread = state.watts_at is None or now - state.watts_at >= LONGEST_GAP
    if step.do == "stop" and is_charging(state) and is_unread and not _is_too_soon(state, now):
        step = PhaseStep("as_before")  # nothing would confirm the stop
    if step.do == "go" or command.phases == last:
        return command
    if step.do == "stop":
        why = f"{_switching(state, command, now, house)}; then: {command.why}"
        until, plan = step.until or NO_END, state.plan if command.plan is not None else None
        stop = _next(state, "stop", why, until=until, plan=plan)
        # It was delayed at random before this stop, if it had to be.
        return replace(stop, phases=command.phases, planned_amps=command.amps)
    until = min(command.valid_until, step.until or NO_END)
    if command.phases == 1:
        return replace(command, amps=point.min_amps, phases=last, valid_until=until)
    most = most_amps_on_one(house.file, vehicle) or point.min_amps
    parts = charge_model(house.file, vehicle).phases
    amps = min(most, parts * _amps(command), _most_allowed(state, vehicle, now, house))
    return replace(command, amps=max(point.min_amps, amps), phases=1, valid_until=until)


def _stopped_since(state: PointState) -> datetime | None:
    """Return since when it has been stopped, by the last switching or the last command."""
    if state.switches.off_at is not None or state.response is None:
        return state.switches.off_at
    return state.response.since if not is_charging(state) else None


def _is_too_soon(state: PointState, now: datetime) -> bool:
    """Whether its phases were switched, or could not be, a short time ago."""
    return state.switches.phases is not None and not state.switches.may_switch_phases(now)


def _switching(state: PointState, command: CommandInForce, now: datetime, house: House) -> str:
    if _is_too_soon(state, now):
        at = clock_text(state.switches.phases_from or now, house.file.zone, "%H:%M")
        return f"phases are switched at most four times an hour, next at {at}"
    to = "one phase" if command.phases == 1 else f"{command.phases} phases"
    return f"it is stopped to switch to {to}"


def _most_allowed(state: PointState, vehicle: str, now: datetime, house: House) -> float:
    return _spans_allowed(state, vehicle, now, house)[0].amps


def _wanted_command(state: PointState, now: datetime, house: House) -> CommandInForce:
    """Give the right command whatever phases its charge point is switched to."""
    command = _without_plan(state, now, house)
    if command is not None:
        return command
    period = state.plan.period_at(now) if state.plan else None
    if state.plan is None or period is None:
        held = _held(state, now, house) if state.plan is None else _delayed(state, now, house)
        return held or _next(state, "stop", _why_not_now(state, now, house), plan=state.plan)
    by_plan = _by_surplus(state, state.plan, period, now, house) or _by_plan(
        state, state.plan, period, now, house
    )
    return _after_delay(state, _after_rest(state, by_plan, now, house), now, house)


def _after_delay(
    state: PointState, wanted: CommandInForce, now: datetime, house: House
) -> CommandInForce:
    """Let a start by the plan, or a higher current, wait for a random delay."""
    # A current that rises again because others, or a limit, leave more is no change of the plan.
    most = house.file.charge_points[state.charge_point].random_delay_seconds
    if not most or wanted.amps is None or wanted.why == FOLLOWS_SURPLUS:
        return wanted
    held = _delayed(state, now, house)
    if held is not None:
        return held
    before = state.command
    # A third as much current on each of three phases is as much power.
    is_more = before is not None and before.phases == 1 and wanted.phases != 1
    is_known = before is not None and wanted.amps <= (before.planned_amps or 0.0) and not is_more
    if is_known or (before is not None and before.delayed_until is not None):
        return wanted
    delay = drawn_delay(house.seed, state.charge_point, str(state.serial + 1), most)
    until = now + delay
    if not delay:
        return wanted
    why = f"{delay_words(until, now)}; then: {wanted.why}"
    if before is None or before.do == "stop" or before.valid_until <= now:
        stop = _next(state, "stop", why, until=until, plan=state.plan)
        return replace(stop, delayed_until=until)
    return replace(
        before, serial=state.serial + 1, valid_until=until + HELD_LONGER, why=why,
        delayed_until=until, run_ends=None,
    )  # fmt: skip


def _delayed(state: PointState, now: datetime, house: House) -> CommandInForce | None:
    """Give the command in force if a random delay keeps it in force."""
    command, plan = state.command, state.plan
    most = house.file.charge_points[state.charge_point].random_delay_seconds
    if command is None or plan is None or not most:
        return None
    again = replace(command, serial=state.serial + 1)
    if command.run_ends is not None and command.run_ends <= now < command.valid_until:
        return again
    until, period = command.delayed_until, plan.period_at(now)
    if until is None or now >= until or plan.period_at(until) is None:
        return None
    # A current that waits to rise goes on only where the plan has one that is no lower.
    is_lower = command.amps is not None and (period is None or period.told_amps < command.amps)
    return None if is_lower else again


def _delayed_end(
    state: PointState, plan: Plan, period: Period, now: datetime, house: House
) -> datetime:
    """Return until when this current flows: what a price ends goes on for a random delay."""
    end, name = _end_of_run(plan, period), state.charge_point
    most = house.file.charge_points[name].random_delay_seconds
    vehicle, prices = vehicle_of(state, house.file), house.prices.at(name)
    if not most or vehicle is None or end >= plan.departure:
        return end
    rates = {prices.rate_at(at).rate for at in (end - end.resolution, end)}
    goes_on = any(each.start >= end for each in plan.periods)
    is_full = not goes_on and plan.reaches_percent >= plan.want_percent - NEED_TOLERANCE_PERCENT
    if len(rates) == 1 or is_full:
        return end
    until = end + drawn_delay(house.seed, name, f"end {end.isoformat()}", most)
    spans = [each for each in _spans_allowed(state, vehicle, now, house) if each.end > end]
    is_allowed = all(each.amps >= period.told_amps for each in spans if each.start < until)
    return min(until, plan.departure) if is_allowed else end


def _held(state: PointState, now: datetime, house: House) -> CommandInForce | None:
    """Give the start in force, to go on with while the vehicles are being planned together."""
    command = state.command
    if command is None or command.do == "stop" or command.valid_until <= now:
        return None
    return replace(command, serial=state.serial + 1) if _is_awaited(state, now, house) else None


def _is_awaited(state: PointState, now: datetime, house: House) -> bool:
    return house.allot(state, now).is_awaited


def _below_fuse(
    state: PointState, command: CommandInForce, now: datetime, house: House
) -> tuple[CommandInForce, LeftByLoad | None]:
    """Make a start fit under the main fuse; also give what the live load leaves, if that is why."""
    if command.amps is None or not (house.others or house.left_by_load):
        return command, None
    until = min(command.valid_until, now + START_HOLDS)
    spans = _left(state, now, until, house)
    point, left = house.file.charge_points[state.charge_point], spans[0].amps
    limit, by_grid = None, binding(house.left_by_load, state.charge_point, house.file)
    lowest = command.amps if point.switching == "on_off" else point.min_amps
    if command.amps > left:
        limit = _limit_that_counts(state, left, now, until, house)
        if left < lowest:
            why = "another charge point has not given way yet"
            if limit is not None:
                why = f"the rest of the home leaves less than {amps_text(lowest)} {limit.of}"
            if limit is not None and limit.by_grid:
                why = _too_little(limit, lowest)
            return _next(state, "stop", why), limit
        amps = max(lowest, float(floor(left)))
        why = command.why
        if limit is not None and not limit.by_grid:
            why = f"the rest of the home leaves only {amps_text(amps)} {limit.of}; {why}"
        command = replace(command, amps=amps, why=why)
    if by_grid is not None and command.amps is not None:
        # Whole amperes: equipment may round up what it is told.
        whole = max(lowest, float(floor(command.amps)))
        command = replace(command, amps=whole, why=f"{by_grid.by_grid}; {command.why}")
    falls = (span.start for span in spans if span.amps < _amps(command))
    until = min(command.valid_until, next(falls, NO_END))
    return replace(command, valid_until=until), limit


def _too_little(limit: LeftByLoad, lowest: float) -> str:
    return (
        f"{limit.by_grid}, which is too little for the {amps_text(lowest)} that it takes at least"
    )


def _stopped_by_grid(state: PointState, house: House) -> str | None:
    """Say that the grid operator allows less than the charge point takes, if it does."""
    name, point = state.charge_point, house.file.charge_points[state.charge_point]
    vehicle = vehicle_of(state, house.file)
    lowest = point.min_amps
    if point.switching == "on_off" and vehicle is not None:
        lowest = own_amps(house.file, name, vehicle)
    limit = binding(house.left_by_load, name, house.file)
    is_too_little = limit is not None and limit.amps / limit.points[name] < lowest
    return _too_little(limit, lowest) if limit is not None and is_too_little else None


def _limit_that_counts(
    state: PointState, left: float, now: datetime, until: datetime, house: House
) -> LeftByLoad | None:
    """Return what the live load leaves least of, if no more than `left` is left because of it."""
    without_load = _left(state, now, until, replace(house, left_by_load=()))
    if without_load[0].amps <= left:
        return None
    limits = [each for each in house.left_by_load if state.charge_point in each.points]
    least = min(limits, key=lambda each: each.amps / each.points[state.charge_point])
    return replace(least, load_amps=max(each.load_amps for each in limits))


def _left(state: PointState, now: datetime, until: datetime, house: House) -> tuple[AmpsSpan, ...]:
    return left_beside(
        house.file, state.charge_point, house.others, now, until,
        by_load=house.left_by_load, kept_amps=house.kept_amps,
    )  # fmt: skip


def _amps(command: CommandInForce) -> float:
    return command.amps or 0.0


def _by_surplus(
    state: PointState, plan: Plan, period: Period, now: datetime, house: House
) -> CommandInForce | None:
    """Follow what the roof leaves over, where the plan counts on it and a meter shows it."""
    followed, vehicle = house.followed, vehicle_of(state, house.file)
    if followed is None or vehicle is None or not follows_surplus(state, now, house.file):
        return None
    if followed.amps <= 0:
        return _next(state, "stop", TOO_LITTLE_SURPLUS, plan=plan)
    allowed = _most_allowed(state, vehicle, now, house)
    if allowed <= 0:
        return None
    amps = _amps_told(state, min(followed.amps, allowed))
    until = _end_of_sun(plan, period)
    command = _next(state, "start", FOLLOWS_SURPLUS, amps=amps, until=until, plan=plan)
    return replace(command, phases=1) if followed.on_one else command


def _by_plan(
    state: PointState, plan: Plan, period: Period, now: datetime, house: House
) -> CommandInForce:
    end = _end_of_run(plan, period)
    until = _delayed_end(state, plan, period, now, house)
    why, amps = _why_now(state, plan, period, house), _amps_told(state, period.told_amps)
    command = _next(state, "start", why, amps=amps, until=until, plan=plan)
    command = command if period.one_phase_amps is None else replace(command, phases=1)
    return command if until == end else replace(command, run_ends=end)


def _after_rest(
    state: PointState, command: CommandInForce, now: datetime, house: House
) -> CommandInForce:
    """Give a stop instead of a start as long as the charge point must rest, or wait for a plan."""
    until = rests_until(state, house.file, now)
    if command.do == "start" and until is not None:
        return _next(state, "stop", f"{_resting(until, house)}; then: {command.why}", until=until)
    if command.do == "start" and not is_charging(state) and _is_awaited(state, now, house):
        return _next(state, "stop", BEING_PLANNED)
    return command


def _resting(until: datetime, house: House) -> str:
    at = clock_text(until, house.file.zone, "%H:%M")
    return f"the charge point rests until {at}, because it was switched a short time ago"


def _without_plan(state: PointState, now: datetime, house: House) -> CommandInForce | None:
    """Give the command of the table's lines above the plan, if one of them applies."""
    obstacle = _obstacle(state)
    if obstacle is not None:
        return _next(state, "stop", obstacle)
    too_much = _takes_too_much(state, now, house)
    if too_much is not None:
        return too_much
    vehicle, wishes = vehicle_of(state, house.file), state.wishes
    late = leaves_late(state, house, now)
    if late is not None:
        return _go_on(state, late, now, house)
    if vehicle is not None and charges_now(state, house.file, now):
        return _held(state, now, house) or _after_rest(
            state, _charge_now(state, vehicle, now, house), now, house
        )
    if wishes.skip_until is not None and now < wishes.skip_until:
        return _next(state, "stop", SKIPPED)
    return None


def _next(
    state: PointState,
    do: Literal["start", "stop"],
    why: str,
    *,
    amps: float | None = None,
    until: datetime = NO_END,
    plan: Plan | None = None,
) -> CommandInForce:
    return CommandInForce(state.serial + 1, do, amps, until, plan.name if plan else None, why)


def _obstacle(state: PointState) -> str | None:
    """Give what keeps the vehicle from charging, whatever is planned or asked for."""
    if not state.plugged_in:
        return AWAY
    if state.pilot in FAULTS:
        return f"the charge point reports a fault (pilot state {state.pilot})"
    return "the vehicle has ended its charge by itself" if state.stopped_itself else None


def _takes_too_much(state: PointState, now: datetime, house: House) -> CommandInForce | None:
    """Stop equipment that takes more than it is told, while that is more than is allowed."""
    excess, vehicle = state.current_watch.excess, vehicle_of(state, house.file)
    if excess is None or vehicle is None:
        return None
    spans = _spans_allowed(state, vehicle, now, house)
    if spans[0].amps > 0:
        return None
    until = spans[0].end if len(spans) > 1 else NO_END
    return _next(state, "stop", f"it {excess}, which is more than is allowed now", until=until)


def _amps_told(state: PointState, amps: float) -> float:
    """Return the current to command where `amps` may flow."""
    # Equipment with an excess is told what it did not keep to. Both that and what it takes are
    # allowed here, and readings show whether it obeys by now.
    excess = state.current_watch.excess
    return amps if excess is None else min(amps, excess.told_amps)


def _spans_allowed(
    state: PointState, vehicle: str, now: datetime, house: House
) -> tuple[AmpsSpan, ...]:
    point, excess = state.charge_point, state.current_watch.excess
    return amps_allowed(
        house.file, point, vehicle, now, now + STOP_HOLDS,
        excess=excess, allotted=house.allot(state, now).spans,
    )  # fmt: skip


def _charge_now(state: PointState, vehicle: str, now: datetime, house: House) -> CommandInForce:
    """Charge as a person asked."""
    return _at_highest(state, vehicle, "a person asked to charge now", now, house)


def _go_on(
    state: PointState, departure: DepartureAt, now: datetime, house: House
) -> CommandInForce:
    """Charge on to the need of a departure that is past."""
    at = clock_text(departure.instant, house.file.zone, "%H:%M")
    why = f"{departure.need_percent:.0f} % was needed by {at}, and the vehicle is still there"
    until = departure.instant + GOES_ON
    return _at_highest(state, departure.vehicle, why, now, house, until=until)


def _at_highest(
    state: PointState,
    vehicle: str,
    why: str,
    now: datetime,
    house: House,
    *,
    until: datetime = NO_END,
) -> CommandInForce:
    """Charge with the current that the rest of the home leaves."""
    spans = _spans_allowed(state, vehicle, now, house)
    allowed = spans[0].amps
    ends = (span.start for span in spans if (span.amps < allowed if allowed else span.amps))
    until = min(until, next(ends, NO_END))
    if allowed <= 0:
        cause = "the rest of the home needs the current"
        if not has_power(house.file, state.charge_point, now):
            cause = NO_POWER
        shared = binding(house.left_by_load, state.charge_point, house.file)
        if shared is not None:
            cause = f"{shared.by_grid}, and others use it"
        cause = _stopped_by_grid(state, house) or cause
        return _next(state, "stop", cause, until=until)
    return _next(state, "start", why, amps=_amps_told(state, allowed), until=until)


def _why_not_now(state: PointState, now: datetime, house: House) -> str:
    if state.plan is None:
        return BEING_PLANNED if _is_awaited(state, now, house) else "nothing is planned"
    by_grid = _stopped_by_grid(state, house)
    if by_grid is not None:
        return by_grid
    until = rests_until(state, house.file, now)
    if until is not None and state.plan.period_at(until) is not None:
        return _resting(until, house)
    if any(period.start > now for period in state.plan.periods):
        return "cheaper hours are to come"
    return "the plan has nothing more to charge"


def _why_now(state: PointState, plan: Plan, period: Period, house: House) -> str:
    minutes = house.file.charge_points[state.charge_point].min_run_minutes
    shortest = timedelta(minutes=minutes + house.file.household.tick_minutes)
    begun = state.switches.on_at
    if is_charging(state) and minutes and begun is not None:
        end = _end_of_run(plan, period)
        prices = [each.price / each.kwh for each in plan.periods if each.start > end]
        is_dear = any(price < period.price / period.kwh for price in prices)
        if is_dear and end <= begun + shortest:
            return f"it must stay on for at least {minutes:g} minutes"
    soon = plan.departure - plan.made_at <= DAY
    by = clock_text(plan.departure, house.file.zone, "%H:%M" if soon else "%a %H:%M")
    if plan.shortfall is not None:
        return f"every hour before {by} is needed, and even that is too little time"
    excess = state.current_watch.excess
    allow = "" if excess is None else f" that allow the {amps_text(excess.taken_amps)} it takes"
    counted = ", carbon counted" if plan.carbon_kind else ""
    return f"cheapest hours before {by}{allow}{counted}"


def _end_of_run(plan: Plan, period: Period) -> datetime:
    """Return until when this current may flow: the end of the run, or a fall of its current."""
    # After a rise, hardware that hears nothing goes on at the lower current, which is allowed.
    end = period.end
    for following in plan.periods:
        is_alike = (following.one_phase_amps is None) == (period.one_phase_amps is None)
        if following.start == end and is_alike and following.amps >= period.amps:
            end = following.end
    return end


def _end_of_sun(plan: Plan, period: Period) -> datetime:
    """Return until when the plan goes on counting on the roof without a pause."""
    end = period.end
    for following in plan.periods:
        if following.start == end and following.roof_kwh > NOTICED_KWH:
            end = following.end
    return end


def _count_start(state: PointState, command: CommandInForce) -> OpenNight | None:
    if state.night is None or command.do == "stop":
        return state.night
    return replace(state.night, starts=state.night.starts + 1)
