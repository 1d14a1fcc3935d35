"""Turn yearly amounts, grants and maintenance into present values, and find when they pay back.

A year's costs count at its end, as in NIST Handbook 135 (Life-Cycle Costing Manual, end-of-year
discounting): with interest ``i`` and growth ``g``, an amount ``a`` of the first year is worth
``sum of a (1 + g)^(t - 1) / (1 + i)^t`` over the years ``t``. The handbook lets prices grow before
the first year too; here the first year has the prices as declared, so that its modified uniform
present value factor is ``1 + g`` times ours. Of a last year that is not whole its share counts, at
the end of that share. Interest and growth are both with inflation, or both without.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from math import floor
from typing import TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from config.choices.choices_file import AppraisedHome
    from config.choices.money_over_years import Grant, Maintenance

    Part = Literal["energy", "standing_charge", "elsewhere", "maintenance", "ageing"]

PARTS: Final = ("energy", "standing_charge", "elsewhere", "maintenance")
"""What grows at a rate of its own."""

SAME_TIME: Final = 1e-9
"""Times that differ by less are the same [years]."""


@dataclass(frozen=True, slots=True)
class Lifetime:
    """For how many years a choice is kept, and what money and prices do in them.

    Attributes
    ----------
    keep_years : float
        For how many years a choice is kept.
    interest_percent : float
        Interest of a year [percent]; 0 counts every year alike.
    growth_percent : mapping of str to float
        How much each of `PARTS` grows from a year to the next [percent]; missing ones do not.
    """

    keep_years: float
    interest_percent: float = 0.0
    growth_percent: Mapping[str, float] = field(default_factory=dict)

    @property
    def is_plain(self) -> bool:
        """Whether every year counts alike: no interest, and no price grows."""
        return not self.interest_percent and not any(self.growth_percent.values())

    def discount(self, years: float) -> float:
        """Return what one unit of money after some years is worth today."""
        return float((1 + self.interest_percent / 100) ** -years)

    def grown(self, part: Part, years: int) -> float:
        """Return how many times its first year's amount a part is after some years."""
        return float((1 + self.growth_percent.get(part, 0.0) / 100) ** years)

    def factors(self, part: Part) -> list[float]:
        """Return what one unit of the first year's amount is worth today, year by year."""
        return [
            share * self.grown(part, year) * self.discount(year + share)
            for year, share in enumerate(self._shares)
        ]

    def factor(self, part: Part) -> float:
        """Return what one unit of the first year's amount is worth today, over all years."""
        return sum(self.factors(part))

    def later(self, grants: Sequence[Grant], maintenance: Sequence[Maintenance]) -> list[float]:
        """Return what grants and maintenance of each year are worth today, costs above 0."""
        yearly = self.factors("maintenance")
        sums = [0.0] * len(yearly)
        for each in maintenance:
            if each.every_years == 1:
                sums = [one + float(each.amount) * by for one, by in zip(sums, yearly, strict=True)]
                continue
            for end in range(
                each.every_years, floor(self.keep_years + SAME_TIME) + 1, each.every_years
            ):
                grown = self.grown("maintenance", end - 1) * self.discount(end)
                sums[end - 1] += float(each.amount) * grown
        for grant in grants:
            if 0 < grant.after_years <= self.keep_years:
                sums[grant.after_years - 1] -= float(grant.amount) * self.discount(
                    grant.after_years
                )
        return sums

    @property
    def _shares(self) -> list[float]:
        """Return the share of each year for which a choice is kept; all but the last are 1."""
        whole = floor(self.keep_years + SAME_TIME)
        rest = self.keep_years - whole
        return [1.0] * whole + ([rest] if rest > SAME_TIME else [])

    def paid_back_after(self, outlay_more: float, saved: Sequence[float]) -> float | None:
        """Return from when on what was saved covers an outlay.

        Parameters
        ----------
        outlay_more : float
            What is paid at the start beyond the choice it is compared with [currency].
        saved : sequence of float
            What is saved in each year against that choice, worth today [currency].

        Returns
        -------
        float or None
            Discounted payback in years, a year's saving spread evenly over it: 0 if there is
            nothing to pay back, None if it is not covered at the end of all years.
        """
        sums, ends = [-outlay_more], [0.0]
        for amount, share in zip(saved, self._shares, strict=True):
            sums.append(sums[-1] + amount)
            ends.append(ends[-1] + share)
        if sums[-1] < 0:
            return None
        below = [place for place, each in enumerate(sums) if each < 0]
        if not below:
            return 0.0
        last = below[-1]
        part = -sums[last] / (sums[last + 1] - sums[last])
        return ends[last] + part * (ends[last + 1] - ends[last])


def lifetime_of(home: AppraisedHome) -> Lifetime:
    """Read the years, the interest and the growth of prices from a choices file."""
    growth = home.price_growth
    return Lifetime(
        home.keep_years,
        home.interest_percent,
        {part: getattr(growth, f"{part}_percent") for part in PARTS},
    )
