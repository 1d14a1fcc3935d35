"""Find where two choices cost the same: along a rate, and by the sign of the gap between them.

The search uses the real planner: the year is simulated again at each rate tried. Only the smallest
change counts, so each further rival is searched no further than the smallest change found so far.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, NamedTuple

from planners.appraisal.ranking import LEAST_MONEY

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from planners.appraisal.comparison import Comparison

ROUNDS = 8
"""The most attempts to find a crossing."""

NEAR = 1e-4
"""A crossing is found if both totals differ by less than this share of the larger one."""

LEAST_KWH = 1e-6
"""Less energy makes no difference [kWh]."""

FAR = 20.0
"""The search ends at so many times the first guess, or at `FAR_RATES` if that is further."""

FAR_RATES = 2.0
"""The same limit in multiples of the highest rate of all tariffs: by then plans avoid the band if
they can."""

BESIDE = 1e-6
"""How far on either side of a jump the totals are computed [currency per kWh]."""


BEYOND = (1.05, 1.5, 2.0)
"""Multiples of a change that makes totals equal: at one of them the rival must cost less."""


class Point(NamedTuple):
    """The gap between two totals [currency] at one rate or distance."""

    at: float
    gap: float


@dataclass(frozen=True, slots=True)
class Rival:
    """A choice that becomes the cheapest: at which value, its index, and why."""

    at: float
    place: int
    by_shortage: bool = False
    by_elsewhere: bool = False


def crossing(gap: Callable[[float], tuple[float, float]], near: Point, far: Point) -> float:
    """Find the value between two points at which a gap is zero.

    Parameters
    ----------
    gap : callable
        From a value to the gap there and the larger of the two totals [currency].
    near, far : Point
        One on each side of the crossing: their gaps differ in sign.

    Returns
    -------
    float
        The value.
    """
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


def rate_even(comparison: Comparison, rivals: Sequence[int]) -> Rival | None:
    """Find the least change of rate at which another choice costs the same.

    Parameters
    ----------
    comparison : Comparison
        The choices.
    rivals : sequence of int
        Indices of the choices that can become the cheapest.

    Returns
    -------
    Rival or None
        With the change [currency per kWh]; None if no change makes another choice the cheapest.
    """
    search = _Search(comparison)
    if comparison.is_slow:
        guesses = (Rival(guess, rival) for guess, rival in search.guesses(rivals))
        return min(guesses, key=lambda each: abs(each.at), default=None)
    found: Rival | None = None
    for guess, rival in search.guesses(rivals):
        at = search.nearer(rival, guess, found)
        if at is not None and (found is None or abs(at) < abs(found.at)):
            found = Rival(at, rival)
    return found or search.at_ends(rivals)


@dataclass(slots=True)
class _Search:
    """The search for one break-even rate, with the totals at all rates tried so far."""

    comparison: Comparison
    known: dict[tuple[int, float], float] = field(default_factory=dict)

    def guesses(self, rivals: Sequence[int]) -> Iterator[tuple[float, int]]:
        """Guess a change for each rival; rivals on other tariffs come first."""
        totals, best = self.comparison.ranking.totals[:, 0], self.comparison.best
        bought = self.comparison.affected_kwh
        guesses: list[tuple[bool, float, int]] = []
        for rival in rivals:
            slope = self.comparison.lifetime.factor("energy") * (bought[rival] - bought[best])
            if abs(slope) > LEAST_KWH:
                guess = float(totals[best] - totals[rival]) / slope
                guesses.append((self.comparison.is_affected(rival), guess, rival))
        low = self._lowest
        # A rival on another tariff needs no smaller change than guessed: new plans only cost less.
        for _, guess, rival in sorted(guesses, key=lambda each: (each[0], abs(each[1]))):
            if low < guess:
                yield guess, rival

    def nearer(self, rival: int, guess: float, found: Rival | None) -> float | None:
        """Find a rival's break-even, if it is nearer than the one found so far."""
        if found is None:
            return self._level(rival, guess)
        far = max(self._lowest, math.copysign(found.at, guess))
        gap, _ = self.gap(rival, far)
        return self._within(rival, Point(far, gap)) if gap < -LEAST_MONEY else None

    def at_ends(self, rivals: Sequence[int]) -> Rival | None:
        """Find a rival that is ahead at the lowest or the highest rate of the search."""
        for end in (self._lowest, self._highest):
            gaps = {rival: self.gap(rival, end) for rival in rivals}
            ahead = [rival for rival, (gap, total) in gaps.items() if gap < -NEAR * total]
            if ahead:
                places = {each: self._within(each, Point(end, gaps[each][0])) for each in ahead}
                rival = min(ahead, key=lambda each: abs(places[each]))
                return Rival(places[rival], rival)
        return None

    def gap(self, rival: int, more: float) -> tuple[float, float]:
        """Return how much more a rival costs than the best choice, and the larger total."""
        one, other = self._total(self.comparison.best, more), self._total(rival, more)
        return other - one, max(abs(one), abs(other))

    def _total(self, place: int, more: float) -> float:
        if more == 0:
            return float(self.comparison.ranking.totals[place, 0])
        if (place, more) not in self.known:
            self.known[place, more] = self.comparison.with_added(more, place)
        return self.known[place, more]

    def _level(self, rival: int, guess: float) -> float | None:
        """Step along secants until a rival is ahead; then search between steps."""
        end = max(self._highest, FAR * guess) if guess > 0 else self._lowest
        before, at = Point(0.0, self.gap(rival, 0.0)[0]), guess
        for _ in range(ROUNDS):
            gap, total = self.gap(rival, at)
            if abs(gap) <= NEAR * total:
                return at if self._is_ahead_beyond(rival, at, end) else None
            if gap < 0:
                return self._within(rival, Point(at, gap), before)
            if at == end:
                return None
            closer = before.gap - gap
            ahead = gap * (at - before.at) / closer if closer > 0 else end - at
            before, at = Point(at, gap), at + ahead if abs(at + ahead) < abs(end) else end
        return None

    def _is_ahead_beyond(self, rival: int, at: float, end: float) -> bool:
        """Whether a rival that costs the same at `at` costs less at a larger change."""
        places = (*(at * times for times in BEYOND if abs(at * times) < abs(end)), end)
        return any(self.gap(rival, place)[0] < -LEAST_MONEY for place in places)

    def _within(self, rival: int, far: Point, near: Point | None = None) -> float:
        """Find where a rival that is ahead at `far` gets ahead."""
        near = near or Point(0.0, self.gap(rival, 0.0)[0])
        for jump in self._jumps(rival, near.at, far.at):
            beside = BESIDE if far.at > near.at else -BESIDE
            last, next_ = (self.gap(rival, jump + side)[0] for side in (-beside, beside))
            if last < 0:
                return crossing(lambda at: self.gap(rival, at), near, Point(jump - beside, last))
            if next_ < 0:
                return jump
            near = Point(jump + beside, next_)
        return crossing(lambda at: self.gap(rival, at), near, far)

    def _jumps(self, rival: int, near: float, far: float) -> list[float]:
        """List changes at which a choice stops buying past its need, nearest first."""
        now = self._now
        cases = (self.comparison.cases[place] for place in (self.comparison.best, rival))
        highest = {case.rule.max_rate for case in cases if not case.year.is_series}
        low, high = sorted((near, far))
        jumps = [most - now for most in highest if most is not None]
        inside = (jump for jump in jumps if low + BESIDE < jump < high - BESIDE)
        return sorted(inside, key=abs)

    @property
    def _now(self) -> float:
        return float(self.comparison.cases[self.comparison.best].year.rates.min())

    @property
    def _lowest(self) -> float:
        """The lowest change: a band's rate ends at 0, a series' prices may fall below it."""
        is_series = self.comparison.cases[self.comparison.best].year.is_series
        return -self._highest if is_series or self._now <= 0 else -self._now

    @property
    def _highest(self) -> float:
        return FAR_RATES * max(abs(float(case.year.rates.max())) for case in self.comparison.cases)
