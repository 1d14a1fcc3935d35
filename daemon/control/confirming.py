"""Check that the hardware follows the command in force; repeat the command where it does not.

With ``c`` the household file's `confirm_seconds`, and `delays_itself_seconds` on top::

    in force   power since then       what happens
    start      flows                  nothing: the start is confirmed
    start      none yet               sent again after c and 2c more; then the alert
                                      `no-power-after-start`, and sent again with each renewal
    start      flowed, now none       sent again after c and 2c more; after 4c more the vehicle has
                                      ended its charge by itself, and nothing more is tried
    start      none: the equipment    nothing, until it goes on
               says that it pauses
    start      no reading for 15 min  the alert `no-reading`, if there is a meter, or should be
    stop       none                   nothing: the stop is confirmed
    stop       flows                  sent again after c, 2c, 4c ..., at most 15 minutes, as long as
                                      power flows; the second time the alert `power-after-stop`

Hardware that has said that it is gone has no power value until it is back; after ``c`` the alert
`hardware-gone`.

A pilot state A or B that is reported after the last power value means that none flows. After a
stop, equipment that speaks OCPP and still reports that it charges counts as if power flowed, until
the meter is read.

If the power differs from what the vehicle should draw and has done so for c, plans use it. If more
current flows than was commanded (`planners.power.excess_current`), the alert `over-current` is
raised; from then on the equipment is only started where the current that it takes is allowed.
Pure, like the controller it is part of.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, timedelta
from typing import TYPE_CHECKING, NamedTuple

from daemon.control.alerts import (
    ALL_PHASES,
    ENDED_SHORT,
    EQUIPMENT_PAUSES,
    HARDWARE_GONE,
    NO_POWER,
    NO_READING,
    OVER_CURRENT,
    POWER_AFTER_STOP,
    ClearedBy,
    clear_alerts,
    raise_alert,
)
from daemon.control.events import Note
from daemon.control.nightbook import BEGUN_WH
from daemon.control.state import (
    FLOWING_WATTS,
    LONGEST_GAP,
    NO_VEHICLE,
    ActualShare,
    Response,
    counted_soc_percent,
    departure_of,
    is_on_one,
    register_wh_at,
    vehicle_of,
    watts_of,
)
from planners.local_time.conversion import nearest_minute
from planners.power.allowed_currents import charge_model, highest_amps
from planners.power.charging import NEED_TOLERANCE_PERCENT
from planners.power.excess_current import (
    FOLLOWS_WITHIN,
    concluded,
    conclusion_due,
    exceeds,
    measured_current,
    with_command,
    with_power,
    with_reading,
)

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.control.events import Action, CommandInForce
    from daemon.control.state import House, PointState
    from planners.power.excess_current import CurrentWatch

ALERT_AFTER = 2
"""A person is warned when a command has been repeated this often."""

LONGEST_WAIT = timedelta(minutes=15)
"""The longest wait before a stop is repeated while power flows."""

TOLERANCE = 0.1
"""Shares of the power that differ by less are the same: the voltage moves by as much."""

SAME_READING = timedelta(minutes=1)
"""Values of one meter that come in several messages belong together if they are this close."""


class Confirmed(NamedTuple):
    """The result of comparing the power with the command."""

    state: PointState
    actions: tuple[Action, ...]
    repeat: bool = False


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
        The state with the hardware's response, alerts, and whether to send the command again.
    """
    state, warned = _check_current(state, now, house)
    state, also_warned = _check_phases(state, house)
    state, gone = _check_presence(state, now, house)
    confirmed = _confirm_power(state, now, house)
    return confirmed._replace(actions=(*warned, *also_warned, *gone, *confirmed.actions))


def _confirm_power(state: PointState, now: datetime, house: House) -> Confirmed:
    command, response = state.command, state.response
    if command is None or response is None:
        return Confirmed(state, ())
    flows = _power_flows(state, response, now)
    if flows is None and _reports_a_charge(state, house):
        response = replace(response, wrong_since=response.wrong_since or response.since)
        state = replace(state, response=response)
        return _not_followed(state, command, response, now, house)
    if flows is None:
        return _check_meter(state, command, response, now, house)
    state = clear_alerts(state, ClearedBy.READING)
    if flows == (command.do == "start"):
        state = _followed(state, command, response)
        return Confirmed(*_measure_share(state, command, house)) if flows else Confirmed(state, ())
    return _not_followed(state, command, response, now, house)


