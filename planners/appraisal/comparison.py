"""Compare choices over the declared year, and at other distances and rates."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from planners.appraisal.ranking import (
    Ranking,
    home_alone,
    rank_choices,
    total_of,
    year_parts,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.appraisal.choice_case import Case
    from planners.worth.lifetime import Lifetime
    from planners.year.results import YearResults


SCALES = (0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
"""Multiples of the year's distance at which all choices are simulated."""

SUN_SCALES = (0.5, 1.0, 2.0)
"""The same where nights are planned one by one beside the sun, which takes seconds a year."""


@dataclass(frozen=True, eq=False)
class Comparison:
    """Choices, and their results in the declared year.

    Attributes
    ----------
    cases : tuple of Case
        The choices.
    years : tuple of YearResults
        Each choice's results in the declared year.
    lifetime : Lifetime
        For how many years a choice is kept, with interest and growth of prices.
    elsewhere_rate : float or None
        Price of energy that is charged elsewhere [currency per kWh].
    trips_kwh : ndarray of float, shape (nights,)
        The declared trips [kWh]; of several vehicles, one after the other.
    names : tuple of str
        Of the vehicles.
    scales : tuple of float
        Multiples of the year's distance at which all choices are simulated.
    """

    cases: tuple[Case, ...]
    years: tuple[YearResults, ...]
    lifetime: Lifetime
    elsewhere_rate: float | None
    trips_kwh: NDArray[np.float64]
    names: tuple[str, ...] = ()
    scales: tuple[float, ...] = SCALES

    @property
    def is_slow(self) -> bool:
        """Whether nights are planned one by one, so that no further year is simulated."""
        return any(case.roof is not None for case in self.cases)

    @cached_property
    def ranking(self) -> Ranking:
        """The choices ranked in the declared year."""
        return self._rank(self.cases, self.years)

    @cached_property
    def best(self) -> int:
        """Index of the choice that wins."""
        return int(self.ranking.winners[0])

    @property
    def affected_kwh(self) -> list[float]:
        """Energy that each choice and its home buy at the rate being varied [kWh a year]."""
        return [
            _affected_kwh(case, result) if self.is_affected(place) else 0.0
            for place, (case, result) in enumerate(zip(self.cases, self.years, strict=True))
        ]

    def is_affected(self, place: int) -> bool:
        """Whether a choice charges at the tariff of the best one, whose rate is being varied."""
        return self.cases[place].choice.bought_at == self.cases[self.best].choice.bought_at

    def at_scales(self, scales: Sequence[float]) -> Ranking:
        """Rank all choices in years whose trips are multiplied by these factors."""
        trips = np.array(scales)[:, None] * self.trips_kwh
        return self._rank(self.cases, [case.simulate(trips) for case in self.cases])

    def at_scale(self, scale: float, places: Sequence[int]) -> NDArray[np.float64]:
        """Return the totals of some choices with all trips multiplied by `scale`."""
        cases = [self.cases[place] for place in places]
        years = [case.simulate(scale * self.trips_kwh[None, :]) for case in cases]
        return self._rank(cases, years).totals[:, 0]

    def with_added(self, more: float, place: int) -> float:
        """Return the total of a choice if the best choice's tariff were dearer.

        The tariff becomes dearer in its cheapest band, or in all prices of a series, for every
        choice that has it.

        Parameters
        ----------
        more : float
            The increase [currency per kWh].
        place : int
            Index of the choice.

        Returns
        -------
        float
            Total over the years, compared with the first choice as declared [currency].
        """
        if not self.is_affected(place):
            return float(self.ranking.totals[place, 0])
        dearer = self.cases[place].with_added(more)
        result = dearer.simulate(self.trips_kwh[None, :])
        parts = year_parts(
            dearer, result, home_alone(self.cases[0]), self.elsewhere_rate, self.lifetime
        )
        return float(total_of(dearer, parts, self.lifetime)[0])

    def _rank(self, cases: Sequence[Case], years: Sequence[YearResults]) -> Ranking:
        return rank_choices(cases, years, self.lifetime, self.elsewhere_rate)


def _affected_kwh(case: Case, result: YearResults) -> float:
    charged = result.grid_kwh if case.year.is_series else result.cheapest_kwh
    home_kwh = case.home_kwh[case.year.affected].sum() if case.is_on_home_meter else 0.0
    return float(charged[0] + home_kwh)
