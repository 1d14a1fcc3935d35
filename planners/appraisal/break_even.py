"""Find the distance, rate or outlay at which another choice is the cheapest.

Distances are searched with the real planner: the year is simulated again at each one tried. The
search for rates is in `planners.appraisal.break_even_rate`. With a roof a year takes seconds. Then
totals count as straight lines between the distances that were simulated, and rates are searched
with the plans as they are.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.appraisal.appraisal import BreakEven, BreakEvens
from planners.appraisal.break_even_rate import ROUNDS, Point, Rival, crossing, rate_even

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.appraisal.comparison import Comparison
    from planners.appraisal.ranking import Ranking
    from planners.year.rates import YearRates


def break_evens(comparison: Comparison, curve: Ranking, per_scale: float) -> BreakEvens:
    """Find the break-even points of distance, rate and outlay.

    Parameters
    ----------
    comparison : Comparison
        At least two choices.
    curve : Ranking
        The choices at the scales of the comparison.
    per_scale : float
        The year's distance [km], or the trips' energy if no distance is known [kWh].

    Returns
    -------
    BreakEvens
        For distance, rate and outlay.
    """
    names = [case.choice.name for case in comparison.cases]
    year = comparison.cases[comparison.best].year
    distances = _scales(comparison, curve)
    return BreakEvens(
        distance_per_year=tuple(
            BreakEven(
                per_scale,
                rival.at * per_scale,
                names[rival.place],
                rival.by_shortage,
                rival.by_elsewhere,
            )
            for rival in distances
        ),
        rate=_rate_even(comparison, year, names),
        rate_band=year.lines[int(year.line[int(year.rates.argmin())])].band,
        outlay=_outlay(comparison, names),
    )


def _rate_even(comparison: Comparison, year: YearRates, names: Sequence[str]) -> BreakEven:
    now = 0.0 if year.is_series else float(year.rates.min())
    rate = rate_even(comparison, _rivals(comparison))
    if rate is None:
        return BreakEven(now, None, None)
    return BreakEven(now, now + rate.at, names[rate.place])


def _rivals(comparison: Comparison) -> list[int]:
    """List the other choices that deliver as much as the best one."""
    alike = np.flatnonzero(comparison.ranking.delivers_as(comparison.best)[:, 0]).tolist()
    return [place for place in alike if place != comparison.best]


def _outlay(comparison: Comparison, names: Sequence[str]) -> BreakEven:
    totals, best, rivals = comparison.ranking.totals[:, 0], comparison.best, _rivals(comparison)
    now = comparison.cases[best].outlay
    if not rivals:
        return BreakEven(now, None, None)
    rival = min(rivals, key=lambda n: totals[n])
    return BreakEven(now, now + float(totals[rival] - totals[best]), names[rival])


def _scales(comparison: Comparison, curve: Ranking) -> list[Rival]:
    """Find the nearest distances, below and above, at which another choice wins."""
    scales, best, found = comparison.scales, comparison.best, []
    here = scales.index(1.0)
    for step in (-1, 1):
        place = here
        while 0 <= place + step < len(scales) and curve.as_good[best, place + step]:
            place += step
        if 0 <= place + step < len(scales):
            found.append(_between(comparison, curve, place, place + step))
    return found


def _between(comparison: Comparison, curve: Ranking, wins: int, loses: int) -> Rival:
    """Find where between two of the scales another choice becomes the cheapest."""
    best, scales = comparison.best, comparison.scales
    gaps = curve.totals - curve.totals[best]
    alike = curve.delivers_as(best)[:, [wins, loses]].all(axis=1)
    level = {
        rival: gaps[rival, wins] / (gaps[rival, wins] - gaps[rival, loses])
        for rival in np.flatnonzero(alike).tolist()
        if gaps[rival, wins] >= 0 > gaps[rival, loses]
    }
    # If what is delivered decides on either side, totals need not cross at all.
    if int(curve.winners[loses]) not in level:
        if comparison.is_slow:
            return _beyond(curve, best, loses, scales[loses])
        return _shortage_between(comparison, scales[wins], scales[loses])
    rival = min(level, key=lambda n: level[n])
    if comparison.is_slow:
        return Rival(scales[wins] + level[rival] * (scales[loses] - scales[wins]), rival)

    def gap(scale: float) -> tuple[float, float]:
        totals = comparison.at_scale(scale, (best, rival))
        return float(totals[1] - totals[0]), float(np.abs(totals).max())

    sides = [Point(scales[place], float(gaps[rival, place])) for place in (wins, loses)]
    return Rival(crossing(gap, *sides), rival)


def _shortage_between(comparison: Comparison, wins_at: float, loses_at: float) -> Rival:
    """Find by bisection the distance at which a rival wins because it delivers more."""
    best, ranking = comparison.best, comparison.at_scales([loses_at])
    for _ in range(ROUNDS):
        middle = (wins_at + loses_at) / 2
        tried = comparison.at_scales([middle])
        if tried.as_good[best, 0]:
            wins_at = middle
        else:
            loses_at, ranking = middle, tried
    return _beyond(ranking, best, 0, loses_at)


def _beyond(ranking: Ranking, best: int, place: int, scale: float) -> Rival:
    """Say which choice wins at a scale, and whether it does so because it delivers more."""
    rival, short = int(ranking.winners[place]), ranking.nights_short[:, place]
    by_shortage = bool(short[best] > short[rival])
    by_elsewhere = not by_shortage and not ranking.delivers_as(best)[rival, place]
    return Rival(scale, rival, by_shortage, by_elsewhere)
