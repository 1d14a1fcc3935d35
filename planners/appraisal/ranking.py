"""Choices held against each other: what each costs a year and over the years, and which wins.

Of the choices that are short of the need on the fewest nights, the one with the least outlay and
cost over the years wins; of several that cost the same, the first. A choice that leaves a vehicle
short costs less just because it delivers less, so it does not win by that.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.appraisal.choice_case import Case
    from planners.year.years import Years


LEAST_MONEY = 1e-6
"""Sums that differ by less are the same [currency]: what rounding leaves over a year."""


@dataclass(frozen=True, slots=True, eq=False)
class Ranking:
    """What choices come to in some years; all arrays of shape (choices, years).

    Attributes
    ----------
    year_costs : ndarray of float
        Energy of the year, and by how much standing charge and the home's energy cost more than
        under the first choice [currency].
    totals : ndarray of float
        Outlay and `year_costs` over the years that a choice is kept [currency].
    nights_short : ndarray of int
        Nights short of the need.
    """

    year_costs: NDArray[np.float64]
    totals: NDArray[np.float64]
    nights_short: NDArray[np.intp]

    @property
    def winners(self) -> NDArray[np.intp]:
        """The place of the choice that wins in each year, shape (years,)."""
        return np.asarray(self.as_good.argmax(axis=0), np.intp)

    @property
    def as_good(self) -> NDArray[np.bool_]:
        """Whether a choice costs no more than the one that wins, shape (choices, years)."""
        fewest = self.nights_short.min(axis=0)
        total = np.where(self.nights_short == fewest, self.totals, np.inf)
        return np.asarray(total <= total.min(axis=0) + LEAST_MONEY, np.bool_)


def rank_choices(cases: Sequence[Case], years: Sequence[Years], keep_years: float) -> Ranking:
    """Hold choices against each other.

    Parameters
    ----------
    cases : sequence of Case
        The choices; the first is the one that standing charges are compared with.
    years : sequence of Years
        What each came to in the same years.
    keep_years : float
        For how many years a choice is kept.

    Returns
    -------
    Ranking
        Costs and shortages.
    """
    fixed = [case.fixed_cost for case in cases]
    year_costs = np.array(
        [lived.cost + (own - fixed[0]) for lived, own in zip(years, fixed, strict=True)]
    )
    outlays = np.array([case.outlay for case in cases])[:, None]
    return Ranking(
        year_costs=year_costs,
        totals=outlays + keep_years * year_costs,
        nights_short=np.array([lived.nights_short for lived in years]),
    )


def payback_years(outlay_more: float, saves_per_year: float) -> float | None:
    """Tell after how many years a saving has paid for an outlay.

    Parameters
    ----------
    outlay_more : float
        What is paid once, more than for what it is held against [currency].
    saves_per_year : float
        What is saved each year [currency].

    Returns
    -------
    float or None
        Simple payback: outlay over saving, without interest; 0 where there is nothing to pay back
        and nothing is lost; None where it never pays.
    """
    if outlay_more <= 0:
        return 0.0 if saves_per_year >= -LEAST_MONEY else None
    return outlay_more / saves_per_year if saves_per_year > LEAST_MONEY else None
