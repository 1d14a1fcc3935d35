"""List what the answer hangs on: each input changed alone, and where another choice wins.

Figures of money are changed with the plans as they are. Distance, consumption and efficiency are
simulated again; with a roof, where a year takes seconds, distances between those of the curve count
as straight lines.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.appraisal.appraisal import Hinge, HingeBreak, HingePoint
from planners.appraisal.appraising import compare
from planners.appraisal.ranking import LEAST_KWH
from planners.sensitivity.money import Money, MoneyRanking, mean_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Mapping, Sequence
    from datetime import date

    from config.choices.choices_file import ChoicesFile
    from config.files.announcements import RateNews
    from planners.appraisal.appraisal import Appraisal
    from planners.appraisal.appraising import Compared
    from planners.appraisal.comparison import Comparison
    from planners.appraisal.ranking import Ranking

STEPS = 24
"""Into so many steps the range on each side of today's value is divided in the search."""
ROUNDS = 30
"""So often the step is halved in which another choice gets ahead."""
LEAST_AMOUNT = 0.01
"""Smaller amounts are none [currency]."""

DISTANCE, CONSUMPTION, MONEY = 0.25, 0.15, 0.2
"""By which share distance, consumption, and prices and outlays are changed."""
POINTS = 2.0
"""By how much interest and growth are changed [percentage points]."""
EFFICIENCY_POINTS, LEAST_EFFICIENCY = 5.0, 50.0
"""The same for the charging efficiency, and the lowest tried [percentage points, percent]."""


class _Input(NamedTuple):
    """A figure of money: its value, what it is changed to, the range of the search, and its use."""

    what: str
    now: float
    low: float
    high: float
    least: float
    most: float
    at: Callable[[float], Money]


def hinges_of(
    file: ChoicesFile,
    series: Mapping[str, Sequence[RateNews]],
    used_wh: Mapping[date, int] | None,
    compared: Compared,
    appraisal: Appraisal,
) -> tuple[Hinge, ...]:
    """List what the answer hangs on.

    Parameters
    ----------
    file, series, used_wh
        As for `planners.appraisal.appraising.appraise`.
    compared : Compared
        Its choices, compared.
    appraisal : Appraisal
        Its figures.

    Returns
    -------
    tuple of Hinge
        Those of driving, of the equipment, of money; none if there is no other choice.
    """
    if len(compared.comparison.cases) == 1:
        return ()
    search = _Search(compared.comparison)
    return (
        *_driving(file, compared, appraisal, search),
        *_efficiency(file, series, used_wh, search),
        *search.of_money(),
    )


class _Search:
    """Reads rankings against the answer of the comparison."""

    def __init__(self, comparison: Comparison) -> None:
        self.comparison = comparison
        self.names = [case.choice.name for case in comparison.cases]

    def point(self, value: float, ranking: Ranking, year: int = 0) -> HingePoint:
        """Say which choice wins at a value, and by how much."""
        best = self.comparison.best
        wins = bool(ranking.as_good[best, year])
        winner = best if wins else int(ranking.winners[year])
        totals = ranking.totals[:, year]
        return HingePoint(
            value=value,
            cheapest=self.names[winner],
            saves=float(totals[0] - totals[winner]),
            ahead=self._ahead(ranking, year),
        )

    def _ahead(self, ranking: Ranking, year: int) -> float | None:
        """Return how much less the answer costs than the best other that delivers as much."""
        best, short = self.comparison.best, ranking.nights_short[:, year]
        alike = (short <= short[best]) & (
            ranking.unpriced_kwh[:, year] <= ranking.unpriced_kwh[best, year] + LEAST_KWH
        )
        others = [place for place in np.flatnonzero(alike).tolist() if place != best]
        if not others:
            return None
        totals = ranking.totals[:, year]
        return float(min(totals[place] for place in others) - totals[best])

    def of_money(self) -> Iterator[Hinge]:
        """List the figures of money."""
        money, ranks = Money(self.comparison.lifetime), MoneyRanking(self.comparison)
        for each in _inputs(money, ranks, self.comparison):
            yield Hinge(
                what=each.what,
                now=each.now,
                low=self.point(each.low, ranks.at(each.at(each.low))),
                high=self.point(each.high, ranks.at(each.at(each.high))),
                least=each.least,
                most=each.most,
                breaks=tuple(self._breaks(each, ranks)),
            )

    def _breaks(self, each: _Input, ranks: MoneyRanking) -> Iterator[HingeBreak]:
        """Find the nearest values below and above today's at which another choice wins."""
        best = self.comparison.best
        for end in (each.least, each.most):
            wins = each.now
            for value in np.linspace(each.now, end, STEPS + 1)[1:].tolist():
                if not ranks.at(each.at(value)).as_good[best, 0]:
                    yield self._between(each, ranks, wins, value)
                    break
                wins = value

    def _between(self, each: _Input, ranks: MoneyRanking, wins: float, loses: float) -> HingeBreak:
        for _ in range(ROUNDS):
            middle = (wins + loses) / 2
            if ranks.at(each.at(middle)).as_good[self.comparison.best, 0]:
                wins = middle
            else:
                loses = middle
        ranking = ranks.at(each.at(loses))
        return HingeBreak(loses, self.names[int(ranking.winners[0])])


