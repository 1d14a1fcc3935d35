"""Find the least cost of all moves of one kind of tick, from each level to others."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.inner_loops.ranges import Ranges

    Row = NDArray[np.float64]


class Piece(NamedTuple):
    """Moves over which a kWh has one price.

    Attributes
    ----------
    slope : ndarray of float, shape (levels,), or None
        What the energy of each level costs at that price [currency]; None where each level leads to
        only one other.
    costs : ndarray of float, shape (levels,)
        Costs from each level that no current changes [currency]; infinite from a level without a
        move.
    ranges : Ranges
        The levels they lead to.
    top : int
        The highest level of all.
    low : float or None
        What the last level of each range is better by; None if no range ends with the highest
        current.
    """

    slope: Row | None
    costs: Row
    ranges: Ranges
    top: int
    low: float | None = None


class BetweenLevels(NamedTuple):
    """Moves of one energy each, which may end between two levels: costs are interpolated.

    Attributes
    ----------
    below, above : ndarray of int, shape (levels,)
        The levels next to where each leads.
    along : ndarray of float, shape (levels,)
        The share of the way from one to the other.
    costs : ndarray of float, shape (levels,)
        Costs from each level [currency]; infinite where no such move is allowed.
    more : ndarray of float, shape (levels,), or None
        What each level costs more in this tick [currency].
    jump : float
        A difference of two levels from which on the costs jump, so that they aren't interpolated.
    """

    below: NDArray[np.intp]
    above: NDArray[np.intp]
    along: Row
    costs: Row
    more: Row | None
    jump: float

    def cost_from(self, level: int, after: Row) -> float:
        """Return the cost of one level's move, as `least_between` finds it for all."""
        i, j = int(self.below[level]), int(self.above[level])
        below, above = float(after[i]), float(after[j])
        if self.more is not None:
            below, above = below + float(self.more[i]), above + float(self.more[j])
        apart = above - below
        step = apart * float(self.along[level]) if abs(apart) < self.jump else max(0.0, apart)
        return step + below + float(self.costs[level])


class TickMoves(NamedTuple):
    """All moves of one kind of tick: those of each piece, and those that end between levels."""

    pieces: tuple[Piece, ...]
    between: BetweenLevels | None = None


def least_costs(moves: TickMoves, after: Row, out: Row) -> None:
    """Find the least cost of drawing through a tick.

    Parameters
    ----------
    moves : TickMoves
        Of the tick.
    after : ndarray of float, shape (rows, levels)
        Cost from the next tick on, in several states [currency]; infinity above the want.
    out : ndarray of float, shape (rows, levels)
        Takes the least cost from this tick on [currency]; infinity where no move is possible.
    """
    out_of_piece = out
    for slope, costs, ranges, top, low in moves.pieces:
        if slope is None:
            after.take(ranges.last, axis=1, out=out_of_piece, mode="clip")
        else:
            ranges.least(after, slope, out_of_piece, top, low)
        out_of_piece += costs
        if out_of_piece is not out:
            np.minimum(out, out_of_piece, out=out)
        if len(moves.pieces) > 1:
            out_of_piece = np.empty_like(out)
    if not moves.pieces:
        out[:] = np.inf
    if moves.between is not None:
        np.minimum(out, least_between(moves.between, after), out=out)


def least_between(moves: BetweenLevels, after: Row) -> Row:
    """Find the cost of moves that may end between two levels; shapes as in `least_costs`."""
    after = after if moves.more is None else after + moves.more
    below, above = after.take(moves.below, axis=-1), after.take(moves.above, axis=-1)
    with np.errstate(invalid="ignore"):
        apart = above - below
        found: Row = np.where(np.abs(apart) < moves.jump, apart * moves.along, np.fmax(apart, 0.0))
        found += below
    found += moves.costs
    return found
