"""Where two choices cost the same: a gap between their totals that changes its sign."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

ROUNDS = 8
"""How often a crossing is looked for again at the most."""

NEAR = 1e-4
"""A crossing is found where both sides differ by less than this share of their totals."""


class Point(NamedTuple):
    """A gap [currency] at some place, such as a rate or a share of the distance."""

    at: float
    gap: float


@dataclass(frozen=True, slots=True)
class Rival:
    """Where a rival takes the place: at which value, which choice it is, and why."""

    at: float
    place: int
    by_shortage: bool = False


def crossing(gap: Callable[[float], tuple[float, float]], near: Point, far: Point) -> float:
    """Find where a gap is nothing that changes its sign between two points.

    Parameters
    ----------
    gap : callable
        From a place to the gap there and the larger of the totals [currency].
    near, far : Point
        On both sides of it.

    Returns
    -------
    float
        The place.
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
