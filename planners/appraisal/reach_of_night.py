"""The longest day's driving that one usual night brings back."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.power.charging_curve import ChargingCurve

if TYPE_CHECKING:
    from planners.appraisal.choice_case import Case
    from planners.year.night_rules import Way


def reach_of(case: Case) -> tuple[float, float | None]:
    """Tell how much battery energy one usual night brings back to what is wanted.

    Parameters
    ----------
    case : Case
        A choice.

    Returns
    -------
    tuple of float and (float or None)
        In all hours of the night, and in those of the cheapest band alone; None for a price series
        [kWh]. A usual night is one of the length that occurs most often.
    """
    windows = case.windows
    lengths, counts = np.unique(windows.end - windows.first, return_counts=True)
    usual = int(lengths[counts.argmax()])
    if case.year.is_series:
        return _brings_back(case.way, usual), None
    nights = np.flatnonzero(windows.end - windows.first == usual)
    upto = np.concatenate(([0], np.cumsum(case.year.cheapest)))
    cheap = int(np.median(upto[windows.end[nights]] - upto[windows.first[nights]]))
    return _brings_back(case.way, usual), _brings_back(case.way, cheap)


def _brings_back(way: Way, ticks: int) -> float:
    """Battery energy below what is wanted, from which so many ticks of charging lead there."""
    want = np.array([way.want_kwh])
    start = ChargingCurve.of(way.model).after(want, -ticks * way.tick_hours)
    return float(way.want_kwh - start[0])
