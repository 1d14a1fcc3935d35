"""How far each figure of a choice varies over years of trips drawn at random."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from config.fields.distance import KM_PER_MILE
from planners.appraisal.appraisal import Spread
from planners.appraisal.ranking import payback_years, rank_choices

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from planners.appraisal.choice_case import Case
    from planners.year.years import Years

LOW_PERCENTILE, HIGH_PERCENTILE = 5, 95


@dataclass(frozen=True, slots=True)
class Varies:
    """One choice over the drawn years.

    Attributes
    ----------
    spreads : dict of str to Spread
        By the names of the figures of `planners.appraisal.appraisal.ChoiceYear`.
    cheapest_in : int
        Years in which it is the cheapest.
    """

    spreads: dict[str, Spread]
    cheapest_in: int


def vary(
    cases: Sequence[Case],
    years: Sequence[Years],
    keep_years: float,
    trips_kwh: NDArray[np.float64],
    kwh_per_km: float | None,
) -> tuple[Varies, ...]:
    """Tell where the figures lie in nine of ten of the drawn years.

    Parameters
    ----------
    cases : sequence of Case
        The choices.
    years : sequence of Years
        What each came to in the drawn years.
    keep_years : float
        For how many years a choice is kept.
    trips_kwh : ndarray of float, shape (years, nights)
        The trips that were drawn [kWh].
    kwh_per_km : float or None
        Consumption [kWh per km].

    Returns
    -------
    tuple of Varies
        One for each choice.
    """
    ranking = rank_choices(cases, years, keep_years)
    used = trips_kwh.sum(axis=1)
    wins = np.bincount(ranking.winners, minlength=len(cases)).tolist()
    varies: list[Varies] = []
    for place, (case, lived) in enumerate(zip(cases, years, strict=True)):
        saves = ranking.year_costs[0] - ranking.year_costs[place]
        more = case.outlay - cases[0].outlay
        figures = {
            "energy_kwh": lived.energy_kwh,
            "cost": lived.cost,
            "year_cost": ranking.year_costs[place],
            "total_over_years": ranking.totals[place],
            "saves_per_year": saves,
            "payback_years": np.array([_paid_back(more, it) for it in saves.tolist()]),
            "nights_short": lived.nights_short.astype(np.float64),
            "shortfall_kwh": lived.short_kwh.sum(axis=1),
            "charged_elsewhere_kwh": lived.elsewhere_kwh,
            **dict(_ratios(lived, used - lived.elsewhere_kwh, kwh_per_km)),
        }
        spreads = {name: spread_of(values) for name, values in figures.items()}
        varies.append(Varies(spreads, wins[place]))
    return tuple(varies)


def _ratios(
    lived: Years, driven_kwh: NDArray[np.float64], kwh_per_km: float | None
) -> Iterator[tuple[str, NDArray[np.float64]]]:
    energy = lived.energy_kwh
    if np.all(energy > 0):
        yield "cost_per_kwh", lived.cost / energy
        yield "cheapest_band_share", lived.cheapest_kwh / energy
    if kwh_per_km is not None and np.all(driven_kwh > 0):
        per_km = lived.cost / driven_kwh * kwh_per_km
        yield "cost_per_km", per_km
        yield "cost_per_mile", per_km * KM_PER_MILE


def _paid_back(outlay_more: float, saves: float) -> float:
    years = payback_years(outlay_more, saves)
    return math.inf if years is None else years


def spread_of(values: NDArray[np.float64]) -> Spread:
    """Give the 5th and the 95th percentile, each a value that was drawn."""
    low, high = np.quantile(
        values, [LOW_PERCENTILE / 100, HIGH_PERCENTILE / 100], method="inverted_cdf"
    )
    return Spread(float(low), float(high))
