"""Draw the dull and the clear days of a typical year.

How often a day has which clearness follows the distribution of P. Bendt, M. Collares-Pereira and A.
Rabl, Solar Energy 27(1), 1-5, 1981, up to the clearest day of K. Hollands and R. Huget, Solar
Energy 30(3), 195-209, 1983. How long such days last follows V. Graham, K. Hollands and T. Unny,
Solar Energy 40(2), 83-92, 1988: normal numbers of which each depends on the one before. All as J.
Duffie and W. Beckman's "Solar Engineering of Thermal Processes", section 2.9, quotes them (from
memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

DULLEST: Final = 0.05
"""Clearness of the dullest days."""

PERSISTENCE: Final = 0.29
"""How much a day's clearness says of the next day's: the correlation of Graham and others."""

ROUNDS: Final = 60
"""Steps of a bisection."""


def clearness_of_days(mean: float, ranks: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the clearness of some days of a month.

    Parameters
    ----------
    mean : float
        Mean clearness of the month: the sun on a level plane over that outside the air.
    ranks : ndarray of float
        For each day, which share of days is duller, above 0 and below 1.

    Returns
    -------
    ndarray of float
        For each day.
    """
    mean = float(np.clip(mean, 1.2 * DULLEST, 0.8))
    clearest = max(mean + 0.05, 0.6313 + 0.267 * mean - 11.9 * (mean - 0.75) ** 8)
    low, high, slope = -500.0, 500.0, 0.0
    for _ in range(ROUNDS):
        slope = (low + high) / 2
        if _mean(slope, clearest) < mean:
            low = slope
        else:
            high = slope
    span = clearest - DULLEST
    if abs(slope * span) < 1e-6:  # noqa: PLR2004 - as good as even
        found: NDArray[np.float64] = DULLEST + ranks * span
        return found
    # The larger end as 1, so that nothing overflows.
    if slope > 0:
        parts = np.exp(-slope * span) * (1 - ranks) + ranks
        return np.asarray(clearest + np.log(parts) / slope, np.float64)
    parts = (1 - ranks) + np.exp(slope * span) * ranks
    return np.asarray(DULLEST + np.log(parts) / slope, np.float64)


def _mean(slope: float, clearest: float) -> float:
    """Return the mean of the distribution with that slope of its logarithm."""
    span = clearest - DULLEST
    if abs(slope * span) < 1e-6:  # noqa: PLR2004 - as good as even
        return DULLEST + span / 2
    with np.errstate(over="ignore"):
        return float(clearest - 1 / slope + span / np.expm1(slope * span))


def ranks_of_days(days: int, seed: int) -> NDArray[np.float64]:
    """Draw how clear days in a row are, as normal numbers of which each depends on the last."""
    drawn = np.random.default_rng(seed).standard_normal(days)
    found = np.empty(days)
    before = drawn[0] if days else 0.0
    for place, number in enumerate(drawn.tolist()):
        before = PERSISTENCE * before + np.sqrt(1 - PERSISTENCE**2) * number
        found[place] = before
    return found


def evenly_ranked(numbers: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return which share of a month's days is duller than each, in even steps."""
    order: NDArray[np.float64] = (np.argsort(np.argsort(numbers)) + 0.5) / len(numbers)
    return order
