"""Draw years of trips at random around the declared year."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray


def draw_trips(
    trips_kwh: NDArray[np.float64], spread_percent: float, draws: int, seed: int
) -> NDArray[np.float64]:
    """Draw the energies of a year's trips for many years.

    Each trip is the declared one times its own factor, drawn from a log-normal distribution of mean
    1 and standard deviation ``spread_percent / 100``: with ``v = ln(1 + (spread / 100)^2)`` its
    logarithm has mean ``-v / 2`` and variance ``v`` (Johnson, Kotz and Balakrishnan, Continuous
    Univariate Distributions, volume 1, chapter 14; from memory). Factors are never negative, and
    long days are more likely than in a normal distribution.

    Parameters
    ----------
    trips_kwh : ndarray of float, shape (trips,)
        Declared energies [kWh].
    spread_percent : float
        Standard deviation of a trip in percent of it.
    draws : int
        Number of years.
    seed : int
        The same seed gives the same years.

    Returns
    -------
    ndarray of float, shape (draws, trips)
        Energies of the trips [kWh].
    """
    variance = np.log1p((spread_percent / 100) ** 2)
    normal = np.random.default_rng(seed).standard_normal((draws, len(trips_kwh)))
    factors: NDArray[np.float64] = np.exp(np.sqrt(variance) * normal - variance / 2)
    return trips_kwh * factors
