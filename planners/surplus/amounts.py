"""Find the cheapest amounts of a chain of stages whose costs are convex and in straight pieces.

Each stage adds the amounts of its parts to what is held; at its end, what is held must lie between
two bounds and is worth something; then a part of it is lost. The cheapest amounts are found exactly
by merging slopes, backwards from the last stage: with convex costs, the cheapest way to more is
always the cheapest slope that is left.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, NamedTuple

PRICE_DIGITS: Final = 9
"""Prices that are the same when rounded to so many decimals cost the same."""


class Slope(NamedTuple):
    """An amount that costs the same throughout.

    Attributes
    ----------
    price : float
        Cost of each unit.
    most : float
        Length of the piece; not negative.
    part : int
        Which part of the stage it belongs to; -1 for none.
    """

    price: float
    most: float
    part: int = -1


@dataclass(frozen=True)
class Stage:
    """The parts of one stage, and its end.

    Attributes
    ----------
    fixed : float
        The least that the stage adds: the sum of the parts' least amounts.
    slopes : list of Slope
        What each part may add beyond that. The slopes of one part get no cheaper. Of slopes that
        cost the same, the first is taken first.
    least, most : float
        Bounds of what is held at the end.
    worth : list of Slope
        What it is worth to hold more than `least`, as costs (worth is negative), up to `most`;
        the slopes get no cheaper.
    lost : float
        How much is lost after the end; what is held there is never less.
    """

    fixed: float
    slopes: list[Slope]
    least: float
    most: float
    worth: list[Slope]
    lost: float = 0.0


class _Convex(NamedTuple):
    """A convex function from `start` on, but for a constant."""

    start: float
    slopes: list[Slope]

    def cut(self, least: float, most: float) -> _Convex:
        """Return the same function between two bounds, at most."""
        slopes, at = [], self.start
        for slope in self.slopes:
            low, high = max(at, least), min(at + slope.most, most)
            at += slope.most
            if high > low:
                slopes.append(Slope(slope.price, high - low))
        return _Convex(max(self.start, least), slopes)

    def plus(self, other: _Convex) -> _Convex:
        """Add two functions of the same argument, where both are defined."""
        start = max(self.start, other.start)
        ones, others = self.cut(start, float("inf")), other.cut(start, float("inf"))
        slopes = []
        one, two = list(reversed(ones.slopes)), list(reversed(others.slopes))
        while one and two:
            length = min(one[-1].most, two[-1].most)
            slopes.append(Slope(one[-1].price + two[-1].price, length))
            for stack in (one, two):
                left = stack.pop()
                if left.most - length > 0:
                    stack.append(left._replace(most=left.most - length))
        return _Convex(start, slopes)


def cheapest_amounts(begin: float, stages: list[Stage]) -> list[dict[int, float]]:
    """Find the cheapest amounts.

    Parameters
    ----------
    begin : float
        What is held before the first stage.
    stages : list of Stage
        In order; some amounts must meet all bounds.

    Returns
    -------
    list of dict of int to float
        For each stage, what each of its parts adds beyond its least amount.
    """
    ends: list[_Convex] = []
    following: _Convex | None = None
    for stage in reversed(stages):
        value = _Convex(stage.least, stage.worth).cut(stage.least, stage.most)
        if following is not None:
            shifted = _Convex(following.start + stage.lost, following.slopes)
            value = value.plus(shifted)
        ends.append(value)
        # Before the stage: what is held there, of which more saves the dearest slope that is used.
        saved = [Slope(-each.price, each.most) for each in reversed(_sorted(stage.slopes))]
        merged = sorted([*value.slopes, *saved], key=lambda each: each.price)
        added = stage.fixed + sum(each.most for each in stage.slopes)
        following = _Convex(value.start - added, merged)
    found, held = [], begin
    for stage, value in zip(stages, reversed(ends), strict=True):
        amounts = _chosen(stage, value, held + stage.fixed)
        held += stage.fixed + sum(amounts.values()) - stage.lost
        found.append(amounts)
    return found


def _sorted(slopes: list[Slope]) -> list[Slope]:
    """Sort slopes by price; those that cost the same stay in their order."""
    # Rounding must not tell prices apart that are the same.
    return sorted(slopes, key=lambda each: round(each.price, PRICE_DIGITS))


def _chosen(stage: Stage, value: _Convex, at: float) -> dict[int, float]:
    """Take the cheapest slopes while the value falls faster than they cost."""
    amounts: dict[int, float] = {}
    # What must be reached is bought at any price.
    must = [Slope(float("-inf"), value.start - at)] if value.start > at else []
    ahead = [*must, *value.cut(at, float("inf")).slopes][::-1]
    for slope in _sorted(stage.slopes):
        left = slope.most
        while left > 0 and ahead and ahead[-1].price + slope.price < 0:
            next_one = ahead.pop()
            step = min(left, next_one.most)
            left -= step
            if next_one.most > step:
                ahead.append(next_one._replace(most=next_one.most - step))
        amounts[slope.part] = amounts.get(slope.part, 0.0) + slope.most - left
        if left > 0:
            break
    return amounts
