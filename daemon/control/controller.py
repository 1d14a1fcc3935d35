"""The controller of one charge point: a pure function of what is known, what happens, and when.

Does no I/O and reads no clock. Each step goes the same way, whatever the event::

    learn     the event changes what is known                          `daemon.control.learning`
    confirm   the power that flows is, or is not, what was commanded   `daemon.control.confirming`
    account   a departure or noon closes the night                     `daemon.control.nightbook`
    plan      what the plan rests on changed: make it again            `daemon.control.replanning`
    command   what should be in force differs, or lapses: say so       this module
    announce  a new plan is published, and says why                    `daemon.control.replanning`

so that what is in force depends on what is known and the time alone, and starting is the same as
recovering. What each event teaches, and when the plan is made again:

    a reading            register, power; a vehicle, where it flows    less flowed than was counted
    a vehicle's report   pilot state, state of charge                  it came; its charge is news
    a person's request   wishes, which vehicle, state of charge        always
    the file is new      what was seen of the vehicle is forgotten     always
    prices are new       -                                             always
    the broker is there  -; the command is asserted                    -
    a message's fate     the broker refuses it, nobody listens         -
    the ledger's state   it refuses, it has no backup                  -
    time                 the file's hours of a vehicle's presence      the plan has ended

What is in force, the first line that applies:

    no vehicle, or a fault (pilot A, E, F)      stop
    the vehicle has ended its charge by itself  stop
    a person said: charge now                   start at the highest current, to the target
    a person said: skip until later             stop
    the plan has a period now                   start at its current, void at its end
    otherwise                                   stop
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Literal

from daemon.control.confirming import answer_due, confirm, told
from daemon.control.delivery import may_be_heard_now
from daemon.control.events import (
    Assert,
    BusConnected,
    CommandInForce,
    Issue,
    Note,
)
from daemon.control.learning import FAULTS, learn
from daemon.control.nightbook import LAST_READING, account_for
from daemon.control.replanning import announce, plan
from daemon.control.state import (
    counted_soc_percent,
    departure_of,
    vehicle_of,
)
from planners.local_time.departures import night_bounds, night_of
from planners.power.electrics import amps_allowed

if TYPE_CHECKING:
    from collections.abc import Iterator

    from daemon.control.events import Action, Event
    from daemon.control.state import Answer, House, OpenNight, PointState
    from planners.plan.plan import Period, Plan

START_HOLDS = timedelta(minutes=30)
"""A start that is not renewed is void after this, and never later than the plan's run ends."""

STOP_HOLDS = timedelta(hours=6)
"""The same for a stop, after which hardware stays stopped anyhow."""

RENEWED_BEFORE = timedelta(minutes=10)
"""A command that is still wanted is renewed so long before it lapses."""


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What should be in force, and until when at the most."""

    do: Literal["start", "stop"]
    why: str
    amps: float | None = None
    until: datetime | None = None
    plan: str | None = None


def step(
    state: PointState, event: Event, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Take one event in.

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
    """Take one event in, as `step` does, and leave announcing a new plan for later.

    What is in force does not wait for the plan's sentences, which take as long as the plan itself;
    and where it does not hang on the plan (the first lines of the table), not for the plan either.

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
        What is known by then; the plan is to be announced by `daemon.control.replanning.announce`.
    actions : tuple of Action
        What to do about it, in this order, before going on.
    """
    state, learnt = learn(state, event, now, house)
    state, confirmed, tell_again = confirm(state, now, house)
    state, accounted = account_for(state, now, house)
    done = (*learnt, *confirmed, *accounted)
    reassert = isinstance(event, BusConnected) or may_be_heard_now(state, event)
    if _settled(state, now, house) is not None:
        state, commanded = _command(state, now, house, reassert=reassert, tell_again=tell_again)
        yield state, (*done, *commanded)
        done, reassert, tell_again = (), False, False
    state, planned = plan(state, now, house)
    state, commanded = _command(state, now, house, reassert=reassert, tell_again=tell_again)
    yield state, (*done, *planned, *commanded)


def next_wake(state: PointState, now: datetime, house: House) -> datetime:
    """Say when time alone will change something next.

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
    zone = house.file.zone
    due = [night_bounds(night_of(now, zone), zone)[1]]
    if state.command is not None:
        due += [state.command.valid_until - RENEWED_BEFORE, state.command.valid_until]
    if state.plan is not None:
        due += [edge for period in state.plan.periods for edge in (period.start, period.end)]
        due.append(state.plan.departure)
    if state.night is not None:
        due.append(night_bounds(state.night.night, zone)[1] + LAST_READING)
        if state.night.departure is not None:
            due.append(state.night.departure.instant)
    if state.wishes.skip_until is not None:
        due.append(state.wishes.skip_until)
    if (answer := answer_due(state, house)) is not None:
        due.append(answer)
    if house.file.charge_points[state.charge_point].plugged_in is not None:
        due.append(now.replace(second=0, microsecond=0) + timedelta(minutes=1))
    return min((instant for instant in due if instant > now), default=now + START_HOLDS)


# --- command --------------------------------------------------------------------------------


