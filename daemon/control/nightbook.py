"""Open and close nights, and remember what their accounts need until then. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, cast

from config.fields.value_types import WATT_HOURS_PER_KWH
from daemon.control.alerts import ClearedBy, clear_alerts
from daemon.control.events import CloseNight, LoweredByLoad, NightFacts, Stay
from daemon.control.leaving_late import leaves_late
from daemon.control.state import (
    ActualShare,
    Gap,
    OpenNight,
    counted_soc_percent,
    register_wh_at,
    vehicle_of,
)
from daemon.control.unreported_soc import left_with_now
from planners.local_time.conversion import MINUTE
from planners.local_time.departures import night_bounds, night_of
from planners.power.allowed_currents import charge_model

if TYPE_CHECKING:
    from datetime import datetime

    from daemon.control.events import Action
    from daemon.control.state import House, PointState, SocSource
    from planners.local_time.departures import DepartureAt
    from planners.plan.plan import Plan

LAST_READING = timedelta(minutes=20)
"""How long a night stays open after its end, until a reading shows the register then."""

BEGUN_WH = 50
"""Energy below which charging has not begun [Wh]: until then a new plan replaces the promise."""

LEAVES_WITHIN = timedelta(hours=1)
"""A vehicle that is unplugged so soon after its departure has only left late."""

CORRECTED_PERCENT = 1
"""A state of charge that differs by less corrects nothing [percent]."""


def account_for(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Open a night for a vehicle that is there; close it at the departure and at its end.

    A vehicle that leaves late (`daemon.control.leaving_late`) has its departure when it ends.

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
    state : PointState
        With the night in progress, if any.
    actions : tuple of Action
        A night to close.
    """
    days = house.file.days
    tonight = night_of(now, days)
    actions: tuple[Action, ...] = ()
    night = state.night
    has_left = (
        night is not None
        and night.departure is not None
        and (now >= night.departure.instant and leaves_late(state, house, now) is None)
    )
    if night is not None and has_left:
        state, closing = _close(state, night, now, house)
        state, actions = _end_stay(state, closing.facts, now, house), (closing,)
        night = state.night
    end = night_bounds(night.night, days)[1] if night is not None else now
    if night is not None and night.night != tonight and _is_read_past(state, end, now):
        if not night.closed or _flowed_since(state, night, wh=0):
            state, closing = _close(state, night, end, house)
            actions = (*actions, closing)
        state = replace(state, night=None)
    vehicle = vehicle_of(state, house.file)
    if state.night is None and state.plugged_in and vehicle is not None:
        state = replace(state, night=OpenNight(tonight, vehicle, now), plan_stale=True)
    elif state.night is not None:
        night = _after_departure(state, state.night, vehicle, now)
        night = _by_vehicle(state, night, vehicle, now)
        state = state if night is state.night else replace(state, night=night)
    night = state.night
    if night is not None and night.accounted_wh is None and state.register is not None:
        state = replace(state, night=replace(night, accounted_wh=state.register.register_wh))
    return state, actions


def open_night_planned(
    state: PointState, departure: DepartureAt, plan: Plan, house: House
) -> PointState:
    """Remember the cost that a plan promises, as long as charging has not begun.

    If the state of charge is corrected before energy flows, the promise is made again.

    Parameters
    ----------
    state : PointState
        With the state of charge that the plan starts from.
    departure : DepartureAt
        The departure that was planned for.
    plan : Plan
        The plan.
    house : House
        The household file and the rates.

    Returns
    -------
    PointState
        With the night's departure and, before charging, the promised cost.
    """
    night = state.night
    if night is None:
        return state
    is_open = not night.starts and (
        night.soc_before_percent is None or not _flowed_since(state, night, wh=BEGUN_WH)
    )
    if is_open or _is_corrected(state, night):
        night = replace(
            night,
            soc_before_percent=plan.soc_percent,
            soc_from=state.soc.source if state.soc else "assumed",
            planned_cost=_cost_until(plan, night_bounds(night.night, house.file.days)[1]),
        )
    elif night.soc_before_percent is None:  # another vehicle was named while energy flowed
        before = plan.soc_percent - _gained_percent(state, night, plan, house)
        night = replace(
            night,
            soc_before_percent=max(0.0, before),
            soc_from=state.soc.source if state.soc else "assumed",
        )
    return replace(state, night=replace(night, departure=departure))


