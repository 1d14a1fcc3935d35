"""Choices through the declared year, and asked again with other distances and rates."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from planners.appraisal.ranking import Ranking, rank_choices

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.appraisal.choice_case import Case
    from planners.year.years import Years


@dataclass(frozen=True, eq=False)
class Compared:
    """Choices and how they came out.

    Attributes
    ----------
    cases : tuple of Case
        The choices.
    years : tuple of Years
        What each came to in the declared year.
    keep_years : float
        For how many years a choice is kept.
    trips_kwh : ndarray of float, shape (nights,)
        The declared trips [kWh].
    """

    cases: tuple[Case, ...]
    years: tuple[Years, ...]
    keep_years: float
    trips_kwh: NDArray[np.float64]

    @cached_property
    def ranking(self) -> Ranking:
        """The choices in the declared year."""
        return rank_choices(self.cases, self.years, self.keep_years)

    @cached_property
    def best(self) -> int:
        """Place of the choice that wins."""
        return int(self.ranking.winners[0])

    @property
    def affected_kwh(self) -> list[float]:
        """Energy that each choice and its home buy at the rate that is changed [kWh a year]."""
        return [
            _affected_kwh(case, lived) if self.is_affected(place) else 0.0
            for place, (case, lived) in enumerate(zip(self.cases, self.years, strict=True))
        ]

    def is_affected(self, place: int) -> bool:
        """Whether a choice has the best one's tariff, whose rate is changed."""
        return self.cases[place].choice.tariff == self.cases[self.best].choice.tariff

    def at_scales(self, scales: Sequence[float]) -> Ranking:
        """Live the year under all choices, with each trip so much longer or shorter."""
        trips = np.array(scales)[:, None] * self.trips_kwh
        return rank_choices(self.cases, [case.live(trips) for case in self.cases], self.keep_years)

    def at_scale(self, scale: float, places: Sequence[int]) -> NDArray[np.float64]:
        """Give the totals of some choices with each trip so much longer or shorter [currency]."""
        cases = [self.cases[place] for place in places]
        years = [case.live(scale * self.trips_kwh[None, :]) for case in cases]
        return rank_choices(cases, years, self.keep_years).totals[:, 0]

    def with_added(self, more: float, place: int) -> float:
        """Give the total of a choice where the best one's tariff is dearer.

        It is dearer in its cheapest band, or in all prices of a series, wherever it is
        used.

        Parameters
        ----------
        more : float
            By how much [currency per kWh].
        place : int
            Which choice.

        Returns
        -------
        float
            Its total over the years, beside the first choice as it is declared [currency].
        """
        if not self.is_affected(place):
            return float(self.ranking.totals[place, 0])
        dearer, first = self.cases[place].with_added(more), self.cases[0]
        cost = float(dearer.live(self.trips_kwh[None, :]).cost[0])
        return dearer.outlay + self.keep_years * (cost + dearer.fixed_cost - first.fixed_cost)


def _affected_kwh(case: Case, lived: Years) -> float:
    charged = lived.energy_kwh if case.year.is_series else lived.cheapest_kwh
    return float(charged[0] + case.home_kwh[case.year.affected].sum())
