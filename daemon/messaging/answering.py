"""Answer a person's request: what happens now, or why it is refused. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.control.replanning import plan_now
from daemon.control.state import departure_of, vehicle_of, vehicles_of
from daemon.messaging.status import next_start
from planners.accounts.money import format_money
from planners.local_time.wished_departures import coming_departures, declared_near
from planners.power.charging import NEED_TOLERANCE_PERCENT

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from zoneinfo import ZoneInfo

    from adapters.contract.messages import Request
    from config.household.household_file import HouseholdFile
    from daemon.control.state import House, PointState
    from planners.local_time.departures import DepartureAt
    from planners.local_time.wished_departures import Wish
    from planners.plan.plan import Plan

_WEEKDAY_ONLY = timedelta(days=6)
"""An instant further away is written with its date, a nearer one with its weekday."""


_MOST_KEPT = 3
"""Of the first departures that a wish leaves as they are, an answer names this many."""


def refusal_reason(request: Request, charge_point: str, now: datetime, house: House) -> str | None:
    """Return why a well-formed request can't be obeyed, if it can't.

    Parameters
    ----------
    request : Request
        The request.
    charge_point : str
        The charge point that it is for.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    str or None
        One line; None if it can be obeyed.
    """
    users = vehicles_of(house.file, charge_point)
    if request.vehicle is not None and request.vehicle not in users:
        known = ", ".join(users) or "none, as no vehicle of the file uses this charge point"
        return f"vehicle: expected one of {known}, got {request.vehicle!r}"
    for key in ("by", "skip_until", "away_until"):
        instant = getattr(request, key)
        if instant is not None and instant <= now:
            local = instant.astimezone(house.file.zone)
            return f"{key}: {local:%Y-%m-%d %H:%M} has passed"
    return None


def refusal_by_state(
    request: Request, state: PointState, now: datetime, house: House
) -> str | None:
    """Return why a request can't be obeyed after what was asked for before, if it can't.

    Parameters
    ----------
    request : Request
        The request.
    state : PointState
        The state of the charge point that it is for.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    str or None
        One line; None if it can be obeyed.
    """
    away = request.away_until or state.wishes.away_until
    if request.clear:
        away = request.away_until
    if request.by is not None and away is not None and request.by < away:
        by, until = (_when(instant, now, house.file.zone) for instant in (request.by, away))
        return f"by: {by} is in the time away, which ends {until}"
    if request.stop and departure_of(state, house.file, now) is None:
        return "stop: no departure is declared; say until when with skip_until"
    return _unknown_wish(request, state)


def _unknown_wish(request: Request, state: PointState) -> str | None:
    """Return why a wish can't be cancelled: there is none with this id."""
    known = [wish.id for wish in state.wishes.departures]
    if request.remove is None or request.remove in known:
        return None
    if not known:
        return f"remove: there is no wish, got {request.remove!r}"
    return f"remove: expected one of {', '.join(known)}, got {request.remove!r}"


def answer_of(
    state: PointState, now: datetime, house: House, request: Request | None = None
) -> str:
    """Return in plain words what happens at a charge point from now on.

    Parameters
    ----------
    state : PointState
        Its state, including the request.
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    request : Request, optional
        The request.

    Returns
    -------
    str
        A few sentences.
    """
    sentences = [*_sentences(state, now, house), *_departure_sentences(state, now, house)]
    if request is not None and request.remove is not None:
        sentences.insert(0, f"Wish {request.remove} is cancelled.")
    return " ".join(sentences)


def _sentences(state: PointState, now: datetime, house: House) -> Iterator[str]:
    zone, plan, command = house.file.zone, plan_now(state, now, house), state.command
    away = state.wishes.away_until
    if away is not None and away > now:
        yield f"Away until {_when(away, now, zone)}: no departure before that counts."
    if not state.plugged_in:
        yield f"No vehicle is plugged in at {state.charge_point}. Your request counts once one is."
        yield from _skip_sentence(state, now, zone)
        return
    if command is not None and command.do == "start":
        yield f"Charges now at {command.amps:g} A: {command.why}."
    elif plan is None or not any(period.end > now for period in plan.periods):
        yield f"Does not charge: {command.why if command else 'nothing is planned'}."
    yield from _skip_sentence(state, now, zone)
    if plan is not None:
        yield from _plan_sentences(plan, now, zone)