def response_due(state: PointState, house: House) -> datetime | None:
    """Return when a wrong or missing response must next be acted on if nothing else happens."""
    due = [conclusion_due(state.current_watch), _power_due(state, house), _gone_due(state, house)]
    return min((each for each in due if each is not None), default=None)


def _power_due(state: PointState, house: House) -> datetime | None:
    command, response = state.command, state.response
    if command is None or response is None:
        return None
    if _reports_a_charge(state, house):
        since = response.wrong_since or response.since
        return _due(state, replace(response, wrong_since=since), house)
    due = None if response.wrong_since is None else _due(state, response, house)
    if due is not None and _power_flows(state, response, due) is not None:
        return due  # a meter that is silent by then shows nothing
    read_at = _meter_since(state, response, house)
    if command.do == "stop" or read_at is None or NO_READING in state.alerts:
        return None
    return max(read_at, response.since) + LONGEST_GAP


def await_response(state: PointState, now: datetime, *, switched: bool) -> Response:
    """Begin to wait for the hardware to follow a command that is being sent.

    Parameters
    ----------
    state : PointState
        What was known before.
    now : datetime
        When the command is sent.
    switched : bool
        Whether the command before it said the opposite.

    Returns
    -------
    Response
        Empty for a new command; a repeated one keeps what was measured before.
    """
    wh = register_wh_at(state, now)
    if switched or state.response is None:
        return Response(now, wh)
    return replace(state.response, since=now, register_wh=wh)


def power_has_ended(state: PointState, since: datetime | None, now: datetime) -> bool | None:
    """Whether no power flows since a stop; None if the meter does not show it."""
    if state.pilot == NO_VEHICLE:
        return True
    at, watts = state.watts_at, state.watts
    if at is None or watts is None or not -SAME_READING <= now - at < LONGEST_GAP:
        return None
    return None if since is not None and at < since else watts <= FLOWING_WATTS


# --- whether the hardware is there -----------------------------------------------------------


def _gone_due(state: PointState, house: House) -> datetime | None:
    """Return when to warn of hardware that is gone; None if it is there, or a warning holds."""
    if state.gone_since is None or HARDWARE_GONE in state.alerts:
        return None
    return state.gone_since + _patience(state, house)


