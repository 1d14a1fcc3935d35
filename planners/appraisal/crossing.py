"""Find where two choices cost the same, by the sign of the gap between them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

ROUNDS = 8
"""The most attempts to find a crossing."""

NEAR = 1e-4
"""A crossing is found if both totals differ by less than this share of the larger one."""


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