def facts_of(state: PointState, night: OpenNight, at: datetime, house: House) -> NightFacts:
    """Return what is known of a night at an instant.

    Parameters
    ----------
    state : PointState
        What is known of its charge point.
    night : OpenNight
        The night in progress.
    at : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    NightFacts
        As if the night were closed at that instant.
    """
    if night.soc_after_percent is None:
        night = replace(night, soc_after_percent=counted_soc_percent(state, house.file, at))
    lowered = None if night.lowered is None else night.lowered.ended(at)
    return NightFacts(night.night, state.charge_point, stays_until(night, at), at, lowered)


def stays_until(night: OpenNight, at: datetime) -> tuple[Stay, ...]:
    """Return the stays of a night, the one in progress last.

    Parameters
    ----------
    night : OpenNight
        The night in progress.
    at : datetime
        UTC; a departure that comes later has no need yet.

    Returns
    -------
    tuple of Stay
        At least one.
    """
    if night.plugged_since is None:
        return night.stays
    departure = night.departure
    due = departure if departure is not None and departure.instant <= at else None
    in_progress = Stay(
        vehicle=night.vehicle,
        plugged_since=min(night.plugged_since, at),
        departure=departure.instant if departure else None,
        need_percent=due.need_percent if due else 0.0,
        want_percent=due.want_percent if due else 0.0,
        soc_before_percent=night.soc_before_percent,
        soc_after_percent=night.soc_after_percent,
        soc_from=night.soc_from,
        planned_cost=night.planned_cost,
        starts=night.starts,
        left_at=at if due and MINUTE <= at - due.instant <= LEAVES_WITHIN else None,
    )
    return (*night.stays, in_progress)


def lowered_by_load(
    state: PointState, amps: float, load_amps: float | None, now: datetime
) -> PointState:
    """Record in the night whether the home's live load leaves less than is wanted.

    Parameters
    ----------
    state : PointState
        What is known.
    amps : float
        The current that it leaves for the command [A per phase]; 0 for a stop.
    load_amps : float or None
        What the rest of the home draws [A]; None if it leaves enough.
    now : datetime
        UTC.

    Returns
    -------
    PointState
        With the time and the currents in its night.
    """
    night = state.night
    if night is None or (load_amps is None and (night.lowered is None or not night.lowered.since)):
        return state
    before = night.lowered or LoweredByLoad(0.0, amps, load_amps or 0.0)
    if load_amps is None:
        lowered = before.ended(now)
    else:
        lowered = replace(
            before,
            least_amps=min(before.least_amps, amps),
            load_amps=max(before.load_amps, load_amps),
            since=before.since or now,
        )
    return replace(state, night=replace(night, lowered=lowered))


def _close(
    state: PointState, night: OpenNight, at: datetime, house: House
) -> tuple[PointState, CloseNight]:
    wh = state.register.register_wh if state.register else None
    closed = replace(night, closed=True, accounted_wh=wh)
    return replace(state, night=closed), CloseNight(facts_of(state, night, at, house))


def _after_departure(
    state: PointState, night: OpenNight, vehicle: str | None, now: datetime
) -> OpenNight:
    """Begin the next stay of a night when a vehicle is there, unless it has only left late."""
    if night.plugged_since is None and state.plugged_in and vehicle is not None:
        return replace(night, vehicle=vehicle, plugged_since=now)
    last = night.stays[-1] if night.stays else None
    if last is None or last.departure is None or state.plugged_in:
        return night
    if now >= last.departure + LEAVES_WITHIN:
        return night
    late = replace(last, starts=last.starts + night.starts)
    return _without_stay(replace(night, stays=(*night.stays[:-1], late)))


def _by_vehicle(
    state: PointState, night: OpenNight, vehicle: str | None, now: datetime
) -> OpenNight:
    """End the stay of a vehicle that was unplugged once another one is known to be there."""
    # The same vehicle may be back from an errand, and a person may say later which one it is: what
    # was known at the unplugging is kept, so that the stay can still end then, or go on after all.
    gap = night.gap
    if night.plugged_since is None:
        return night
    if not state.plugged_in:
        return night if gap is not None and gap.ends is None else _with_gap(night, now)
    if gap is None or vehicle is None:
        return night
    if gap.ends is None:
        wh = None if state.register is None else state.register.register_wh
        gap = replace(gap, ends=now, ends_wh=wh)
        night = replace(night, gap=gap)
    is_ended, is_another = night.stays[-1:] == (gap.stay,), vehicle != gap.stay.vehicle
    if is_ended == is_another:
        return night
    return _divided(night, gap, vehicle) if is_another else _rejoined(night, gap)


