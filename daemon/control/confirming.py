"""Whether the hardware does what it was told; what is told again, and when a person is told.

Pure, like the controller it is part of. With ``c`` the file's `confirm_seconds`::

    in force   power since then       what is done
    start      flows                  nothing: it is confirmed
    start      none yet               told again after c and 2c more; then the alert
                                      `no-power-after-start`, and told again with each renewal
    start      has flowed, now none   told again after c and 2c more; after 4c more the vehicle has
                                      ended its charge by itself, and nothing more is tried
    start      no reading for 15 min  the alert `no-reading`, where there is a meter
    stop       none                   nothing: it is confirmed
    stop       flows                  told again after c, 2c, 4c ..., at most 15 minutes, for as
                                      long as it flows; with the second time `power-after-stop`

Power that flows, but is not what the vehicle was taken to draw, is what it is planned with once it
has been seen for c.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

from daemon.control.alerts import ENDED_SHORT, NO_POWER, NO_READING, POWER, warn_once
from daemon.control.events import Note
from daemon.control.nightbook import BEGUN_WH
from daemon.control.state import (
    FLOWING_WATTS,
    LONGEST_GAP,
    Answer,
    Drawn,
    counted_soc_percent,
    departure_of,
    register_wh_at,
    vehicle_of,
)
from planners.power.electrics import charge_model, highest_amps

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.control.events import Action, CommandInForce
    from daemon.control.state import House, PointState

ALERT_AFTER = 2
"""After telling it so often again a person is told."""

SLOWEST = timedelta(minutes=15)
"""Power after a stop is never waited for longer than this before it is told again."""

DIFFERS_BY = 0.1
"""A share of the power that differs by less is the same: voltage moves by as much."""

MOST_SHARE = 1.1
"""What a supply of 230 V may have above nominal (EN 50160), as a share."""

NEARLY_MET_PERCENT = 0.5
"""A need missed by less is met: vehicles report whole percents."""


class Confirmed(NamedTuple):
    """What came of looking at the hardware's answer."""

    state: PointState
    actions: tuple[Action, ...]
    tell_again: bool = False


def confirm(state: PointState, now: datetime, house: House) -> Confirmed:
    """Compare the power that flows with the command in force.

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
    Confirmed
        With the answer so far, alerts, and whether the command is to be told again.
    """
    command, answer = state.command, state.answer
    if command is None or answer is None:
        return Confirmed(state, ())
    flows = _flows(state, answer, now)
    if flows is None:
        return _unheard(state, answer, now) if command.do == "start" else Confirmed(state, ())
    state = replace(state, said=state.said - {NO_READING})
    if flows == (command.do == "start"):
        state = _as_told(state, command, answer)
        return Confirmed(*_drawn(state, command, house)) if flows else Confirmed(state, ())
    return _not_as_told(state, command, answer, now, house)


def answer_due(state: PointState, house: House) -> datetime | None:
    """Say when time alone makes a missing answer worth telling again, or worth an alert."""
    command, answer = state.command, state.answer
    if command is None or answer is None:
        return None
    if answer.wrong_since is not None:
        return _due(state, answer, house)
    heard = _heard_at(state)
    if command.do == "stop" or heard is None or NO_READING in state.said:
        return None
    return max(heard, answer.since) + LONGEST_GAP


def told(state: PointState, now: datetime, *, anew: bool) -> Answer:
    """Begin to wait for an answer.

    Parameters
    ----------
    state : PointState
        What was known before.
    now : datetime
        When it was told.
    anew : bool
        Whether it was told something else before.

    Returns
    -------
    Answer
        None given yet; what is told again keeps what was seen of it.
    """
    wh = register_wh_at(state, now)
    if anew or state.answer is None:
        return Answer(now, wh)
    return replace(state.answer, since=now, register_wh=wh)


# --- as it was told ---------------------------------------------------------------------------


def _as_told(state: PointState, command: CommandInForce, answer: Answer) -> PointState:
    flowed = answer.flowed or command.do == "start"
    answered = replace(answer, flowed=flowed, wrong_since=None, repeats=0)
    return replace(state, answer=answered, said=state.said - {NO_POWER, POWER})