def _check_presence(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    due = _gone_due(state, house)
    if due is None or now < due:
        return state, ()
    since = nearest_minute(state.gone_since or now, UTC)
    return raise_alert(state, HARDWARE_GONE, charge_point=state.charge_point, since=since)


# --- the current ------------------------------------------------------------------------------


def _check_current(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Judge whether the equipment takes what it is told; warn if it does not."""
    told = state.command.amps if state.command is not None else None
    if told is None:
        return state, ()
    before = state.current_watch
    watch = concluded(_with_last_reading(state, told, now, house), told, now)
    if watch is not before:
        state = replace(state, current_watch=watch)
    if watch.excess == before.excess:
        return state, ()
    state = clear_alerts(replace(state, plan_stale=True), ClearedBy.CURRENT_AS_COMMANDED)
    if watch.excess is None:
        return state, (Note("current-as-commanded", {"charge_point": state.charge_point}),)
    return raise_alert(state, OVER_CURRENT, charge_point=state.charge_point, excess=watch.excess)


def _check_phases(  # noqa: PLR0911 - one for each thing that is not known
    state: PointState, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Judge whether the equipment draws on one phase where it is told to; warn if it does not."""
    command, before = state.command, state.phase_watch
    judged_from, at, watts = state.current_watch.judged_from, state.watts_at, state.watts
    if command is None or command.amps is None or command.phases != 1 or before.keeps_all:
        return state, ()
    # Of a power alone nobody can tell: it counts as too much current.
    amps, amps_at = state.amps, state.amps_at
    if amps is None or amps_at is None or exceeds(amps, command.amps):
        return state, ()
    if at is None or watts is None or abs(at - amps_at) > SAME_READING:
        return state, ()
    if judged_from is None or at < judged_from + FOLLOWS_WITHIN:
        return state, ()
    told_watts = command.amps * house.file.household.nominal_volts
    watch = with_power(before, told_watts, watts, at)
    if watch is before:
        return state, ()
    state = replace(state, phase_watch=watch)
    if not watch.keeps_all:
        return state, ()
    state = replace(state, plan_stale=True)
    return raise_alert(
        state, ALL_PHASES, charge_point=state.charge_point, told=told_watts, watts=watts
    )


def _with_last_reading(
    state: PointState, told_amps: float, now: datetime, house: House
) -> CurrentWatch:
    """Take up the last reading, if that has not been done: its amperes, or else its power."""
    watch, amps, watts = state.current_watch, state.amps, state.watts
    at = max((at for at in (state.amps_at, state.watts_at) if at is not None), default=None)
    if at is None or at == watch.read_at:
        return watch
    point = house.file.charge_points[state.charge_point]
    waits = FOLLOWS_WITHIN + timedelta(seconds=point.delays_itself_seconds)
    if watch.judged_from is not None and watch.judged_from > now + waits:
        watch = with_command(watch, now, is_lower=True)  # the clock was put back
    if state.amps_at is None or at - state.amps_at >= LONGEST_GAP:
        amps = None
    elif state.amps_at < at:
        return watch  # the power alone was read, of a meter that also reports amperes
    elif state.watts_at is None or at - state.watts_at > SAME_READING:
        watts = None
    on_one = is_on_one(state)
    measured = measured_current(house.file, state.charge_point, amps, watts, on_one=on_one)
    if measured is None:
        return watch
    return replace(with_reading(watch, told_amps, measured, min(at, now)), read_at=at)


# --- the command is followed ------------------------------------------------------------------


def _followed(state: PointState, command: CommandInForce, response: Response) -> PointState:
    flowed = response.flowed or command.do == "start"
    if (response.flowed, response.wrong_since, response.repeats) != (flowed, None, 0):
        followed = replace(response, flowed=flowed, wrong_since=None, repeats=0)
        state = replace(state, response=followed)
    state = clear_alerts(state, ClearedBy.POWER_AS_COMMANDED)
    # A stop that is followed proves nothing: power may still not flow after the next start.
    return clear_alerts(state, ClearedBy.POWER_FLOWS) if command.do == "start" else state


def _measure_share(
    state: PointState, command: CommandInForce, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Measure what share of the expected power flows; once it has lasted, plan with it."""
    share, at = _share(state, command, house), state.watts_at
    if share is None or at is None:
        return state, ()
    known = state.actual_share
    if _same(share, known.planned):
        settled = ActualShare(known.planned)
        return state if known == settled else replace(state, actual_share=settled), ()
    if known.measured is None or known.measured_since is None or not _same(share, known.measured):
        return replace(state, actual_share=ActualShare(known.planned, share, at)), ()
    if at - known.measured_since < _patience(state, house):
        return state, ()
    note = Note("power-differs", {"charge_point": state.charge_point, "share": round(share, 2)})
    return replace(state, actual_share=ActualShare(share), plan_stale=True), (note,)


def _share(state: PointState, command: CommandInForce, house: House) -> float | None:
    """Return the share of the expected power that flows; None if it can't be measured."""
    vehicle = vehicle_of(state, house.file)
    if vehicle is None or command.amps is None or state.watts is None or state.watts_at is None:
        return None
    if is_on_one(state):
        return None  # the share is that of the power on all phases
    excess = state.current_watch.excess
    amps = command.amps if excess is None else excess.taken_amps
    # Below the highest current, the share does not show a limit of the vehicle's own.
    if amps < (1 - TOLERANCE) * highest_amps(house.file, state.charge_point, vehicle):
        return None
    model = charge_model(house.file, vehicle)
    soc = counted_soc_percent(state, house.file, state.watts_at) or 0.0
    expected_kw = model.metered_kw(model.stored_kwh(soc), amps)
    return state.watts / 1000 / expected_kw if expected_kw > 0 else None


def _same(share: float, other: float) -> bool:
    return abs(share - other) <= TOLERANCE * other


# --- the command is not followed --------------------------------------------------------------


def _not_followed(
    state: PointState, command: CommandInForce, response: Response, now: datetime, house: House
) -> Confirmed:
    if command.do == "start" and EQUIPMENT_PAUSES in state.alerts:
        return Confirmed(
            replace(state, response=replace(response, wrong_since=None, repeats=0)), ()
        )
    if response.wrong_since is None:
        # A start that nothing has followed is wrong since it was sent; power that was right before
        # is wrong since now.
        begun = response.since if command.do == "start" and not response.flowed else now
        response = replace(response, wrong_since=begun)
        state = replace(state, response=response)
    due = _due(state, response, house)
    if due is None or now < due:
        return Confirmed(state, ())
    if command.do == "start" and response.repeats >= ALERT_AFTER:
        return Confirmed(*_ended_by_itself(state, now, house))
    repeats = response.repeats + 1
    state = replace(state, response=replace(response, repeats=repeats))
    if repeats != ALERT_AFTER or (command.do == "start" and response.flowed):
        return Confirmed(state, (), repeat=True)
    return Confirmed(*_warn(state, command, house), repeat=True)


def _due(state: PointState, response: Response, house: House) -> datetime | None:
    """Return when to act on power that contradicts the command; None if all has been tried."""
    command, wrong_since = state.command, response.wrong_since
    if command is None or wrong_since is None:
        return None
    if command.do == "start" and not response.flowed and response.repeats >= ALERT_AFTER:
        return None
    wait: timedelta = _patience(state, house) * 2**response.repeats
    wait = min(wait, LONGEST_WAIT) if command.do == "stop" else wait
    return max(response.since, wrong_since) + wait


def _ended_by_itself(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """End the plan of a vehicle that takes no more; warn if it needs more."""
    wishes = replace(state.wishes, charge_now=False)
    state = replace(state, stopped_itself=True, wishes=wishes)
    departure = departure_of(state, house.file, now)
    soc = counted_soc_percent(state, house.file, now)
    if departure is None or soc is None or soc >= departure.need_percent - NEED_TOLERANCE_PERCENT:
        return state, (Note("ended-by-itself", {"charge_point": state.charge_point}),)
    return raise_alert(
        state,
        ENDED_SHORT,
        vehicle=departure.vehicle,
        soc_percent=soc,
        need_percent=departure.need_percent,
    )


def _warn(
    state: PointState, command: CommandInForce, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    point = state.charge_point
    if command.do == "stop":
        flowing = watts_of(state)
        watts = f" ({flowing:.0f} W)" if flowing else ""
        return raise_alert(state, POWER_AFTER_STOP, charge_point=point, watts=watts)
    name = vehicle_of(state, house.file) or "a vehicle"
    reasons = {
        "B": f"{name} is connected and draws nothing. It may be full, or wait for its own timer.",
        "C": f"{name} is ready, and the charge point gives nothing.",
        "D": f"{name} is ready, and the charge point gives nothing.",
    }
    reason = reasons.get(state.pilot or "", "the charge point or the vehicle is silent.")
    return raise_alert(state, NO_POWER, charge_point=point, reason=reason)


def _check_meter(
    state: PointState, command: CommandInForce, response: Response, now: datetime, house: House
) -> Confirmed:
    """Warn of a meter that has sent nothing for long while the vehicle should charge."""
    read_at = _meter_since(state, response, house) if command.do == "start" else None
    if read_at is None or now < max(read_at, response.since) + LONGEST_GAP:
        return Confirmed(state, ())
    since = nearest_minute(read_at, UTC)
    return Confirmed(*raise_alert(state, NO_READING, charge_point=state.charge_point, since=since))


# --- what the meter shows ---------------------------------------------------------------------


def _power_flows(state: PointState, response: Response, now: datetime) -> bool | None:
    """Whether power flows since the command was sent; None if the meter does not show it."""
    read_at = _last_reading_at(state)
    if read_at is None:
        return None
    if state.idle_since is not None and state.idle_since > response.since:
        return False
    if now - read_at >= LONGEST_GAP:
        return None
    if state.watts is not None and state.watts_at is not None:
        return state.watts > FLOWING_WATTS if state.watts_at > response.since else None
    return _register_shows_power(state, response)


def _register_shows_power(state: PointState, response: Response) -> bool | None:
    register = state.register
    if register is None or response.register_wh is None or register.at <= response.since:
        return None
    if register.register_wh - response.register_wh > BEGUN_WH:
        return True
    return False if register.at >= response.since + LONGEST_GAP else None


def _reports_a_charge(state: PointState, house: House) -> bool:
    """Whether equipment says that it charges after a stop. In OCPP, C is no mere readiness."""
    speaks_ocpp = house.file.charge_points[state.charge_point].ocpp is not None
    is_stopped = state.command is not None and state.command.do == "stop"
    return speaks_ocpp and is_stopped and state.pilot == "C"


def _meter_since(state: PointState, response: Response, house: House) -> datetime | None:
    """Return when the meter was read last; since the command if the file wires one never heard."""
    wiring = house.file.charge_points[state.charge_point].wiring
    hear = wiring.hear if wiring is not None else None
    has_meter = hear is not None and hear.measures
    return _last_reading_at(state) or (response.since if has_meter else None)


def _last_reading_at(state: PointState) -> datetime | None:
    read_at = state.register.at if state.register else None
    return max((at for at in (read_at, state.watts_at) if at is not None), default=None)


def _patience(state: PointState, house: House) -> timedelta:
    point = house.file.charge_points[state.charge_point]
    return timedelta(seconds=point.confirm_seconds + point.delays_itself_seconds)
