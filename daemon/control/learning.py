"""How an event changes what is known of a charge point. Pure, like the controller it is part of."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Literal

from daemon.control.alerts import LEDGER_REFUSES, ClearedBy, clear_alerts, raise_alert
from daemon.control.delivery import check_delivery
from daemon.control.events import (
    Action,
    BusConnected,
    Delivered,
    Event,
    HouseChanged,
    LedgerHealth,
    MeterRead,
    Note,
    PersonAsked,
    TimePassed,
    VehicleReported,
)
from daemon.control.state import (
    FLOWING_WATTS,
    ActualShare,
    SocFact,
    Wishes,
    counted_soc_percent,
    register_wh_at,
    speaks_for_household,
    vehicle_of,
    vehicles_of,
)
from planners.accounts.accounts import ALLOWANCE, RegisterReading
from planners.local_time.departures import assumed_plugged_in

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.messages import Reading, Request, VehicleReport
    from daemon.control.state import House, PointState

CONNECTED = frozenset("BCD")
"""Pilot states with a vehicle (IEC 61851-1): connected, charging, charging with ventilation."""

FAULTS = frozenset("EF")
"""Pilot states that say nothing of a vehicle: no power, or an error."""

NEWS_PERCENT = 0.5
"""A reported state of charge this far from the counted one is news to plan with."""

AHEAD = timedelta(minutes=10)
"""What is dated further in the future than clocks go wrong is not believed."""

CLOCKS_DIFFER = timedelta(minutes=1)
"""Hardware's clock may be put right by so much between two readings."""

OLD_SOC = timedelta(hours=12)
"""A state of charge older than this says nothing of a vehicle that has just arrived."""


