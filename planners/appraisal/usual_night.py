"""Find how much battery energy one usual night can recharge."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.power.charging_curve import ChargingCurve

if TYPE_CHECKING:
    from planners.appraisal.choice_case import Case
    from planners.year.night_rules import ChargingRule


def usual_night_kwh(case: Case) -> tuple[float, float | None]:
    """Return the battery energy that one usual night can recharge, up to the want.

    Parameters
    ----------
    case : Case
        A choice.

    Returns
    -------
    tuple of float and (float or None)
        In all hours of the night, and in those of the cheapest band alone, None for a price series
        [kWh]. A usual night has the most frequent length; of a stay of several days it is the last
        night, from the hour of the return to the departure.
    """
    windows, day = case.windows, round(24 / case.rule.tick_hours)
    stays = windows.end - windows.first
    nights = np.where(stays > day, (stays - 1) % day + 1, stays)
    lengths, counts = np.unique(nights, return_counts=True)
    usual = int(lengths[counts.argmax()])
    if case.year.is_series:
        return _recharged_kwh(case.rule, usual), None
    ends = windows.end[nights == usual]
    upto = np.concatenate(([0], np.cumsum(case.year.cheapest)))
    cheap = int(np.median(upto[ends] - upto[ends - usual]))
    return _recharged_kwh(case.rule, usual), _recharged_kwh(case.rule, cheap)


def _recharged_kwh(rule: ChargingRule, ticks: int) -> float:
    """Return the battery energy that so many ticks add up to the want [kWh]."""
    want = np.array([rule.want_kwh])
    start = ChargingCurve.of(rule.model).after(want, -ticks * rule.tick_hours)
    return float(rule.want_kwh - start[0])
