"""Answer a person's request: what happens now, or why it is refused. Pure."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.state import vehicles_of
from planners.accounts.money import format_money

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from adapters.contract.messages import Request
    from daemon.control.state import House, PointState
    from planners.plan.plan import Plan

_WEEKDAY_ONLY = timedelta(days=6)
"""An instant further away is written with its date, a nearer one with its weekday."""


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
    for key, instant in (("by", request.by), ("skip_until", request.skip_until)):
        if instant is not None and instant <= now:
            local = instant.astimezone(house.file.zone)
            return f"{key}: {local:%Y-%m-%d %H:%M} has passed"
    return None


def answer_of(state: PointState, now: datetime, house: House) -> str:
    """Return in plain words what happens at a charge point from now on.

    Parameters
    ----------
    state : PointState
        Its state, including the request.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    str
        A few sentences.
    """
    return " ".join(_sentences(state, now, house))


def _sentences(state: PointState, now: datetime, house: House) -> Iterator[str]:
    zone, plan, command = house.file.zone, state.plan, state.command
    if not state.plugged_in:
        yield f"No vehicle is plugged in at {state.charge_point}. Your request counts once one is."
        return
    if command is not None and command.do == "start":
        yield f"Charges now at {command.amps:g} A: {command.why}."
    elif plan is None or not any(period.end > now for period in plan.periods):
        yield f"Does not charge: {command.why if command else 'nothing is planned'}."
    skip = state.wishes.skip_until
    if skip is not None and skip > now:
        yield f"Nothing is charged before {_when(skip, now, zone)}."
    if plan is not None:
        yield from _plan_sentences(plan, now, zone)


def _plan_sentences(plan: Plan, now: datetime, zone: ZoneInfo) -> Iterator[str]:
    start = next((period.start for period in plan.periods if period.start > now), None)
    if start is not None:
        yield f"The next start is {_when(start, now, zone)}."
    by = _when(plan.departure, now, zone)
    if not plan.periods:
        yield f"The battery holds {plan.soc_percent:.0f} %, which is enough for {by}."
        return
    cost = format_money(plan.cost, plan.currency)
    yield (
        f"The plan takes {plan.energy_kwh:.2f} kWh for {cost} and reaches"
        f" {plan.reaches_percent:.0f} % by {by}."
    )
    if plan.shortfall is not None:
        yield f"That is short of the {plan.need_percent:.0f} % needed."


def _when(instant: datetime, now: datetime, zone: ZoneInfo) -> str:
    local = instant.astimezone(zone)
    near = abs(instant - now) < _WEEKDAY_ONLY
    return f"{local:%a %H:%M}" if near else f"{local:%a %d %b %Y %H:%M}"
