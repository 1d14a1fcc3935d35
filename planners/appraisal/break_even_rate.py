"""How far a tariff's cheapest rate would have to change for another choice to cost the same.

Looked for with the real planner: the year is lived again at each rate that is tried. Nearest is
what matters, so a rival is only looked at as far as the nearest place that is known already.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from planners.appraisal.crossing import NEAR, ROUNDS, Point, Rival, crossing

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from planners.appraisal.compared import Compared

LEAST_KWH = 1e-6
"""Energy that makes no difference [kWh]."""

FAR = 20.0
"""Nothing is looked for past so many times the first guess, or `FAR_RATES` where that is more."""

FAR_RATES = 2.0
"""The same in highest rates of all tariffs: plans avoid the band by then, if they can."""

BESIDE = 1e-6
"""How far beside a rate at which plans jump they are asked for [currency per kWh]."""


def rate_even(compared: Compared, rivals: Sequence[int]) -> Rival | None:
    """Find the least change of the cheapest band's rate at which another choice costs the same.

    Parameters
    ----------
    compared : Compared
        The choices.
    rivals : sequence of int
        Those that can take the place of the best one.

    Returns
    -------
    Rival or None
        With the change [currency per kWh]; None where no change does.
    """
    search = _Search(compared)
    found: Rival | None = None
    for guess, rival in search.guesses(rivals):
        at = search.nearer(rival, guess, found)
        if at is not None and (found is None or abs(at) < abs(found.at)):
            found = Rival(at, rival)
    return found or search.at_ends(rivals)


@dataclass(slots=True)
class _Search:
    """Totals at rates that were tried."""

    compared: Compared
    known: dict[tuple[int, float], float] = field(default_factory=dict)

    def guesses(self, rivals: Sequence[int]) -> Iterator[tuple[float, int]]:
        """Guess for each rival by today's plans; first those whose own tariff stays as it is."""
        totals, best = self.compared.ranking.totals[:, 0], self.compared.best
        bought = self.compared.affected_kwh
        guesses: list[tuple[bool, float, int]] = []
        for rival in rivals:
            slope = self.compared.keep_years * (bought[rival] - bought[best])
            if abs(slope) > LEAST_KWH:
                guess = float(totals[best] - totals[rival]) / slope
                guesses.append((self.compared.is_affected(rival), guess, rival))
        low = self._lowest
        # A guess for a tariff that stays is never too far: new plans only cost less.
        for _, guess, rival in sorted(guesses, key=lambda it: (it[0], abs(it[1]))):
            if low < guess:
                yield guess, rival

    def nearer(self, rival: int, guess: float, found: Rival | None) -> float | None:
        """Look for a rival's place on the side of its guess, no further than one that was found."""
        if found is None:
            return self._level(rival, guess)
        far = max(self._lowest, math.copysign(found.at, guess))
        gap, _ = self.gap(rival, far)
        return self._within(rival, Point(far, gap)) if gap < 0 else None

    def at_ends(self, rivals: Sequence[int]) -> Rival | None:
        """Look for a rival that wins at the lowest or the highest rate that may be asked about."""
        for end in (self._lowest, self._highest):
            gaps = {rival: self.gap(rival, end) for rival in rivals}
            ahead = [rival for rival, (gap, total) in gaps.items() if gap < -NEAR * total]
            if ahead:
                places = {it: self._within(it, Point(end, gaps[it][0])) for it in ahead}
                rival = min(ahead, key=lambda it: abs(places[it]))
                return Rival(places[rival], rival)
        return None

    def gap(self, rival: int, more: float) -> tuple[float, float]:
        """Tell by how much a rival costs more than the best one, and what the dearer costs."""
        one, other = self._total(self.compared.best, more), self._total(rival, more)
        return other - one, max(abs(one), abs(other))

    def _total(self, place: int, more: float) -> float:
        if more == 0:
            return float(self.compared.ranking.totals[place, 0])
        if (place, more) not in self.known:
            self.known[place, more] = self.compared.with_added(more, place)
        return self.known[place, more]

    def _level(self, rival: int, guess: float) -> float | None:
        """Go on by secants until a rival is ahead; then look between."""
        end = max(self._highest, FAR * guess) if guess > 0 else self._lowest
        before, at = Point(0.0, self.gap(rival, 0.0)[0]), guess
        for _ in range(ROUNDS):
            gap, total = self.gap(rival, at)
            if abs(gap) <= NEAR * total:
                return at
            if gap < 0:
                return self._within(rival, Point(at, gap), before)
            if at == end:
                return None
            closer = before.gap - gap
            ahead = gap * (at - before.at) / closer if closer > 0 else end - at
            before, at = Point(at, gap), at + ahead if abs(at + ahead) < abs(end) else end
        return None

    def _within(self, rival: int, far: Point, near: Point | None = None) -> float:
        """Find where a rival that is ahead at one rate comes to be so."""
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
        """List the changes past which a choice no longer buys what it wants, from the nearest."""
        now = self._now
        cases = (self.compared.cases[it] for it in (self.compared.best, rival))
        highest = {case.way.max_rate for case in cases if not case.year.is_series}
        low, high = sorted((near, far))
        jumps = [most - now for most in highest if most is not None]
        return sorted((it for it in jumps if low + BESIDE < it < high - BESIDE), key=abs)

    @property
    def _now(self) -> float:
        return float(self.compared.cases[self.compared.best].year.rates.min())

    @property
    def _lowest(self) -> float:
        """Nobody's band is below nothing; what a series adds to its prices may be."""
        is_series = self.compared.cases[self.compared.best].year.is_series
        return -self._highest if is_series or self._now <= 0 else -self._now

    @property
    def _highest(self) -> float:
        return FAR_RATES * max(abs(float(case.year.rates.max())) for case in self.compared.cases)
