"""Find how much of a need can't be met, and what would meet it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import repeat
from math import ceil
from typing import TYPE_CHECKING

from planners.plan.plan import Shortfall
from planners.power.charging import NEED_TOLERANCE_PERCENT, ChargeModel, climb, ladder

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from planners.plan.plan import Plan
    from planners.plan.window import Slot
    from planners.power.allowed_currents import AmpsSpan

MISSED_KWH = 0.04
"""A need missed by less is met: what is missing would print as 0.0 kWh [kWh]."""

LONGEST = timedelta(days=14)
"""How far ahead to search for the instant at which a need could be met."""

LONGEST_MINUTES = LONGEST // timedelta(minutes=1)

MINUTE_HOURS = 1 / 60


def shortfall_of(
    model: ChargeModel,
    allowed: Sequence[Slot],
    currents: Callable[[], Sequence[AmpsSpan]],
    possible: Callable[[], Sequence[AmpsSpan]],
    *,
    from_kwh: float,
    reaches_kwh: float,
    need_kwh: float,
) -> Shortfall | None:
    """Find by how much a need is missed, and what would meet it.

    Parameters
    ----------
    model : ChargeModel
        The vehicle and the current.
    allowed : sequence of Slot
        The slots up to the departure in which the vehicle may charge.
    currents : callable
        Returns the currents allowed from now on, for as long as `LONGEST`; asked if needed.
    possible : callable
        Returns the currents that other equipment could take until the departure; asked if needed.
    from_kwh, reaches_kwh, need_kwh : float
        Battery energy now, at the end of the plan, and needed [kWh].

    Returns
    -------
    Shortfall or None
        None if the need is met.
    """
    if need_kwh - reaches_kwh <= MISSED_KWH:
        return None
    return Shortfall(
        kwh=_metered_kwh(model, reaches_kwh, need_kwh),
        earliest_ready=_earliest_ready(model, currents(), from_kwh, need_kwh),
        amps_that_would_do=_amps_that_would_do(model, allowed, possible(), from_kwh, need_kwh),
    )


def shortfall_that_counts(plan: Plan) -> Shortfall | None:
    """Return what is missing for the need of a plan, unless that is within the tolerance.

    Parameters
    ----------
    plan : Plan
        The plan.

    Returns
    -------
    Shortfall or None
        None if the battery will hold the need, but for `NEED_TOLERANCE_PERCENT`.
    """
    reaches_it = plan.reaches_percent >= plan.need_percent - NEED_TOLERANCE_PERCENT
    return None if reaches_it else plan.shortfall


def _earliest_ready(
    model: ChargeModel, currents: Sequence[AmpsSpan], stored_kwh: float, need_kwh: float
) -> datetime | None:
    """Charge without a pause, except while the rest of the home leaves too little."""
    for span in currents:
        minutes = (span.end - span.start) / timedelta(minutes=1) if span.amps > 0 else 0
        steps = climb(
            model, stored_kwh, need_kwh, repeat(MINUTE_HOURS, ceil(minutes)), repeat(span.amps)
        )
        if steps.reaches_target:
            return span.start + timedelta(minutes=float(steps.share.sum()))
        stored_kwh += float(steps.gained_kwh.sum())
    return None


def _metered_kwh(model: ChargeModel, from_kwh: float, to_kwh: float) -> float:
    """Return the metered energy from one battery energy to another [kWh]."""
    steps = ladder(model, from_kwh, to_kwh, MINUTE_HOURS, LONGEST_MINUTES)
    if steps.reaches_target:
        return float(steps.metered_kwh.sum())
    return (to_kwh - from_kwh) / model.efficiency  # at this current the battery never gets there


def _amps_that_would_do(
    model: ChargeModel,
    allowed: Sequence[Slot],
    possible: Sequence[AmpsSpan],
    from_kwh: float,
    need_kwh: float,
) -> float | None:
    usable = [slot for slot in allowed if slot.amps > 0]
    hours = [slot.hours for slot in usable]
    # While the rest of the home leaves less than the model's current, no other draws more.
    most = [_most(possible, each) if each.amps >= model.amps else each.amps for each in usable]
    for amps in range(int(model.amps) + 1, int(max(most, default=0)) + 1):
        drawn = [min(amps, each) for each in most]
        if climb(replace(model, amps=amps), from_kwh, need_kwh, hours, drawn).reaches_target:
            return float(amps)
    return None


def _most(possible: Sequence[AmpsSpan], slot: Slot) -> float:
    end = slot.end()
    return min((s.amps for s in possible if s.start < end and slot.start < s.end), default=0.0)
