"""What stands in the way of a need that can't be met, and what would do."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING

from planners.charging import ChargeModel, climb, ladder
from planners.plan import Shortfall

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from planners.window import Stretch

MOST_AMPS = 80
"""The highest current asked about for a need that can't be met [A]: IEC 61851-1's highest."""

LONGEST_MINUTES = 14 * 24 * 60
"""How far ahead to look for the instant at which a need could be met [min]."""

MINUTE_HOURS = 1 / 60

SHORT_KWH = 1e-6
"""Battery energy that nobody would miss [kWh]."""


def shortfall_of(
    model: ChargeModel,
    now: datetime,
    allowed: Sequence[Stretch],
    *,
    from_kwh: float,
    reaches_kwh: float,
    need_kwh: float,
) -> Shortfall | None:
    """Say by how much a need is missed, and what would meet it.

    Parameters
    ----------
    model : ChargeModel
        The vehicle and the current.
    now : datetime
        UTC.
    allowed : sequence of Stretch
        The time up to the departure in which it may charge.
    from_kwh, reaches_kwh, need_kwh : float
        Battery energy now, at the end of the plan, and needed [kWh].

    Returns
    -------
    Shortfall or None
        None if the need is met.
    """
    if need_kwh - reaches_kwh <= SHORT_KWH:
        return None
    unhurried = ladder(model, from_kwh, need_kwh, MINUTE_HOURS, LONGEST_MINUTES)
    minutes = float(unhurried.share.sum())
    return Shortfall(
        kwh=_metered_kwh(model, reaches_kwh, need_kwh),
        earliest_ready=now + timedelta(minutes=minutes) if unhurried.reaches_target else None,
        amps_that_would_do=_amps_that_would_do(model, allowed, from_kwh, need_kwh),
    )


def _metered_kwh(model: ChargeModel, from_kwh: float, to_kwh: float) -> float:
    """Energy at the meter from one state of the battery to another [kWh]."""
    steps = ladder(model, from_kwh, to_kwh, MINUTE_HOURS, LONGEST_MINUTES)
    if steps.reaches_target:
        return float(steps.metered_kwh.sum())
    return (to_kwh - from_kwh) / model.efficiency  # at this current it never gets there


def _amps_that_would_do(
    model: ChargeModel, allowed: Sequence[Stretch], from_kwh: float, need_kwh: float
) -> float | None:
    hours = [stretch.hours for stretch in allowed if stretch.amps > 0]
    for amps in range(int(model.amps) + 1, MOST_AMPS + 1):
        if climb(replace(model, amps=amps), from_kwh, need_kwh, hours).reaches_target:
            return float(amps)
    return None
