"""Share a main fuse among charge points, so that together they never exceed it."""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping


class CurrentRange(NamedTuple):
    """The currents of a charge point [A per phase]; a relay has only one."""

    lowest: float
    highest: float


def share_of_fuse(points: Mapping[str, CurrentRange], charge_point: str, left_amps: float) -> float:
    """Return a charge point's share of the current left under the main fuse.

    Parameters
    ----------
    points : mapping of str to CurrentRange
        All charge points behind the fuse, in the order of the file.
    charge_point : str
        Name of the one asked about.
    left_amps : float
        Current that the rest of the home leaves under the fuse [A per phase].

    Returns
    -------
    float
        Current [A per phase]; 0 if too little is left. If it is too little for only some of the
        charge points, those first in the file are served.
    """
    served = _served(points, left_amps)
    if charge_point not in served:
        return 0.0
    own = served[charge_point]
    if sum(each.highest for each in served.values()) <= left_amps or own.lowest == own.highest:
        return own.highest
    # A relay takes all of its current. Each of the others gets its lowest current, and an equal
    # part of the way from there to its highest.
    to_share = left_amps - sum(each.lowest for each in served.values())
    wished = sum(each.highest - each.lowest for each in served.values())
    whole = floor(own.lowest + to_share * (own.highest - own.lowest) / wished)
    return max(own.lowest, float(whole))


def share_of_limits(
    points: Mapping[str, CurrentRange],
    charge_point: str,
    limits: Iterable[tuple[frozenset[str], float]],
) -> float:
    """Return a charge point's share of all that it shares with others.

    Parameters
    ----------
    points : mapping of str to CurrentRange
        All charge points, in the order of the file.
    charge_point : str
        Name of the one asked about.
    limits : iterable of (frozenset of str, float)
        The charge points that share something, and what is left of it [A].

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
            )
            for members, left in limits
            if charge_point in members
        ),
        default=points[charge_point].highest,
    )


def _served(points: Mapping[str, CurrentRange], left_amps: float) -> dict[str, CurrentRange]:
    """Select, in the file's order, the points whose lowest currents fit together."""
    served: dict[str, CurrentRange] = {}
    allotted = 0.0
    for name, current in points.items():
        if allotted + current.lowest <= left_amps:
            served[name] = current
            allotted += current.lowest
    return served
