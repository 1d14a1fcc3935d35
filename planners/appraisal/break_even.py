"""What would have to change for the cheapest choice to lose its place, all else as it is.

Distances are looked for with the real planner: the year is lived again at each one that is tried.
Rates are looked for in `planners.appraisal.break_even_rate`.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.appraisal.appraisal import BreakEven, BreakEvens
from planners.appraisal.break_even_rate import rate_even
from planners.appraisal.crossing import ROUNDS, Point, Rival, crossing

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.appraisal.compared import Compared
    from planners.appraisal.ranking import Ranking
    from planners.year.rates import YearRates

SCALES = (0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
"""Shares of the year's distance at which all choices are lived."""


def break_evens(compared: Compared, curve: Ranking, per_scale: float) -> BreakEvens:
    """Look for what would change the answer.

    Parameters
    ----------
    compared : Compared
        At least two choices.
    curve : Ranking
        The choices at `SCALES`.
    per_scale : float
        The year's distance [km], or the trips' energy where no distance is known [kWh].

    Returns
    -------
    BreakEvens
        For distance, rate and outlay.
    """
    names = [case.choice.name for case in compared.cases]
    year = compared.cases[compared.best].year
    distances = _scales(compared, curve)
    return BreakEvens(
        distance_per_year=tuple(
            BreakEven(per_scale, it.at * per_scale, names[it.place], it.by_shortage)
            for it in distances
        ),
        rate=_rate_even(compared, year, names),
        rate_band=year.lines[int(year.line[int(year.rates.argmin())])].band,
        outlay=_outlay(compared, names),
    )


def _rate_even(compared: Compared, year: YearRates, names: Sequence[str]) -> BreakEven:
    now = 0.0 if year.is_series else float(year.rates.min())
    rate = rate_even(compared, _rivals(compared))
    if rate is None:
        return BreakEven(now, None, None)
    return BreakEven(now, now + rate.at, names[rate.place])


def _rivals(compared: Compared) -> list[int]:
    """List the choices that are short on as few nights as the best one."""
    short = compared.ranking.nights_short[:, 0]
    best = compared.best
    return [n for n in range(len(short)) if n != best and short[n] == short[best]]


def _outlay(compared: Compared, names: Sequence[str]) -> BreakEven:
    totals, best, rivals = compared.ranking.totals[:, 0], compared.best, _rivals(compared)
    now = compared.cases[best].outlay
    if not rivals:
        return BreakEven(now, None, None)
    rival = min(rivals, key=lambda n: totals[n])
    return BreakEven(now, now + float(totals[rival] - totals[best]), names[rival])


def _scales(compared: Compared, curve: Ranking) -> list[Rival]:
    """Find the nearest distances, below and above, at which another choice wins."""
    here, best, found = SCALES.index(1.0), compared.best, []
    for step in (-1, 1):
        place = here
        while 0 <= place + step < len(SCALES) and curve.as_good[best, place + step]:
            place += step
        if 0 <= place + step < len(SCALES):
            found.append(_between(compared, curve, place, place + step))
    return found


def _between(compared: Compared, curve: Ranking, wins: int, loses: int) -> Rival:
    """Find the distance between two of `SCALES` at which the best choice loses its place."""
    best = compared.best
    gaps = curve.totals - curve.totals[best]
    alike = (curve.nights_short == curve.nights_short[best])[:, [wins, loses]].all(axis=1)
    level = {
        rival: gaps[rival, wins] / (gaps[rival, wins] - gaps[rival, loses])
        for rival in np.flatnonzero(alike).tolist()
        if gaps[rival, wins] >= 0 > gaps[rival, loses]
    }
    # Where nights short decide on either side, totals need not cross at all.
    if int(curve.winners[loses]) not in level:
        return _shortage_between(compared, SCALES[wins], SCALES[loses])
    rival = min(level, key=lambda n: level[n])

    def gap(scale: float) -> tuple[float, float]:
        totals = compared.at_scale(scale, (best, rival))
        return float(totals[1] - totals[0]), float(np.abs(totals).max())

    sides = [Point(SCALES[it], float(gaps[rival, it])) for it in (wins, loses)]
    return Rival(crossing(gap, *sides), rival)


def _shortage_between(compared: Compared, wins_at: float, loses_at: float) -> Rival:
    """Halve the stretch in which it, or a cheaper one no longer, is short on more nights."""
    best, ranking = compared.best, compared.at_scales([loses_at])
    for _ in range(ROUNDS):
        middle = (wins_at + loses_at) / 2
        tried = compared.at_scales([middle])
        if tried.as_good[best, 0]:
            wins_at = middle
        else:
            loses_at, ranking = middle, tried
    rival, short = int(ranking.winners[0]), ranking.nights_short[:, 0]
    return Rival(loses_at, rival, by_shortage=bool(short[best] > short[rival]))
