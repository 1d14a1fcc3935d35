"""Share a main fuse among charge points, so that together they never exceed it."""

from __future__ import annotations

from math import floor
from types import MappingProxyType
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

FUSE_DIGITS = 6
"""Decimal places of the current left under the fuse: sums of decimals are not exact [A]."""


class CurrentRange(NamedTuple):
    """The currents of a charge point [A per phase]; a relay has only one."""

    lowest: float
    highest: float


def share_of_fuse(
    points: Mapping[str, CurrentRange],
    charge_point: str,
    left_amps: float,
    weights: Mapping[str, float] = MappingProxyType({}),
) -> float:
    """Return a charge point's share of the current left under the main fuse.

    Parameters
    ----------
    points : mapping of str to CurrentRange
        All charge points behind the fuse, in the order of the file.
    charge_point : str
        Name of the one asked about.
    left_amps : float
        Current that the rest of the home leaves under the fuse [A per phase].
    weights : mapping of str to float
        How many times the current of a charge point counts, if not once.

    Returns
    -------
    float
        Current [A per phase]; 0 if too little is left. If it is too little for only some of the
        charge points, those first in the file are served.
    """
    served = _served(points, left_amps, weights)
    if charge_point not in served:
        return 0.0
    own = served[charge_point]
    counts = {name: weights.get(name, 1.0) for name in served}
    highest = sum(counts[name] * each.highest for name, each in served.items())
    if round(highest - left_amps, FUSE_DIGITS) <= 0 or own.lowest == own.highest:
        return own.highest
    # A relay takes all of its current. Each of the others gets its lowest current, and an equal
    # part of the way from there to its highest.
    lowest = sum(counts[name] * each.lowest for name, each in served.items())
    to_share, wished = left_amps - lowest, highest - lowest
    part = own.lowest + to_share * (own.highest - own.lowest) / wished
    # A limit in kW makes 23.999999 A of a part that is 24 A.
    return max(own.lowest, float(floor(round(part, FUSE_DIGITS))))


def share_of_limits(
    points: Mapping[str, CurrentRange],
    charge_point: str,
    limits: Iterable[tuple[Mapping[str, float], float]],
) -> float:
    """Return a charge point's share of all that it shares with others.

    Parameters
    ----------
    points : mapping of str to CurrentRange
        All charge points, in the order of the file.
    charge_point : str
        Name of the one asked about.
    limits : iterable of (mapping of str to float, float)
        The charge points that share something, with how many times the current of each counts, and
        what is left of it [A].

    Returns
    -------
    float
        The least of its shares, each by `share_of_fuse`; its highest current if it shares nothing.
    """
    return min(
        (
            share_of_fuse(
                {name: each for name, each in points.items() if name in members},
                charge_point,
                left,
                members,
            )
            for members, left in limits
            if charge_point in members
        ),
        default=points[charge_point].highest,
    )


def _served(
    points: Mapping[str, CurrentRange], left_amps: float, weights: Mapping[str, float]
) -> dict[str, CurrentRange]:
    """Select, in the file's order, the points whose lowest currents fit together."""
    served: dict[str, CurrentRange] = {}
    allotted = 0.0
    for name, current in points.items():
        lowest = weights.get(name, 1.0) * current.lowest
        if round(allotted + lowest - left_amps, FUSE_DIGITS) <= 0:
            served[name] = current
            allotted += lowest
    return served
