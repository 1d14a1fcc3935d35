"""Change what money does, one figure at a time, with every night planned as it is."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from planners.appraisal.ranking import Ranking, YearParts, home_alone, total_of, year_parts
from planners.worth.lifetime import Lifetime

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.appraisal.comparison import Comparison


@dataclass(frozen=True, slots=True)
class Money:
    """What prices, outlays and interest are, beside what the file declares.

    Attributes
    ----------
    lifetime : Lifetime
        For how many years a choice is kept, with interest and growth of prices.
    energy, elsewhere, outlay : float
        How many times the declared ones the prices at home, the price elsewhere and the outlays
        are.
    """

    lifetime: Lifetime
    energy: float = 1.0
    elsewhere: float = 1.0
    outlay: float = 1.0

    def with_growth(self, percent: float) -> Money:
        """Return the same with another growth of the price of energy [percent a year]."""
        growth = {**self.lifetime.growth_percent, "energy": percent}
        return replace(self, lifetime=replace(self.lifetime, growth_percent=growth))

    def with_interest(self, percent: float) -> Money:
        """Return the same with another interest [percent a year]."""
        return replace(self, lifetime=replace(self.lifetime, interest_percent=percent))

    def with_years(self, years: float) -> Money:
        """Return the same with choices kept for another time [years]."""
        return replace(self, lifetime=replace(self.lifetime, keep_years=years))


class MoneyRanking:
    """Ranks the choices of a comparison again where only money is other than declared.

    Plans count as they are: where all prices at home change alike, so does the highest rate at
    which more than the need is bought.
    """

    def __init__(self, comparison: Comparison) -> None:
        self._comparison = comparison
        alone, rate = home_alone(comparison.cases[0]), comparison.elsewhere_rate
        pairs = zip(comparison.cases, comparison.years, strict=True)
        self._parts = [
            year_parts(case, years, alone, rate, comparison.lifetime) for case, years in pairs
        ]

    def at(self, money: Money) -> Ranking:
        """Rank the choices, in one year."""
        declared = self._comparison.ranking
        totals = [
            total_of(case, _times(parts, money), money.lifetime) + case.outlay * (money.outlay - 1)
            for case, parts in zip(self._comparison.cases, self._parts, strict=True)
        ]
        return replace(declared, totals=np.array(totals))

    @property
    def most_elsewhere(self) -> float:
        """The most that a choice pays elsewhere in a year [currency]."""
        return max(float(parts.elsewhere[0]) for parts in self._parts)


def _times(parts: YearParts, money: Money) -> YearParts:
    return YearParts(
        parts.energy * money.energy,
        parts.standing_charge,
        parts.elsewhere * money.elsewhere,
        parts.ageing,
    )


def mean_of(rankings: Sequence[Ranking], share: float) -> Ranking:
    """Return a ranking between two: totals on a straight line, and the more nights short."""
    one, other = rankings
    return Ranking(
        year_costs=one.year_costs + share * (other.year_costs - one.year_costs),
        totals=one.totals + share * (other.totals - one.totals),
        nights_short=np.maximum(one.nights_short, other.nights_short),
        unpriced_kwh=np.maximum(one.unpriced_kwh, other.unpriced_kwh),
    )