def _inputs(money: Money, ranks: MoneyRanking, comparison: Comparison) -> Iterator[_Input]:
    life, less, more = money.lifetime, 1 - MONEY, 1 + MONEY
    yield _Input("rates", 1.0, less, more, 0.1, 3.0, lambda it: replace(money, energy=it))
    growth = life.growth_percent.get("energy", 0.0)
    yield _Input(
        "energy_growth", growth, growth - POINTS, growth + POINTS,
        min(-5.0, growth - POINTS), max(15.0, growth + POINTS), money.with_growth,
    )  # fmt: skip
    interest = life.interest_percent
    yield _Input(
        "interest", interest, max(0.0, interest - POINTS), interest + POINTS,
        0.0, max(20.0, interest + POINTS), money.with_interest,
    )  # fmt: skip
    if any(case.outlay for case in comparison.cases):
        yield _Input("outlay", 1.0, less, more, 0.0, 3.0, lambda it: replace(money, outlay=it))
    years = life.keep_years
    yield _Input(
        "keep_years", years, max(1.0, round(years / 2)), round(years * 1.5),
        min(1.0, years), max(30.0, round(years * 1.5)), money.with_years,
    )  # fmt: skip
    if ranks.most_elsewhere > LEAST_AMOUNT:
        yield _Input(
            "elsewhere", 1.0, less, more, 0.0, 3.0, lambda it: replace(money, elsewhere=it)
        )


def _driving(
    file: ChoicesFile, compared: Compared, appraisal: Appraisal, search: _Search
) -> Iterator[Hinge]:
    """List distance, and consumption if the trips follow from it."""
    shares = (1 - DISTANCE, 1 - CONSUMPTION, 1 + CONSUMPTION, 1 + DISTANCE)
    rankings = _at_scales(compared, shares)
    points = [
        search.point(share, ranking, year)
        for share, (ranking, year) in zip(shares, rankings, strict=True)
    ]
    even, scales = appraisal.break_even, compared.comparison.scales
    near = [] if even is None else even.distance_per_year
    found = [HingeBreak(it.at / it.now, it.rival) for it in near if it.at and it.rival]
    of_trips = Hinge("distance", 1.0, points[0], points[3], scales[0], scales[-1], tuple(found))
    amount = appraisal.trips_kwh if appraisal.distance_km is None else appraisal.distance_km
    yield of_trips.times(amount)
    per_km = file.vehicle.kwh_per_km
    if per_km is not None and not file.other_vehicles and file.driving.ledger is None:
        consumption = replace(of_trips, what="consumption", low=points[1], high=points[2])
        yield consumption.times(per_km * 100)


def _at_scales(compared: Compared, shares: Sequence[float]) -> list[tuple[Ranking, int]]:
    """Rank the choices at some multiples of the trips; each with its place in the ranking."""
    comparison = compared.comparison
    if not comparison.is_slow:
        ranking = comparison.at_scales(shares)
        return [(ranking, place) for place in range(len(shares))]
    scales, curve, found = comparison.scales, compared.curve, []
    for share in shares:
        after = next(place for place, scale in enumerate(scales) if scale >= share)
        ends = [curve.only(place) for place in (after - 1, after)]
        part = (share - scales[after - 1]) / (scales[after] - scales[after - 1])
        found.append((mean_of(ends, part), 0))
    return found


def _efficiency(
    file: ChoicesFile,
    series: Mapping[str, Sequence[RateNews]],
    used_wh: Mapping[date, int] | None,
    search: _Search,
) -> Iterator[Hinge]:
    """List the charging efficiency: the years with a lower and a higher one are simulated."""
    now = file.vehicle.charging_efficiency_percent
    values = (max(LEAST_EFFICIENCY, now - EFFICIENCY_POINTS), min(100.0, now + EFFICIENCY_POINTS))
    points = []
    for value in values:
        other = compare(_at_efficiency(file, value), series, used_wh, (1.0,))
        points.append(search.point(value, other.comparison.ranking))
    low, high = points
    middle = search.point(now, search.comparison.ranking)
    found = tuple(_crossing(middle, end) for end in (low, high) if end.cheapest != middle.cheapest)
    yield Hinge("efficiency", now, low, high, low.value, high.value, found)


def _crossing(now: HingePoint, end: HingePoint) -> HingeBreak:
    """Find where between two points another choice wins, on a straight line if that says so."""
    if now.ahead is None or end.ahead is None or end.ahead >= 0:
        return HingeBreak(end.value, end.cheapest)
    share = now.ahead / (now.ahead - end.ahead)
    return HingeBreak(now.value + share * (end.value - now.value), end.cheapest)


def _at_efficiency(file: ChoicesFile, percent: float) -> ChoicesFile:
    """Return the file with another efficiency of the first vehicle, and of others by as much."""
    more = percent - file.vehicle.charging_efficiency_percent

    def changed(value: float) -> dict[str, float]:
        return {"charging_efficiency_percent": min(100.0, max(LEAST_EFFICIENCY, value + more))}

    others = {
        name: each.model_copy(update=changed(each.charging_efficiency_percent))
        for name, each in file.other_vehicles.items()
    }
    own = file.vehicle.model_copy(update=changed(file.vehicle.charging_efficiency_percent))
    return file.model_copy(update={"vehicle": own, "other_vehicles": others})