def _command(
    state: PointState, now: datetime, house: House, *, reassert: bool, tell_again: bool
) -> tuple[PointState, tuple[Action, ...]]:
    wanted = _wanted(state, now, house)
    command = state.command
    if command is not None and _says(command, wanted, now) and not tell_again:
        return state, (Assert(command),) if reassert else ()
    holds = START_HOLDS if wanted.do == "start" else STOP_HOLDS
    until = now + holds if wanted.until is None else min(now + holds, wanted.until)
    switched = command is None or command.do != wanted.do
    command = CommandInForce(
        state.serial + 1, wanted.do, wanted.amps, until, wanted.plan, wanted.why
    )
    state = replace(
        state,
        command=command,
        serial=command.serial,
        switched_at=_switched_at(state, wanted, now),
        answer=told(state, now, anew=True)
        if switched
        else _answer(state, now, tell_again=tell_again),
        night=_count_start(state, wanted) if switched else state.night,
    )
    note = Note(wanted.do, {"charge_point": state.charge_point, "why": wanted.why})
    return state, (Issue(command), note) if switched else (Issue(command),)


def _answer(state: PointState, now: datetime, *, tell_again: bool) -> Answer | None:
    """Wait anew for what was told again; what is only renewed is waited for as before."""
    return told(state, now, anew=False) if tell_again else state.answer


def _switched_at(state: PointState, wanted: _Wanted, now: datetime) -> datetime | None:
    if state.command is not None and state.command.do == wanted.do:
        return state.switched_at
    # The first word of all, a stop, ends nothing: there is no run to rest from.
    return None if state.command is None and wanted.do == "stop" else now


def _says(command: CommandInForce, wanted: _Wanted, now: datetime) -> bool:
    """Whether the command in force says what is wanted, and does not lapse too soon or too late."""
    if (command.do, command.amps, command.why) != (wanted.do, wanted.amps, wanted.why):
        return False
    if wanted.until is not None and command.valid_until >= wanted.until:
        return command.valid_until == wanted.until
    return now < command.valid_until - RENEWED_BEFORE


def _wanted(state: PointState, now: datetime, house: House) -> _Wanted:
    """Go down the table at the head of this module."""
    settled = _settled(state, now, house)
    if settled is not None:
        return settled
    period = state.plan.period_at(now) if state.plan else None
    if state.plan is None or period is None:
        return _Wanted("stop", _why_not_now(state, now), plan=_name(state.plan))
    zone = house.file.zone
    return _Wanted(
        "start",
        f"cheapest hours before {state.plan.departure.astimezone(zone):%H:%M}",
        period.amps,
        _end_of_run(state.plan, period),
        state.plan.name,
    )


def _settled(state: PointState, now: datetime, house: House) -> _Wanted | None:
    """Give what the lines before the plan's say, if one of them applies."""
    hindrance = _hindrance(state)
    if hindrance is not None:
        return _Wanted("stop", hindrance)
    vehicle, wishes = vehicle_of(state, house.file), state.wishes
    if wishes.charge_now and vehicle is not None and not _is_full(state, vehicle, now, house):
        return _charge_now(state, vehicle, now, house)
    if wishes.skip_until is not None and now < wishes.skip_until:
        return _Wanted("stop", "a person asked to skip this")
    return None


def _hindrance(state: PointState) -> str | None:
    """Give what keeps the vehicle from charging, whatever is planned or asked for."""
    if not state.plugged_in:
        return "no vehicle is plugged in"
    if state.pilot in FAULTS:
        return f"the charge point reports a fault (pilot state {state.pilot})"
    return "the vehicle has ended its charge by itself" if state.stopped_itself else None


def _charge_now(state: PointState, vehicle: str, now: datetime, house: House) -> _Wanted:
    """Do what a person asked for, with what the rest of the home leaves of the main fuse."""
    spans = amps_allowed(house.file, state.charge_point, vehicle, now, now + STOP_HOLDS)
    until = spans[0].end if len(spans) > 1 else None
    if spans[0].amps <= 0:
        return _Wanted("stop", "the rest of the home needs the current", until=until)
    return _Wanted("start", "a person asked to charge now", spans[0].amps, until)


def _is_full(state: PointState, vehicle: str, now: datetime, house: House) -> bool:
    """Whether what a person asked for is reached."""
    departure = departure_of(state, house.file, now)
    limit = house.file.vehicles[vehicle].limit_percent
    soc = counted_soc_percent(state, house.file, now)
    return soc is not None and soc >= (departure.want_percent if departure else limit)


def _why_not_now(state: PointState, now: datetime) -> str:
    if state.plan is None:
        return "nothing is planned"
    if any(period.start > now for period in state.plan.periods):
        return "cheaper hours are to come"
    return "the plan has nothing more to charge"


def _name(plan: Plan | None) -> str | None:
    return plan.name if plan else None


def _end_of_run(plan: Plan, period: Period) -> datetime:
    """Return when charging at this current ends, through a change of rate."""
    end = period.end
    for following in plan.periods:
        if following.start == end and following.amps == period.amps:
            end = following.end
    return end


def _count_start(state: PointState, wanted: _Wanted) -> OpenNight | None:
    if state.night is None or wanted.do == "stop":
        return state.night
    return replace(state.night, starts=state.night.starts + 1)
