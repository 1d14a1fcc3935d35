"""Rank choices: the cost of each per year and over the years, and which one wins.

Choices are compared for the same energy. What one does not deliver is charged elsewhere, at the
declared price. Only the choices with the fewest nights short of the need can win and, if there is
no price elsewhere, only those with the least energy from there: the others cost less just because
they deliver less. Of these the one with the least outlay and cost over the years wins; of several
that cost the same, the first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.appraisal.choice_case import Case
    from planners.worth.lifetime import Lifetime
    from planners.year.results import YearResults


LEAST_KWH = 0.05
"""Energy of a year that is too little to mention [kWh]."""

LEAST_MONEY = 1e-6
"""Sums that differ by less are the same: rounding over a year [currency]."""


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """Costs and short nights of choices; arrays of shape (choices, years).

    Attributes
    ----------
    year_costs : ndarray of float
        Cost of the first year's energy, at home and elsewhere, plus maintenance, plus how much more
        standing charge, capacity charge and the home's energy cost than under the first choice
        without the vehicle [currency].
    totals : ndarray of float
        Outlay less grants, plus such costs of all years that a choice is kept, worth today
        [currency].
    nights_short : ndarray of int
        Nights short of the need.
    unpriced_kwh : ndarray of float
        Battery energy charged elsewhere, if there is no price for it; else 0 [kWh].
    """

    year_costs: NDArray[np.float64]
    totals: NDArray[np.float64]
    nights_short: NDArray[np.intp]
    unpriced_kwh: NDArray[np.float64]

    def only(self, place: int) -> Ranking:
        """Return the ranking of one year alone."""
        one = slice(place, place + 1)
        return Ranking(
            self.year_costs[:, one],
            self.totals[:, one],
            self.nights_short[:, one],
            self.unpriced_kwh[:, one],
        )

    @property
    def winners(self) -> NDArray[np.intp]:
        """Index of the choice that wins in each year, shape (years,)."""
        return np.asarray(self.as_good.argmax(axis=0), np.intp)

    @property
    def as_good(self) -> NDArray[np.bool_]:
        """Whether a choice is as good as the one that wins, shape (choices, years)."""
        delivers = self.nights_short == self.nights_short.min(axis=0)
        unpriced = np.where(delivers, self.unpriced_kwh, np.inf)
        delivers &= unpriced <= unpriced.min(axis=0) + LEAST_KWH
        total = np.where(delivers, self.totals, np.inf)
        return np.asarray(total <= total.min(axis=0) + LEAST_MONEY, np.bool_)

    def delivers_as(self, choice: int) -> NDArray[np.bool_]:
        """Whether choices deliver as much as another, shape (choices, years)."""
        more = np.abs(self.unpriced_kwh - self.unpriced_kwh[choice])
        same_nights = self.nights_short == self.nights_short[choice]
        return np.asarray(same_nights & (more <= LEAST_KWH), np.bool_)


def elsewhere_kwh(case: Case, years: YearResults) -> NDArray[np.float64]:
    """Return the battery energy that a choice leaves to be charged elsewhere.

    Parameters
    ----------
    case : Case
        The choice.
    years : YearResults
        Its results.

    Returns
    -------
    ndarray of float, shape (years,)
        What trips needed beyond the battery's charge, and what is missing from the need after the
        last night [kWh].
    """
    return np.asarray(years.elsewhere_kwh + case.missing_at_end_kwh(years), np.float64)


class YearParts(NamedTuple):
    """What a choice costs in the first year, by what grows alike; each of shape (years,)."""

    energy: NDArray[np.float64]
    standing_charge: NDArray[np.float64]
    elsewhere: NDArray[np.float64]
    ageing: NDArray[np.float64]


class HomeAlone(NamedTuple):
    """What the home pays under the first choice without the vehicle, in a year [currency]."""

    energy: float
    standing_charge: float


def home_alone(first: Case) -> HomeAlone:
    """Return what the home pays under the first choice without the vehicle."""
    by_month = first.home_capacity_charge + first.home_top_up
    return HomeAlone(first.home_cost, first.standing_cost + by_month)


def year_parts(
    case: Case,
    years: YearResults,
    alone: HomeAlone,
    elsewhere_rate: float | None,
    lifetime: Lifetime,
) -> YearParts:
    """Return what a choice costs in years beyond what the home pays alone [currency]."""
    return YearParts(
        years.cost + (case.home_cost - alone.energy),
        years.by_month + (case.standing_cost - alone.standing_charge),
        elsewhere_kwh(case, years) * (elsewhere_rate or 0.0),
        case.ageing(years, lifetime.keep_years),
    )


def total_of(case: Case, parts: YearParts, lifetime: Lifetime) -> NDArray[np.float64]:
    """Return what a choice costs over all its years, worth today [currency]."""
    choice = case.choice
    now = sum(float(grant.amount) for grant in choice.grants if not grant.after_years)
    once = case.outlay - now + sum(lifetime.later(choice.grants, choice.maintenance))
    return np.asarray(
        once
        + lifetime.factor("energy") * parts.energy
        + lifetime.factor("standing_charge") * parts.standing_charge
        + lifetime.factor("elsewhere") * parts.elsewhere
        + lifetime.factor("ageing") * parts.ageing,
        np.float64,
    )


def rank_choices(
    cases: Sequence[Case],
    years: Sequence[YearResults],
    lifetime: Lifetime,
    elsewhere_rate: float | None,
) -> Ranking:
    """Rank choices by their costs and short nights.

    Parameters
    ----------
    cases : sequence of Case
        The choices; standing charges are compared with those of the first.
    years : sequence of YearResults
        Each choice's results in the same years.
    lifetime : Lifetime
        For how many years a choice is kept, with interest and growth of prices.
    elsewhere_rate : float or None
        Price of energy that is charged elsewhere [currency per kWh].

    Returns
    -------
    Ranking
        Costs and short nights.
    """
    alone = home_alone(cases[0])
    pairs = list(zip(cases, years, strict=True))
    parts = [year_parts(*pair, alone, elsewhere_rate, lifetime) for pair in pairs]
    totals = [total_of(case, part, lifetime) for case, part in zip(cases, parts, strict=True)]
    year_costs = [sum(part) + case.maintenance for case, part in zip(cases, parts, strict=True)]
    elsewhere = np.array([elsewhere_kwh(*pair) for pair in pairs])
    return Ranking(
        year_costs=np.array(year_costs),
        totals=np.array(totals),
        nights_short=np.array([result.nights_short for result in years]),
        unpriced_kwh=elsewhere if elsewhere_rate is None else np.zeros_like(elsewhere),
    )


def payback_years(outlay_more: float, saves_per_year: float) -> float | None:
    """Return after how many years a saving has paid for an outlay.

    Parameters
    ----------
    outlay_more : float
        Outlay beyond that of the choice it is compared with [currency].
    saves_per_year : float
        Saving each year [currency].

    Returns
    -------
    float or None
        Simple payback, outlay divided by saving, without interest; 0 if there is nothing to pay
        back and nothing is lost, None if it never pays.
    """
    if outlay_more <= 0:
        return 0.0 if saves_per_year >= -LEAST_MONEY else None
    return outlay_more / saves_per_year if saves_per_year > LEAST_MONEY else None
