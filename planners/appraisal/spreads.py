"""Measure how far each choice's figures vary over years of trips drawn at random."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from config.fields.distance import KM_PER_MILE
from planners.appraisal.appraisal import Spread
from planners.appraisal.ranking import payback_years

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from planners.appraisal.choice_case import Case
    from planners.appraisal.ranking import Ranking
    from planners.year.results import YearResults

LOW_PERCENTILE, HIGH_PERCENTILE = 5, 95
"""Nine of ten drawn years lie between them."""


SEED, RANKS_DRAWN = 1, 2000
"""How the ranks of a standard error are drawn: always the same."""


@dataclass(frozen=True, slots=True)
class ChoiceSpreads:
    """How the figures of one choice vary over the drawn years.

    Attributes
    ----------
    spreads : dict of str to Spread
        By the names of the attributes of `planners.appraisal.appraisal.ChoiceYear`.
    cheapest_in : int
        Drawn years in which the choice is the cheapest.
    """

    spreads: dict[str, Spread]
    cheapest_in: int


def spreads_of_choices(
    cases: Sequence[Case],
    years: Sequence[YearResults],
    ranking: Ranking,
    trips_kwh: NDArray[np.float64],
    kwh_per_km: float | None,
) -> tuple[ChoiceSpreads, ...]:
    """Find where each choice's figures lie in nine of ten drawn years.

    Parameters
    ----------
    cases : sequence of Case
        The choices.
    years : sequence of YearResults
        Each choice's results in the drawn years.
    ranking : Ranking
        How the choices compare in these years.
    trips_kwh : ndarray of float, shape (years, nights)
        The drawn trips [kWh].
    kwh_per_km : float or None
        Consumption [kWh per km].

    Returns
    -------
    tuple of ChoiceSpreads
        One for each choice.
    """
    used = trips_kwh.sum(axis=1)
    wins = np.bincount(ranking.winners, minlength=len(cases)).tolist()
    by_choice: list[ChoiceSpreads] = []
    for place, (case, result) in enumerate(zip(cases, years, strict=True)):
        saves = ranking.year_costs[0] - ranking.year_costs[place]
        outlay_more = case.outlay_left - cases[0].outlay_left
        figures = {
            "energy_kwh": result.energy_kwh,
            "cost": result.cost,
            "year_cost": ranking.year_costs[place],
            "total_over_years": ranking.totals[place],
            "saves_per_year": saves,
            "payback_years": np.array([_payback(outlay_more, saving) for saving in saves.tolist()]),
            "nights_short": result.nights_short.astype(np.float64),
            "shortfall_kwh": result.short_kwh.sum(axis=1),
            "charged_elsewhere_kwh": result.elsewhere_kwh,
            **dict(_ratios(result, used - result.elsewhere_kwh, kwh_per_km)),
        }
        spreads = {name: spread_of(values) for name, values in figures.items()}
        by_choice.append(ChoiceSpreads(spreads, wins[place]))
    return tuple(by_choice)


def _ratios(
    result: YearResults, driven_kwh: NDArray[np.float64], kwh_per_km: float | None
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    energy = result.energy_kwh
    if np.all(energy > 0):
        yield "cost_per_kwh", result.cost / energy
        yield "cheapest_band_share", result.cheapest_kwh / energy
    if kwh_per_km is not None and np.all(driven_kwh > 0):
        per_km = result.cost / driven_kwh * kwh_per_km
        yield "cost_per_km", per_km
        yield "cost_per_mile", per_km * KM_PER_MILE


def _payback(outlay_more: float, saves_per_year: float) -> float:
    years = payback_years(outlay_more, saves_per_year)
    return math.inf if years is None else years


def spread_of(values: NDArray[np.float64]) -> Spread:
    """Return the 5th and the 95th percentile, each one of the values, and their standard errors."""
    shares = LOW_PERCENTILE / 100, HIGH_PERCENTILE / 100
    low, high = np.quantile(values, shares, method="inverted_cdf")
    return Spread(float(low), float(high), *(_error_of(values, share) for share in shares))


def _error_of(values: NDArray[np.float64], share: float) -> float:
    """Return the standard error of a percentile, by the bootstrap."""
    # The k-th of n values that are drawn again has the rank of the k-th of n uniform numbers, which
    # is beta distributed: only ranks are drawn (Maritz and Jarrett, Journal of the American
    # Statistical Association 73 (1978), pages 194 to 196; from memory).
    count = len(values)
    rank = max(1, math.ceil(share * count - 1e-9))
    places = np.random.default_rng(SEED).beta(rank, count - rank + 1, RANKS_DRAWN)
    drawn = np.sort(values)[np.minimum((places * count).astype(np.intp), count - 1)]
    return float(drawn.std()) if np.all(np.isfinite(drawn)) else math.inf
