"""Compute the ladders of many nights at once.

A ladder is the energy of each successive tick of charging, up to a target: as in
`planners.power.charging.climb`, with the night on the last axis. Knows no rates.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planners.power.charging import SAME_KWH, ChargeModel


@dataclass(frozen=True, slots=True, eq=False)
class Climb:
    """Successive whole ticks of charging in each of many nights.

    Attributes
    ----------
    stored_kwh : ndarray of float, shape (rungs + 1, nights)
        Battery energy after each number of ticks [kWh].
    metered_kwh, gained_kwh : ndarray of float, shape (rungs, nights)
        Energy of each tick through the meter and into the battery [kWh].
    """

    stored_kwh: NDArray[np.float64]
    metered_kwh: NDArray[np.float64]
    gained_kwh: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Ladders:
    """Ladders of many nights; beyond its own rungs, a night's arrays hold 0.

    Attributes
    ----------
    rungs : ndarray of int, shape (nights,)
        Number of ticks of each ladder.
    share : ndarray of float, shape (rungs, nights)
        Used share of each tick: 1 for all but the last, which ends at the target.
    metered_kwh, gained_kwh : ndarray of float, shape (rungs, nights)
        Energy of each tick through the meter and into the battery [kWh].
    """

    rungs: NDArray[np.intp]
    share: NDArray[np.float64]
    metered_kwh: NDArray[np.float64]
    gained_kwh: NDArray[np.float64]


def climb_whole(
    model: ChargeModel,
    from_kwh: NDArray[np.float64],
    to_kwh: NDArray[np.float64],
    tick_hours: float,
    ticks: int,
) -> Climb:
    """Charge through whole ticks until every night's battery holds its target.

    Parameters
    ----------
    model : ChargeModel
        The vehicle and the current.
    from_kwh, to_kwh : ndarray of float, shape (nights,)
        Battery energy at the start and at the target [kWh].
    tick_hours : float
        Length of a tick [h].
    ticks : int
        The most ticks to climb.

    Returns
    -------
    Climb
        As many ticks as the longest climb takes; shorter ones continue past their targets.
    """
    if model.taper:
        return _climb_taper(model, from_kwh, to_kwh, tick_hours, ticks)
    gained_kwh = tick_hours * model.gained_kw(model.full_kw)
    missing_kwh = float((to_kwh - from_kwh).max(initial=0.0))
    rungs = min(ticks, math.ceil(missing_kwh / gained_kwh)) if gained_kwh > 0 else 0
    shape = (rungs, len(from_kwh))
    return Climb(
        stored_kwh=from_kwh + gained_kwh * np.arange(rungs + 1)[:, None],
        metered_kwh=np.broadcast_to(tick_hours * model.full_kw, shape),
        gained_kwh=np.broadcast_to(gained_kwh, shape),
    )


def _climb_taper(
    model: ChargeModel,
    from_kwh: NDArray[np.float64],
    to_kwh: NDArray[np.float64],
    tick_hours: float,
    ticks: int,
) -> Climb:
    stored = [from_kwh]
    metered: list[NDArray[np.float64]] = []
    gained: list[NDArray[np.float64]] = []
    while len(metered) < ticks:
        metered_kw = model.full_kw * model.taper_shares(stored[-1])
        gained_kwh = tick_hours * model.gained_kw_of(metered_kw)
        if not np.any((to_kwh - stored[-1] > SAME_KWH) & (gained_kwh > 0)):
            break
        metered.append(tick_hours * metered_kw)
        gained.append(gained_kwh)
        stored.append(stored[-1] + gained_kwh)
    shape = (len(metered), len(from_kwh))
    return Climb(np.array(stored), np.reshape(metered, shape), np.reshape(gained, shape))


def cut_at(climb: Climb, to_kwh: NDArray[np.float64]) -> Ladders:
    """End each night's climb at its target.

    Parameters
    ----------
    climb : Climb
        Whole ticks.
    to_kwh : ndarray of float, shape (nights,)
        Battery energy at the target [kWh].

    Returns
    -------
    Ladders
        With as many rungs as the longest ladder.
    """
    missing = to_kwh - climb.stored_kwh[:-1]
    rising = (missing > SAME_KWH) & (climb.gained_kwh > 0)
    rungs = np.count_nonzero(rising, axis=0)
    rows = int(rungs.max(initial=0))
    share = np.zeros((rows, len(to_kwh)))
    np.divide(missing[:rows], climb.gained_kwh[:rows], out=share, where=rising[:rows])
    np.minimum(share, 1, out=share)
    return Ladders(rungs, share, share * climb.metered_kwh[:rows], share * climb.gained_kwh[:rows])
