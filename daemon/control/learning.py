"""Change the state of a charge point by what an event says. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.alerts import (
    ALERTS,
    NO_ANSWER,
    REGISTER_FALLS,
    ClearedBy,
    clear_alerts,
    raise_alert,
)
from daemon.control.events import (
    Action,
    BusConnected,
    CurrentAllotted,
    Delivered,
    EquipmentHealth,
    Event,
    HardwareChanged,
    HouseChanged,
    HouseholdHealth,
    MeterRead,
    Note,
    PersonAsked,
    TimePassed,
    VehicleReported,
)
from daemon.control.state import (
    FAULTS,
    FLOWING_WATTS,
    LONGEST_GAP,
    NEARLY_PERCENT,
    ActualShare,
    OtherVehicle,
    SocFact,
    counted_soc_percent,
    is_charging,
    register_wh_at,
    soc_to_plan_percent,
    speaks_for_household,
    vehicle_of,
    vehicles_of,
    with_commanded,
)
from daemon.control.undelivered import check_delivery
from daemon.control.unreported_soc import left_with_now
from daemon.control.wishes import wishes_with, without_past
from planners.accounts.register import ALLOWANCE, RegisterReading
from planners.local_time.departures import assumed_plugged_in
from planners.local_time.wished_departures import declared_near
from planners.power.excess_current import PhaseWatch

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.messages import Reading, Request, VehicleReport
    from config.household.equipment import ChargePoint
    from daemon.control.state import House, PointState

CONNECTED = frozenset("BCD")
"""Pilot states with a vehicle (IEC 61851-1): connected, charging, charging with ventilation."""

IDLE = frozenset("AB")
"""Pilot states in which no power flows: no vehicle, or one that does not charge (IEC 61851-1)."""

NEWS_PERCENT = 0.5
"""A reported state of charge this far from the counted one makes a new plan necessary."""

FALLS_THAT_COUNT = 3
"""A register that falls so often without rising in between runs backwards."""

AHEAD = timedelta(minutes=10)
"""A message dated further ahead is ignored: no clock is that wrong."""

CLOCKS_DIFFER = timedelta(minutes=1)
"""The most by which the hardware's clock is corrected between two readings."""

JUST_EXPIRED = timedelta(minutes=1)
"""A start that expired so short a time ago is still in progress: this step may be a little late."""

LONGEST_ALONE = timedelta(days=2)
"""Equipment that speaks OCPP charges no longer than this without the daemon."""

OLD_SOC = timedelta(hours=12)
"""A state of charge older than this is dropped when a vehicle arrives."""