def _with_gap(night: OpenNight, now: datetime) -> OpenNight:
    """Keep what is known of the stay in progress as its vehicle is unplugged."""
    (*_, stay) = stays_until(replace(night, departure=None), now)
    gap = Gap(replace(stay, left_at=now), night.accounted_wh, closed=night.closed)
    return replace(night, gap=gap)


def _divided(night: OpenNight, gap: Gap, vehicle: str) -> OpenNight:
    """End the stay at its unplugging, and begin that of another vehicle at the next plug-in."""
    blank = OpenNight(night.night, vehicle, gap.ends, stays=(*night.stays, gap.stay), gap=gap)
    return replace(
        blank,
        starts=night.starts - gap.stay.starts,
        accounted_wh=gap.ends_wh,
        closed=night.closed and gap.ends_wh == night.accounted_wh,
        lowered=night.lowered,
    )


def _rejoined(night: OpenNight, gap: Gap) -> OpenNight:
    """Let a stay go on that had ended: a person says that the same vehicle is back."""
    stay = gap.stay
    return replace(
        night,
        vehicle=stay.vehicle,
        plugged_since=stay.plugged_since,
        departure=None,
        stays=night.stays[:-1],
        soc_before_percent=stay.soc_before_percent,
        soc_from=cast("SocSource", stay.soc_from),
        planned_cost=stay.planned_cost,
        starts=stay.starts + night.starts,
        accounted_wh=gap.begins_wh,
        closed=gap.closed,
    )


def _without_stay(night: OpenNight) -> OpenNight:
    blank = OpenNight(night.night, night.vehicle, None)
    return replace(
        blank,
        stays=night.stays,
        accounted_wh=night.accounted_wh,
        closed=night.closed,
        lowered=night.lowered,
    )


def _end_stay(state: PointState, facts: NightFacts, now: datetime, house: House) -> PointState:
    """Begin again for the next departure."""
    night = state.night and _without_stay(replace(state.night, stays=facts.stays))
    if state.pilot is None:
        # Hardware that reports no pilot state will not say that the vehicle has left, and the hours
        # in which one is assumed may go on: what it left with is known now.
        left = left_with_now(state, now, house.file) or state.left_with
        state = replace(state, soc=None, left_with=left)
    state = clear_alerts(state, ClearedBy.VEHICLE_GONE)
    return replace(
        state,
        wishes=replace(state.wishes, charge_now=False),
        plan=None,
        plan_stale=True,
        stopped_itself=False,
        actual_share=ActualShare(),
        plugged_in=state.plugged_in and state.pilot is not None,
        night=night,
    )


def _is_read_past(state: PointState, end: datetime, now: datetime) -> bool:
    """Whether the meter was read after the end of a night, or the wait for that is over."""
    return now >= end + LAST_READING or (state.register is not None and state.register.at >= end)


def _is_corrected(state: PointState, night: OpenNight) -> bool:
    """Whether a person or the vehicle gave another state of charge before energy flowed."""
    soc, before = state.soc, night.soc_before_percent
    if soc is None or before is None or soc.source not in {"vehicle", "person"}:
        return False
    if soc.register_wh is None or night.accounted_wh is None:
        return False
    is_other = soc.source != night.soc_from or abs(soc.percent - before) >= CORRECTED_PERCENT
    return is_other and abs(soc.register_wh - night.accounted_wh) <= BEGUN_WH


def _gained_percent(state: PointState, night: OpenNight, plan: Plan, house: House) -> float:
    """Return by how much the meter has raised the state of charge since the night was opened."""
    wh = register_wh_at(state, plan.made_at)
    if wh is None or night.accounted_wh is None:
        return 0.0
    model = charge_model(house.file, plan.vehicle)
    metered_kwh = max(0, wh - night.accounted_wh) / WATT_HOURS_PER_KWH
    return model.soc_percent(metered_kwh * model.full_power_efficiency)


def _cost_until(plan: Plan, end: datetime) -> float:
    """Return what a plan's charging costs up to the end of a night [currency]."""
    return sum(
        period.cost * min(1.0, (end - period.start) / (period.end - period.start))
        for period in plan.periods
        if period.start < end
    )


def _flowed_since(state: PointState, night: OpenNight, *, wh: int) -> bool:
    """Whether more than `wh` flowed since the night was opened or last accounted for."""
    if state.register is None or night.accounted_wh is None:
        return state.register is not None
    return abs(state.register.register_wh - night.accounted_wh) > wh
