"""Say what a kWh is worth that is bought before a departure and that no departure needs."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.power.charging import SAME_KWH, metered_to

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.power.charging import ChargeModel
    from planners.solver.problem import Deadline


class WorthPiece(NamedTuple):
    """Battery energies of one worth: from, to [kWh], and the worth [currency per metered kWh]."""

    from_kwh: float
    to_kwh: float
    rate_per_kwh: float


def worth_pieces(deadlines: Sequence[Deadline]) -> list[WorthPiece]:
    """List what energy is worth that is in the battery at the first of some departures.

    Parameters
    ----------
    deadlines : sequence of Deadline
        A departure, and those after it.

    Returns
    -------
    list of WorthPiece
        Ascending; energies that are worth nothing are left out.
    """
    edges, trips_kwh = set(), 0.0
    for deadline in deadlines:
        edges |= {trips_kwh + deadline.need_kwh, trips_kwh + deadline.want_kwh}
        trips_kwh += deadline.trip_kwh
        edges.add(trips_kwh)
    pieces = (
        WorthPiece(low, high, _rate_at(deadlines, (low + high) / 2))
        for low, high in pairwise(sorted(edges))
        if high - low > SAME_KWH
    )
    return [piece for piece in pieces if piece.rate_per_kwh > 0]


def _rate_at(deadlines: Sequence[Deadline], stored_kwh: float) -> float:
    """Follow one kWh through the departures until a trip uses it."""
    worth = 0.0
    for deadline in deadlines:
        if stored_kwh <= deadline.need_kwh:
            return 0.0
        if stored_kwh <= deadline.want_kwh:
            worth = max(worth, deadline.max_rate_per_kwh)
        stored_kwh -= deadline.trip_kwh
        if stored_kwh <= 0:
            break
    return worth


def worth_at(
    model: ChargeModel, pieces: Sequence[WorthPiece], stored_kwh: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Return the worth of all energy up to each of many battery energies.

    Parameters
    ----------
    model : ChargeModel
        The vehicle and the current, at which metered energy counts.
    pieces : sequence of WorthPiece
        From `worth_pieces`.
    stored_kwh : ndarray of float
        Battery energies [kWh].

    Returns
    -------
    ndarray of float
        Worth up to each of them [currency]; only differences mean anything.
    """
    worth = np.zeros(len(stored_kwh))
    for low, high, rate in pieces:
        ends = metered_to(model, np.array([low]))
        worth += rate * (metered_to(model, np.clip(stored_kwh, low, high)) - ends)
    return worth