def learn(
    state: PointState, event: Event, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Take in what an event says.

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
        What is known now; `plan_stale` where a plan must be made again.
    actions : tuple of Action
        What to note.
    """
    state, came_or_went = _by_the_clock(state, now, house)
    seen: tuple[Action, ...] = ()
    match event:
        case MeterRead(reading):
            state, seen = _read(state, reading, now, house)
        case VehicleReported(report):
            state, seen = _reported(state, report, now, house)
        case PersonAsked(request):
            state = _asked(state, request, now, house)
        case Delivered():
            state, seen = check_delivery(state, event)
        case LedgerHealth():
            state, seen = _ledger_checked(state, event, house)
        case HouseChanged(what):
            state = _house_changed(state, what)
        case TimePassed() | BusConnected():
            pass
    return state, (*came_or_went, *seen)


def _ledger_checked(
    state: PointState, health: LedgerHealth, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Warn of trouble with the ledger, or clear the alert when it is over."""
    if not speaks_for_household(state, house):
        return state, ()
    if health.trouble is not None:
        return raise_alert(state, health.code, reason=health.trouble)
    over = (Note(f"{health.code}-is-over", {}),) if health.code in state.alerts else ()
    by = ClearedBy.LEDGER_WRITTEN if health.code == LEDGER_REFUSES else ClearedBy.BACKUP
    return clear_alerts(state, by), over


def _house_changed(state: PointState, what: Literal["file", "prices"]) -> PointState:
    """Plan again; what a new file says of a vehicle may be news, too."""
    state = replace(state, plan_stale=True)
    return (
        replace(state, stopped_itself=False, actual_share=ActualShare())
        if what == "file"
        else state
    )


def _by_the_clock(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Take a vehicle to be there in the hours that the file says, where hardware can't tell."""
    point = house.file.charge_points[state.charge_point]
    if point.plugged_in is None or state.pilot is not None:
        return state, ()
    return _plugged(state, now, house, there=assumed_plugged_in(point, now, house.file.zone))


def _must_be_there(
    state: PointState, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    """Conclude from its power or its report that a vehicle is there, where nothing else tells."""
    # The hours of the file are the better witness: two that disagree would switch to and fro.
    by_hours = house.file.charge_points[state.charge_point].plugged_in is not None
    if by_hours or state.pilot is not None:
        return state, ()
    return _plugged(state, now, house, there=True)


def _plugged(
    state: PointState, now: datetime, house: House, *, there: bool
) -> tuple[PointState, tuple[Action, ...]]:
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
            night=night
            if night is None or night.closed
            else replace(night, soc_after_percent=None),
        )
        return state, (Note("plugged-in", {"charge_point": state.charge_point}),)
    soc = counted_soc_percent(state, house.file, now)
    night = state.night
    left = None if soc is None else SocFact(soc, now, "counted", None)
    gone = replace(
        state,
        night=night if night is None or night.closed else replace(night, soc_after_percent=soc),
        plugged_in=False,
        plan=None,
        plan_stale=True,
        soc=None,
        watts=None,
        watts_at=None,
        wishes=replace(state.wishes, charge_now=False),
        vehicle=None,
        left_with=left or state.left_with,
        stopped_itself=False,
    )
    return gone, (Note("unplugged", {"charge_point": state.charge_point}),)


def _read(
    state: PointState, reading: Reading, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    if not _is_news(reading.at, state.register.at if state.register else None, now):
        return state, ()
    counted = counted_soc_percent(state, house.file, now)
    if reading.register_wh is not None:
        state = _registered(state, RegisterReading(reading.at, reading.register_wh), now, house)
    if reading.watts is not None:
        state = replace(state, watts=reading.watts, watts_at=reading.at)
    recounted = counted_soc_percent(state, house.file, now)
    if counted is not None and recounted is not None and recounted <= counted - NEWS_PERCENT:
        # Less flowed than was counted on.
        state = replace(state, plan_stale=True)
    if reading.watts is not None and reading.watts > FLOWING_WATTS:
        return _must_be_there(state, now, house)
    return state, ()


def _is_news(at: datetime, latest: datetime | None, now: datetime) -> bool:
    """Whether what is dated `at` is to be believed after what was dated `latest`."""
    # Nor is what was believed before the clock was put back a reason to doubt what comes now.
    return at <= now + AHEAD and (latest is None or at >= latest or latest > now + AHEAD)


def _registered(
    state: PointState, reading: RegisterReading, now: datetime, house: House
) -> PointState:
    """Move the register on; where it leapt, count the state of charge on from here."""
    soc, before = state.soc, state.register
    if soc is not None and soc.register_wh is None:
        soc = replace(soc, register_wh=reading.register_wh)
    elif soc is not None and before is not None and _leapt(state, before, reading, house):
        percent = counted_soc_percent(state, house.file, now)
        soc = SocFact(
            soc.percent if percent is None else percent, now, "counted", reading.register_wh
        )
    return replace(state, register=reading, soc=soc)


def _leapt(
    state: PointState, before: RegisterReading, reading: RegisterReading, house: House
) -> bool:
    """Whether a register fell (it began again), or rose by more than can have flowed."""
    point = house.file.charge_points[state.charge_point]
    most_kw = ALLOWANCE * point.max_amps * point.phases * house.file.household.nominal_volts / 1000
    hours = (reading.at - before.at + CLOCKS_DIFFER) / timedelta(hours=1)
    return not 0 <= reading.register_wh - before.register_wh <= 1000 * most_kw * hours


def _reported(
    state: PointState, report: VehicleReport, now: datetime, house: House
) -> tuple[PointState, tuple[Action, ...]]:
    # A charge point and a vehicle may each report for itself, by its own clock.
    seen: tuple[Action, ...] = ()
    if report.pilot is not None and _is_news(report.at, state.pilot_at, now):
        over = state.pilot in FAULTS and report.pilot not in FAULTS
        stale = state.plan_stale or over
        state = replace(state, pilot=report.pilot, pilot_at=report.at, plan_stale=stale)
        if report.pilot not in FAULTS:
            state, seen = _plugged(state, now, house, there=report.pilot in CONNECTED)
    if report.soc_percent is not None and _is_news(report.at, state.soc_at, now):
        told = SocFact(report.soc_percent, report.at, "vehicle", register_wh_at(state, report.at))
        state = _told_soc(replace(state, soc_at=report.at), told, now, house)
        state, came = _must_be_there(state, now, house)
        seen = (*seen, *came)
    return state, seen


def _told_soc(state: PointState, told: SocFact, now: datetime, house: House) -> PointState:
    counted = counted_soc_percent(state, house.file, now)
    assumed = state.soc is None or state.soc.source == "assumed"
    news = counted is None or assumed or abs(told.percent - counted) >= NEWS_PERCENT
    return replace(state, soc=told, plan_stale=state.plan_stale or news)


def _asked(state: PointState, request: Request, now: datetime, house: House) -> PointState:
    wishes = wishes_with(state.wishes, request)
    state = replace(state, wishes=wishes, plan_stale=True, stopped_itself=False)
    state = _another_vehicle(state, request, house)
    if request.soc_percent is not None:
        told = SocFact(request.soc_percent, now, "person", register_wh_at(state, now))
        state = _told_soc(state, told, now, house)
    return state


def _another_vehicle(state: PointState, request: Request, house: House) -> PointState:
    """Take the vehicle for the one that a person names; of it nothing is known yet."""
    name = request.vehicle
    users = vehicles_of(house.file, state.charge_point)
    if name is None or name not in users or name == vehicle_of(state, house.file):
        return state
    night = state.night and replace(state.night, vehicle=name)
    return replace(
        state, vehicle=name, night=night, soc=None, left_with=None, actual_share=ActualShare()
    )


def wishes_with(wishes: Wishes, request: Request) -> Wishes:
    """Lay what a person asks for over what was asked before.

    Parameters
    ----------
    wishes : Wishes
        What was asked before.
    request : Request
        What is asked now.

    Returns
    -------
    Wishes
        Of charging now and skipping, the one asked for last.
    """
    asked = {
        key: value
        for key in ("want_percent", "need_percent", "by", "charge_now", "skip_until")
        if (value := getattr(request, key)) is not None
    }
    if request.charge_now:
        asked["skip_until"] = None
    if request.skip_until is not None:
        asked["charge_now"] = False
    return replace(Wishes() if request.clear else wishes, **asked)