def _skip_sentence(state: PointState, now: datetime, zone: ZoneInfo) -> Iterator[str]:
    skip = state.wishes.skip_until
    if skip is not None and skip > now:
        yield f"Nothing is charged before {_when(skip, now, zone)}."


def _plan_sentences(plan: Plan, now: datetime, zone: ZoneInfo) -> Iterator[str]:
    start = next_start(plan, now)
    if start is not None:
        yield f"The next start is {_when(start, now, zone)}."
    by = _when(plan.departure, now, zone)
    if not plan.periods:
        holds = f"The battery holds {plan.soc_percent:.0f} %"
        if plan.shortfall is None:
            yield f"{holds}, which is enough for {by}."
        else:
            needed = f"the {plan.need_percent:.0f} % needed by {by}"
            yield f"{holds}; {plan.shortfall.kwh:.1f} kWh will be missing for {needed}."
        return
    cost = format_money(plan.cost, plan.currency)
    yield (
        f"The plan takes {plan.energy_kwh:.2f} kWh for {cost} and reaches"
        f" {plan.reaches_percent:.0f} % by {by}."
    )
    if plan.shortfall is not None:
        yield f"That is short of the {plan.need_percent:.0f} % needed."
        yield f"{plan.shortfall.kwh:.1f} kWh will be missing."


def _departure_sentences(state: PointState, now: datetime, house: House) -> Iterator[str]:
    """Say what a person's wishes do to each departure up to the last one they are for."""
    vehicle, file, plan = vehicle_of(state, house.file), house.file, state.plan
    wishes = [wish for wish in state.wishes.departures if wish.vehicle == vehicle]
    if vehicle is None or not wishes:
        return
    end = max(wish.by for wish in wishes) + datetime.resolution
    after = state.wishes.next_counts_after(now)
    coming = coming_departures(file, vehicle, after + datetime.resolution, end, wishes)
    planned = {night.departure: night.reaches_percent for night in plan.later} if plan else {}
    shown = [
        departure
        for count, departure in enumerate(coming)
        if count < _MOST_KEPT or departure.wish is not None
    ]
    for departure in shown:
        effect, target = _effect(departure, wishes, file)
        text = f"{_when(departure.instant, now, file.zone)} {effect}"
        reaches = planned.get(departure.instant)
        if plan is None or departure.instant == plan.departure:
            yield f"{text}."
        elif reaches is None:
            yield f"{text}; it is planned later."
        elif reaches < target - NEED_TOLERANCE_PERCENT:
            yield f"{text}; it can only reach {reaches:.0f} %."
        else:
            yield f"{text}; the plan reaches {reaches:.0f} %."
    others = len(coming) - len(shown)
    if others:
        yield f"{others} more before the last wish keep theirs."


def _effect(
    departure: DepartureAt, wishes: Sequence[Wish], file: HouseholdFile
) -> tuple[str, float]:
    """Say what is asked of a departure, and return its target [percent]."""
    wish = next((wish for wish in wishes if wish.id == departure.wish), None)
    if wish is None:
        return f"keeps its {departure.need_percent:.0f} %", departure.need_percent
    is_want = wish.want_percent is not None
    target = departure.want_percent if is_want else departure.need_percent
    declared = declared_near(file, wish.vehicle, wish.by)
    if declared is None:
        return f"is one more departure, with {target:.0f} % (wish {wish.id})", target
    before = declared.want_percent if is_want else declared.need_percent
    if round(before) == round(target):
        return f"has {target:.0f} % (wish {wish.id})", target
    return f"has {target:.0f} % once instead of {before:.0f} % (wish {wish.id})", target


def _when(instant: datetime, now: datetime, zone: ZoneInfo) -> str:
    local = instant.astimezone(zone)
    near = abs(instant - now) < _WEEKDAY_ONLY
    return f"{local:%a %H:%M}" if near else f"{local:%a %d %b %Y %H:%M}"