def _drawn(
    state: PointState, command: CommandInForce, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """See what share of the expected power flows; once it has lasted, plan with it."""
    share, at = _share(state, command, house), state.watts_at
    if share is None or at is None:
        return state, ()
    drawn = state.drawn
    if _same(share, drawn.share):
        return replace(state, drawn=replace(drawn, seen=None, seen_since=None)), ()
    if drawn.seen is None or drawn.seen_since is None or not _same(share, drawn.seen):
        return replace(state, drawn=replace(drawn, seen=share, seen_since=at)), ()
    if at - drawn.seen_since < _patience(state, house):
        return state, ()
    note = Note("power-differs", {"charge_point": state.charge_point, "share": round(share, 2)})
    return replace(state, drawn=Drawn(share), plan_stale=True), (note,)


def _share(state: PointState, command: CommandInForce, house: House) -> float | None:
    """Share of the power that was to be expected; None where that can't be told."""
    vehicle = vehicle_of(state, house.file)
    if vehicle is None or command.amps is None or state.watts is None or state.watts_at is None:
        return None
    # A lower current than the highest says nothing of a vehicle that has a limit of its own.
    if command.amps < (1 - DIFFERS_BY) * highest_amps(house.file, state.charge_point, vehicle):
        return None
    model = charge_model(house.file, vehicle)
    soc = counted_soc_percent(state, house.file, state.watts_at) or 0.0
    expected_kw = model.metered_kw(model.stored_kwh(soc), command.amps)
    return min(MOST_SHARE, state.watts / 1000 / expected_kw) if expected_kw > 0 else None


def _same(share: float, other: float) -> bool:
    return abs(share - other) <= DIFFERS_BY * other


# --- not as it was told -----------------------------------------------------------------------


def _not_as_told(
    state: PointState, command: CommandInForce, answer: Answer, now: datetime, house: House
) -> Confirmed:
    if answer.wrong_since is None:
        # A start is waited for from when it was told; what had come right was seen to go wrong now.
        begun = answer.since if command.do == "start" and not answer.flowed else now
        answer = replace(answer, wrong_since=begun)
        state = replace(state, answer=answer)
    due = _due(state, answer, house)
    if due is None or now < due:
        return Confirmed(state, ())
    if command.do == "start" and answer.repeats >= ALERT_AFTER:
        return Confirmed(*_ended_by_itself(state, now, house))
    repeats = answer.repeats + 1
    state = replace(state, answer=replace(answer, repeats=repeats))
    if repeats != ALERT_AFTER or (command.do == "start" and answer.flowed):
        return Confirmed(state, (), tell_again=True)
    return Confirmed(*warn_once(state, *_what_is_wrong(state, command, house)), tell_again=True)


def _due(state: PointState, answer: Answer, house: House) -> datetime | None:
    """Say when to act on power that is not as it was told; None where all has been tried."""
    command, wrong_since = state.command, answer.wrong_since
    if command is None or wrong_since is None:
        return None
    if command.do == "start" and not answer.flowed and answer.repeats >= ALERT_AFTER:
        return None
    wait: timedelta = _patience(state, house) * 2**answer.repeats
    return max(answer.since, wrong_since) + (min(wait, SLOWEST) if command.do == "stop" else wait)


def _ended_by_itself(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Close the plan of a vehicle that takes no more; tell a person if it needs more."""
    wishes = replace(state.wishes, charge_now=False)
    state = replace(state, stopped_itself=True, wishes=wishes)
    departure = departure_of(state, house.file, now)
    soc = counted_soc_percent(state, house.file, now)
    if departure is None or soc is None or soc >= departure.need_percent - NEARLY_MET_PERCENT:
        return state, (Note("ended-by-itself", {"charge_point": state.charge_point}),)
    return warn_once(
        state,
        ENDED_SHORT,
        f"{departure.vehicle} has ended its charge by itself at about {soc:.0f} %; it needs"
        f" {departure.need_percent:.0f} %. It may be full, or have a limit or a timer of its own.",
    )


def _what_is_wrong(state: PointState, command: CommandInForce, house: House) -> tuple[str, str]:
    """Give the code and the words of an alert."""
    if command.do == "stop":
        return POWER, (
            f"{state.charge_point} was told to stop, and power still flows"
            f"{f' ({state.watts:.0f} W)' if state.watts else ''}. Look at it."
        )
    told = f"{state.charge_point} was told to start, and no power flows: "
    name = vehicle_of(state, house.file) or "a vehicle"
    why = {
        "B": f"{name} is connected and draws nothing. It may be full, or wait for its own timer.",
        "C": f"{name} is ready, and the charge point gives nothing.",
        "D": f"{name} is ready, and the charge point gives nothing.",
    }
    return NO_POWER, told + why.get(state.pilot or "", "the charge point or the vehicle is silent.")


def _unheard(state: PointState, answer: Answer, now: datetime) -> Confirmed:
    """Tell a person of a meter that has fallen silent while it should show a charge."""
    heard = _heard_at(state)
    if heard is None or now < max(heard, answer.since) + LONGEST_GAP:
        return Confirmed(state, ())
    message = (
        f"Nothing has been heard of the meter of {state.charge_point} since"
        f" {heard:%Y-%m-%d %H:%M} UTC: whether it charges can't be told."
    )
    return Confirmed(*warn_once(state, NO_READING, message))


# --- what is seen -----------------------------------------------------------------------------


def _flows(state: PointState, answer: Answer, now: datetime) -> bool | None:
    """Whether power flows since the hardware was told; None where nobody can tell."""
    heard = _heard_at(state)
    if heard is None or now - heard >= LONGEST_GAP:
        return None
    if state.watts is not None and state.watts_at is not None:
        return state.watts > FLOWING_WATTS if state.watts_at > answer.since else None
    register = state.register
    if register is None or answer.register_wh is None or register.at <= answer.since:
        return None
    if register.register_wh - answer.register_wh > BEGUN_WH:
        return True
    return False if register.at >= answer.since + LONGEST_GAP else None


def _heard_at(state: PointState) -> datetime | None:
    read_at = state.register.at if state.register else None
    return max((at for at in (read_at, state.watts_at) if at is not None), default=None)


def _patience(state: PointState, house: House) -> timedelta:
    return timedelta(seconds=house.file.charge_points[state.charge_point].confirm_seconds)