def learn(
    state: PointState, event: Event, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Change the state by what an event says.

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

    Returns
    -------
    state : PointState
        What is known now; with `plan_stale` if the plan must be made again.
    actions : tuple of Action
        Warnings and notes.
    """
    state = _switched_until(state, now, house)
    wishes = without_past(state.wishes, now, house.file)
    state = state if wishes == state.wishes else replace(state, wishes=wishes, plan_stale=True)
    state, by_hours = _presence_by_hours(state, now, house)
    actions: tuple[Action, ...] = ()
    match event:
        case MeterRead(reading):
            state, actions = _on_reading(state, reading, now, house)
        case VehicleReported(report):
            state, actions = _on_report(state, report, now, house)
        case PersonAsked(request):
            state = _on_request(state, request, now, house)
        case Delivered():
            state, actions = check_delivery(state, event)
        case HouseholdHealth() | EquipmentHealth() | HardwareChanged():
            state, actions = _on_health(state, event, now, house)
        case HouseChanged() | CurrentAllotted():
            state = _on_house_change(state, event, house)
        case TimePassed() | BusConnected():
            pass
    return state, (*by_hours, *actions)


def expires_after(point: ChargePoint) -> timedelta:
    """Return how long after its expiry a start that nobody extended has ended for sure."""
    # Equipment that speaks OCPP has the plan, and follows it without the daemon.
    return JUST_EXPIRED if point.ocpp is None else LONGEST_ALONE


def _switched_until(state: PointState, now: datetime, house: House) -> PointState:
    """End the run of a start that has expired: the hardware has stopped by itself since."""
    command, switches = state.command, state.switches.until(now)
    ended = now - expires_after(house.file.charge_points[state.charge_point])
    if command is None or command.do == "stop" or command.valid_until >= ended:
        return state if switches == state.switches else replace(state, switches=switches)
    off = switches.switched_off(command.valid_until)
    state = with_commanded(state, house.file, command.valid_until)
    return replace(state, command=None, response=None, switches=off, plan_stale=True)


def _on_health(
    state: PointState,
    event: HouseholdHealth | EquipmentHealth | HardwareChanged,
    now: datetime,
    house: House,
) -> tuple[PointState, tuple[Action, ...]]:
    if isinstance(event, HardwareChanged):
        return _on_hardware_change(state, event, now)
    return _on_trouble(state, event, house)


def _on_trouble(
    state: PointState, health: HouseholdHealth | EquipmentHealth, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Warn of trouble with the household or the equipment, or clear the alert when it is over."""
    if isinstance(health, HouseholdHealth) and not speaks_for_household(state, house):
        return state, ()
    if health.trouble is not None:
        point = state.charge_point
        return raise_alert(state, health.code, reason=health.trouble, charge_point=point)
    over = (Note("alert is over", {"code": health.code}),) if health.code in state.alerts else ()
    return clear_alerts(state, ALERTS[health.code].cleared_by[0]), over


def _on_hardware_change(
    state: PointState, event: HardwareChanged, now: datetime
) -> tuple[PointState, tuple[Action, ...]]:
    """Forget the values of hardware that is gone; warn if it does not answer."""
    if event.available is False:
        state = replace(
            state, watts=None, watts_at=None, amps=None, amps_at=None,
            gone_since=state.gone_since or now,
        )  # fmt: skip
    elif event.available is True:
        state = clear_alerts(replace(state, gone_since=None), ClearedBy.HARDWARE_BACK)
    if event.trouble is None:
        return state, ()
    if not event.trouble:
        return clear_alerts(state, ClearedBy.ANSWER), ()
    return raise_alert(state, NO_ANSWER, charge_point=state.charge_point, reason=event.trouble)


def _on_house_change(
    state: PointState, event: HouseChanged | CurrentAllotted, house: House
) -> PointState:
    """Plan again; a new file may also change what is known of the vehicle."""
    state = replace(state, plan_stale=True)
    if event != HouseChanged("file"):
        return state
    state = replace(state, stopped_itself=False, actual_share=ActualShare())
    if house.file.charge_points[state.charge_point].phase_switching_seconds is not None:
        return state
    return clear_alerts(replace(state, phase_watch=PhaseWatch()), ClearedBy.NEVER_SWITCHED)


def _presence_by_hours(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Believe the file's hours of a vehicle's presence if the hardware does not report it."""
    point = house.file.charge_points[state.charge_point]
    if point.plugged_in is None or state.pilot is not None:
        return state, ()
    return set_presence(state, now, house, there=assumed_plugged_in(point, now, house.file.zone))


def _presence_by_evidence(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Conclude from power or a report that a vehicle is there, if nothing better shows it."""
    # The file's hours decide alone: with two sources that disagree, presence would flip.
    by_hours = house.file.charge_points[state.charge_point].plugged_in is not None
    if by_hours or state.pilot is not None:
        return state, ()
    return set_presence(state, now, house, there=True)


def set_presence(
    state: PointState, now: datetime, house: House, *, there: bool
) -> tuple[PointState, tuple[Action, ...]]:
    """Let a vehicle come or leave, if that is new.

    Parameters
    ----------
    state : PointState
        What was known before.
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    there : bool
        Whether a vehicle is there.

    Returns
    -------
    state : PointState
        Without what concerned only the one that left.
    actions : tuple of Action
        A note of it.
    """
    if there == state.plugged_in:
        return state, ()
    if there:
        fresh = state.soc is not None and now - state.soc.at < OLD_SOC
        night = state.night
        state = replace(
            state,
            plugged_in=True,
            plan_stale=True,
            stopped_itself=False,
            actual_share=ActualShare(),
            soc=state.soc if fresh else None,
            others=tuple(_kept(other, now) for other in state.others),
            night=night and replace(night, soc_after_percent=None),
        )
        return state, (Note("plugged-in", {"charge_point": state.charge_point}),)
    soc = counted_soc_percent(state, house.file, now)
    night = state.night
    gone = replace(
        state,
        night=night and replace(night, soc_after_percent=soc),
        plugged_in=False,
        plan=None,
        plan_stale=True,
        soc=None,
        watts=None,
        watts_at=None,
        amps=None,
        amps_at=None,
        wishes=replace(state.wishes, charge_now=False),
        left_with=left_with_now(state, now, house.file) or state.left_with,
        stopped_itself=False,
        others=tuple(_left_behind(other) for other in state.others),
    )
    gone = _swap_vehicle(gone, None, house)
    return gone, (Note("unplugged", {"charge_point": state.charge_point}),)


def _on_reading(
    state: PointState, reading: Reading, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    if not _is_news(reading.at, state.register.at if state.register else None, now):
        return state, ()
    actions: tuple[Action, ...] = ()
    state = with_commanded(state, house.file, now)
    before, counted = state, counted_soc_percent(state, house.file, now)
    if reading.register_wh is not None:
        register = RegisterReading(reading.at, reading.register_wh)
        state, actions = _watch_direction(state, register)
        state = _store_register(state, register, now, house)
    if reading.watts is not None:
        is_late = state.idle_since is not None and reading.at < state.idle_since
        state = replace(
            state,
            watts=reading.watts,
            watts_at=reading.at,
            idle_since=state.idle_since if is_late else None,
        )
    if reading.amps is not None:
        state = replace(state, amps=reading.amps, amps_at=reading.at)
    recounted = counted_soc_percent(state, house.file, now)
    if counted is not None and recounted is not None and recounted <= counted - NEWS_PERCENT:
        # Less energy flowed than was extrapolated.
        state = replace(state, plan_stale=True)
    if recounted is not None and _failed_unseen(before, state, recounted):
        state = replace(state, plan_stale=True)
    if reading.watts is not None and reading.watts > FLOWING_WATTS:
        state, came = _presence_by_evidence(state, now, house)
        actions = (*actions, *came)
    return state, actions


def _failed_unseen(before: PointState, after: PointState, soc_percent: float) -> bool:
    """Whether a reading after a silence over a plan's end shows that the plan was missed."""
    # The hardware was out of reach, say. A vehicle of which the last reading in the plan's hours
    # shows no power ended by itself, and gets no further start.
    plan, last, latest = after.plan, before.register, after.register
    if plan is None or not plan.periods or last is None or latest is None or is_charging(after):
        return False
    start, end = plan.periods[0].start, plan.periods[-1].end
    was_silent = last.at < end - LONGEST_GAP and latest.at >= end
    was_on_course = last.at <= start or (before.watts or 0.0) > FLOWING_WATTS
    return was_silent and was_on_course and soc_percent < plan.reaches_percent - NEARLY_PERCENT


def _is_news(at: datetime, latest: datetime | None, now: datetime) -> bool:
    """Whether a message dated `at` may replace the one dated `latest`."""
    # The clock may have been put back since `latest` was believed.
    return at <= now + AHEAD and (latest is None or at >= latest or latest > now + AHEAD)


def _watch_direction(
    state: PointState, reading: RegisterReading
) -> tuple[PointState, tuple[Action, ...]]:
    """Warn of a register that falls again and again; a single fall is a reset, or a slip."""
    before = state.register
    if before is None or reading.register_wh == before.register_wh:
        return state, ()
    if reading.register_wh > before.register_wh:
        state = state if state.register_falls == 0 else replace(state, register_falls=0)
        return clear_alerts(state, ClearedBy.REGISTER_RISES), ()
    state = replace(state, register_falls=state.register_falls + 1)
    if state.register_falls < FALLS_THAT_COUNT:
        return state, ()
    return raise_alert(state, REGISTER_FALLS, charge_point=state.charge_point)


def _store_register(
    state: PointState, reading: RegisterReading, now: datetime, house: House
) -> PointState:
    """Store the register; if it leapt, count the state of charge on from here."""
    soc, before = state.soc, state.register
    if soc is not None and soc.register_wh is None:
        soc = replace(soc, register_wh=reading.register_wh)
    elif soc is not None and before is not None and _leapt(state, before, reading, house):
        percent = counted_soc_percent(state, house.file, now)
        soc = SocFact(
            soc.percent if percent is None else percent, now, "counted", reading.register_wh
        )
        state = replace(state, others=tuple(_uncounted(other) for other in state.others))
    return replace(state, register=reading, soc=soc)


def _leapt(
    state: PointState, before: RegisterReading, reading: RegisterReading, house: House
) -> bool:
    """Whether a register fell (it restarted) or rose by more than can have flowed."""
    point = house.file.charge_points[state.charge_point]
    most_kw = ALLOWANCE * point.max_amps * point.phases * house.file.household.nominal_volts / 1000
    hours = (reading.at - before.at + CLOCKS_DIFFER) / timedelta(hours=1)
    return not 0 <= reading.register_wh - before.register_wh <= 1000 * most_kw * hours


def _on_report(
    state: PointState, report: VehicleReport, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    # A charge point and a vehicle may each report, each by its own clock.
    actions: tuple[Action, ...] = ()
    if report.pilot is not None and _is_news(report.at, state.pilot_at, now):
        state = with_commanded(state, house.file, now)
        over = state.pilot in FAULTS and report.pilot not in FAULTS
        stale = state.plan_stale or over
        idle_since = _idle_since(state, report.pilot, report.at)
        state = replace(
            state,
            pilot=report.pilot,
            pilot_at=report.at,
            idle_since=idle_since,
            plan_stale=stale,
        )
        if report.pilot not in FAULTS:
            state, actions = set_presence(state, now, house, there=report.pilot in CONNECTED)
    if report.soc_percent is not None and _is_news(report.at, state.soc_at, now):
        soc = SocFact(report.soc_percent, report.at, "vehicle", register_wh_at(state, report.at))
        state = _set_soc(replace(state, soc_at=report.at), soc, now, house)
        state, came = _presence_by_evidence(state, now, house)
        actions = (*actions, *came)
    return state, actions


def _idle_since(state: PointState, pilot: str, at: datetime) -> datetime | None:
    """Return since when the pilot shows that no power flows, if it does."""
    if pilot in FAULTS or (pilot in IDLE and (state.pilot is None or state.pilot in IDLE)):
        # Only a change ends the power. Power that flows all the same must not be hidden by a report
        # that only repeats the pilot, or is the first one.
        return state.idle_since
    is_late = state.watts_at is not None and at < state.watts_at
    return at if pilot in IDLE and not is_late else None


def _set_soc(state: PointState, stated: SocFact, now: datetime, house: House) -> PointState:
    counted = soc_to_plan_percent(state, house.file, now)
    assumed = state.soc is None or state.soc.source == "assumed"
    news = counted is None or assumed or abs(stated.percent - counted) >= NEWS_PERCENT
    return replace(state, soc=stated, plan_stale=state.plan_stale or news)


def _on_request(state: PointState, request: Request, now: datetime, house: House) -> PointState:
    state = _switch_vehicle(state, request, house)
    wishes = wishes_with(state.wishes, request, vehicle_of(state, house.file), now, house.file)
    before = state.wishes
    if (wishes.departures, wishes.away_until) != (before.departures, before.away_until):
        state = replace(state, plan=None)  # another target may lie beyond the plan's own departure
    state = replace(state, wishes=wishes, plan_stale=True, stopped_itself=False)
    if request.clear or request.remove is not None:
        state = _without_wish(state, request, house)
    if request.equipment_checked:
        watch = replace(state.current_watch, excess=None, doubt=None)
        state = replace(state, current_watch=watch, phase_watch=PhaseWatch())
        state = clear_alerts(state, ClearedBy.CHECKED)
    if request.soc_percent is not None:
        soc = SocFact(request.soc_percent, now, "person", register_wh_at(state, now))
        state = _set_soc(state, soc, now, house)
    return state


def _without_wish(state: PointState, request: Request, house: House) -> PointState:
    """Give the departure of the night in progress the file's need again, if its wish is gone."""
    departure = state.night.departure if state.night is not None else None
    if state.night is None or departure is None or departure.wish is None:
        return state
    if not request.clear and request.remove != departure.wish:
        return state
    declared = declared_near(house.file, departure.vehicle, departure.instant)
    need = 0.0 if declared is None else declared.need_percent
    departure = replace(departure, need_percent=need, wish=None)
    return replace(state, night=replace(state.night, departure=departure))


def _switch_vehicle(state: PointState, request: Request, house: House) -> PointState:
    """Switch to the vehicle that a person names."""
    name = request.vehicle
    users = vehicles_of(house.file, state.charge_point)
    if name is None or name not in users or name == vehicle_of(state, house.file):
        return state
    # What the night's account knows of the vehicle before is not true of this one.
    night = state.night
    if night is not None and (state.plugged_in or night.plugged_since is None):
        night = replace(night, vehicle=name, soc_before_percent=None)
    # A wish belongs to the vehicle: what is to charge at once is the one that was there before.
    wishes = replace(state.wishes, charge_now=state.wishes.charge_now and not state.plugged_in)
    return replace(
        _swap_vehicle(state, name, house), plan=None, night=night, actual_share=ActualShare(),
        wishes=wishes,
    )  # fmt: skip


def _swap_vehicle(state: PointState, name: str | None, house: House) -> PointState:
    """Set aside what is known of the present vehicle, and take up what is known of another."""
    before = vehicle_of(state, house.file)
    after = vehicle_of(replace(state, vehicle=name), house.file)
    state = replace(state, vehicle=name)
    if before is None or after is None or before == after:
        return state
    known = {other.name: other for other in state.others}
    taken_up = known.pop(after, OtherVehicle(after))
    # Reports and the meter's count are of the vehicle that is really there, whatever it is called.
    reported = state.soc if state.soc is not None and state.soc.source == "vehicle" else None
    is_the_same = state.plugged_in and state.pilot is not None
    soc = taken_up.soc
    if reported is not None and is_the_same and (soc is None or soc.at < reported.at):
        soc = reported
    stated = state.soc if state.soc is not None and state.soc.source == "person" else None
    aside = OtherVehicle(before, reported if is_the_same and reported else stated, state.left_with)
    # Without a pilot state nobody knows whether the cable went to another vehicle in between.
    known[before] = _uncounted(aside) if state.pilot is None else aside
    return replace(state, soc=soc, left_with=taken_up.left_with, others=tuple(known.values()))


def _kept(other: OtherVehicle, now: datetime) -> OtherVehicle:
    """Drop what a person said of another vehicle too long before one is plugged in."""
    is_old = other.soc is not None and now - other.soc.at >= OLD_SOC
    return replace(other, soc=None) if is_old else other


def _uncounted(other: OtherVehicle) -> OtherVehicle:
    """Keep a vehicle's state of charge as it was given, whatever flows afterwards."""
    return replace(other, soc=other.soc and replace(other.soc, register_wh=None))


def _left_behind(other: OtherVehicle) -> OtherVehicle:
    """Keep what a person said of a vehicle that was not there when the present one left."""
    said = other.soc is not None and other.soc.source == "person"
    left_with = (_uncounted(other).soc if said else None) or other.left_with
    return replace(other, soc=None, left_with=left_with)
