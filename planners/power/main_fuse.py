"""How charge points share what is left under a main fuse, so that together they never exceed it."""

from __future__ import annotations

from math import floor
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping


class CurrentRange(NamedTuple):
    """The currents a charge point can be on with [A per phase]; a relay has only one."""

    lowest: float
    highest: float


def share_of_fuse(points: Mapping[str, CurrentRange], charge_point: str, left_amps: float) -> float:
    """Return what a charge point may draw of what is left under the main fuse.

    Parameters
    ----------
    points : mapping of str to CurrentRange
        All charge points behind the fuse, in the order of the file.
    charge_point : str
        The one asked about.
    left_amps : float
        What the fuse carries beside the rest of the home [A per phase].

    Returns
    -------
    float
        Current [A per phase]; 0 where too little is left. Where it is too little for some of the
        charge points only, those that come first in the file are served.
    """
    served = _served(points, left_amps)
    if charge_point not in served:
        return 0.0
    own = served[charge_point]
    if (
        sum(current.highest for current in served.values()) <= left_amps
        or own.lowest == own.highest
    ):
        return own.highest
    # Relays draw what they draw; the others get their lowest current each, and equal parts of
    # the way from there to their highest.
    to_share = left_amps - sum(current.lowest for current in served.values())
    wished = sum(current.highest - current.lowest for current in served.values())
    whole = floor(own.lowest + to_share * (own.highest - own.lowest) / wished)
    return max(own.lowest, float(whole))


def _served(points: Mapping[str, CurrentRange], left_amps: float) -> dict[str, CurrentRange]:
    """Charge points that can be on together: each whose lowest current still fits, in order."""
    served: dict[str, CurrentRange] = {}
    taken = 0.0
    for name, current in points.items():
        if taken + current.lowest <= left_amps:
            served[name] = current
            taken += current.lowest
    return served
