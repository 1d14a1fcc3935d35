"""What would have to change for the cheapest choice to lose its place, all else as it is.

Distances and rates are looked for with the real planner: the year is lived again at each distance
and each rate that is tried.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planners.appraisal import BreakEven, BreakEvens

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from planners.compared import Compared
    from planners.held_against import Held
    from planners.year_rates import YearRates

SCALES = (0.1, 0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
"""Shares of the year's distance at which all choices are lived."""

ROUNDS = 8
"""How often a crossing is looked for again at the most."""

LEAST_KWH = 1e-6
"""Energy that makes no difference [kWh]."""

FAR = 20.0
"""A change so many times as large as the first guess is no answer: plans avoid the band by then."""

NEAR = 1e-4
"""A crossing is found where both sides differ by less than this share of their totals."""


@dataclass(frozen=True, slots=True)
class _Rival:
    """Where a rival takes the place: at which value, which choice it is, and why."""

    at: float
    place: int
    by_shortage: bool = False


def break_evens(compared: Compared, curve: Held, per_scale: float) -> BreakEvens:
    """Look for what would change the answer.

    Parameters
    ----------
    compared : Compared
        At least two choices.
    curve : Held
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
    now, rate = 0.0 if year.is_series else float(year.rates.min()), _rate(compared)
    # Nobody's band is below nothing; what a series adds to its prices may be.
    if rate is None or (now + rate.at < 0 and not year.is_series):
        return BreakEven(now, None, None)
    return BreakEven(now, now + rate.at, names[rate.place])


def _rivals(compared: Compared) -> list[int]:
    """List the choices that are short on as few nights as the best one."""
    short = compared.held.nights_short[:, 0]
    best = compared.best
    return [n for n in range(len(short)) if n != best and short[n] == short[best]]


def _outlay(compared: Compared, names: Sequence[str]) -> BreakEven:
    totals, best, rivals = compared.held.totals[:, 0], compared.best, _rivals(compared)
    now = compared.cases[best].outlay
    if not rivals:
        return BreakEven(now, None, None)
    rival = min(rivals, key=lambda n: totals[n])
    return BreakEven(now, now + float(totals[rival] - totals[best]), names[rival])


def _scales(compared: Compared, curve: Held) -> list[_Rival]:
    """Find the nearest distances, below and above, at which another choice wins."""
    here, best, found = SCALES.index(1.0), compared.best, []
    for step in (-1, 1):
        place = here
        while 0 <= place + step < len(SCALES) and curve.winners[place + step] == best:
            place += step
        if 0 <= place + step < len(SCALES):
            found.append(_between(compared, curve, place, place + step))
    return found


def _between(compared: Compared, curve: Held, wins: int, loses: int) -> _Rival:
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
        held = compared.at_scale(scale, (best, rival))
        return float(held[1] - held[0]), float(np.abs(held).max())

    sides = (SCALES[wins], float(gaps[rival, wins])), (SCALES[loses], float(gaps[rival, loses]))
    return _Rival(_crossing(gap, *sides), rival)


def _shortage_between(compared: Compared, wins_at: float, loses_at: float) -> _Rival:
    """Halve the stretch in which it, or a cheaper one no longer, is short on more nights."""
    best, held = compared.best, compared.at_scales([loses_at])
    for _ in range(ROUNDS):
        middle = (wins_at + loses_at) / 2
        tried = compared.at_scales([middle])
        if int(tried.winners[0]) == best:
            wins_at = middle
        else:
            loses_at, held = middle, tried
    rival, short = int(held.winners[0]), held.nights_short[:, 0]
    return _Rival(loses_at, rival, by_shortage=bool(short[best] > short[rival]))


def _crossing(
    gap: Callable[[float], tuple[float, float]],
    near: tuple[float, float],
    far: tuple[float, float],
) -> float:
    """Find where a gap is nothing that changes its sign between two points."""
    # Regula falsi; the Illinois rule halves the gap of a side that stays (Dowell and Jarratt,
    # BIT 11 (1971), pages 168 to 174; from memory).
    (x0, y0), (x1, y1) = near, far
    found = x1
    for _ in range(ROUNDS):
        found = x1 - y1 * (x1 - x0) / (y1 - y0)
        value, total = gap(found)
        if abs(value) <= NEAR * total:
            break
        if value * y1 < 0:
            x0, y0 = x1, y1
        else:
            y0 /= 2
        x1, y1 = found, value
    return found


def _rate(compared: Compared) -> _Rival | None:
    """Find the least change of the cheapest band's rate at which another choice costs the same."""
    totals, best = compared.held.totals[:, 0], compared.best
    bought = compared.affected_kwh
    guesses: list[tuple[float, int]] = []
    for rival in _rivals(compared):
        slope = compared.keep_years * (bought[rival] - bought[best])
        if abs(slope) > LEAST_KWH:
            guesses.append((float(totals[best] - totals[rival]) / slope, rival))
    found: _Rival | None = None
    # A first guess keeps to today's plans; a plan that is made anew only costs less than that.
    for guess, rival in sorted(guesses, key=lambda it: abs(it[0])):
        if found is None or abs(guess) < abs(found.at):
            at = _level(compared, rival, guess)
            if at is not None and (found is None or abs(at) < abs(found.at)):
                found = _Rival(at, rival)
    return found


def _level(compared: Compared, rival: int, guess: float) -> float | None:
    """Find by how much dearer the band must be for a rival to cost the same; secants."""
    totals = compared.held.totals[[compared.best, rival], 0]
    x0, y0, x1 = 0.0, float(totals[1] - totals[0]), guess
    for _ in range(ROUNDS):
        dearer = compared.with_added(x1, (compared.best, rival))
        y1 = float(dearer[1] - dearer[0])
        if abs(y1) <= NEAR * float(np.abs(dearer).max()):
            return x1
        if y1 == y0:
            return None
        x0, y0, x1 = x1, y1, x1 - y1 * (x1 - x0) / (y1 - y0)
        if abs(x1) > FAR * abs(guess):
            return None
    return None
