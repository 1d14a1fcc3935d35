"""Hold the cost to go from every state before one departure."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from planners.solver.lanes import Lanes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.solver.priced_moves import PricedMoves

MOST_REMEMBERED: Final = 128
"""Spans whose costs and walks are remembered: a plan of a week for one vehicle has about twenty."""

MOST_WALKS: Final = 4
"""Walks that are remembered of one span."""


class SpanWalk(NamedTuple):
    """A walk through one span.

    Attributes
    ----------
    amps, share : ndarray of float, shape (ticks,)
        The current of each of its ticks, and the used share.
    stored_kwh : float
        Battery energy at its end.
    is_met : bool
        Whether it meets the need.
    """

    amps: NDArray[np.float64]
    share: NDArray[np.float64]
    stored_kwh: float
    is_met: bool


@dataclass(slots=True)
class Remembered:
    """What earlier plans have found out about a span; its tables take too much memory to keep.

    Attributes
    ----------
    on_return : ndarray of float, shape (levels,), or None
        The cost to go from its beginning, of energy bought from then on.
    walks : dict
        The walks, by their kind and the energy at the beginning [kWh].
    """

    on_return: NDArray[np.float64] | None = None
    walks: dict[tuple[str, float], SpanWalk] = field(default_factory=dict)

    def add(self, key: tuple[str, float], walk: SpanWalk) -> None:
        """Remember a walk."""
        if len(self.walks) >= MOST_WALKS:
            self.walks.clear()
        self.walks[key] = walk


@lru_cache(maxsize=MOST_REMEMBERED)
def remembered(content: bytes) -> Remembered:  # noqa: ARG001 - the cache's key
    """Return what is remembered of a span, given a digest of all that its costs depend on."""
    return Remembered()


@dataclass(frozen=True, slots=True, eq=False)
class CostTables:
    """Least cost from each state on [currency].

    Row `i` is the span's tick `i`, and the last row is the span's end. `lanes` gives the lanes of
    each row, of which the others are undefined.

    Attributes
    ----------
    moves : PricedMoves
        The span, its levels, and the moves of its ticks.
    lanes : Lanes
        How the use of limited stretches is counted.
    min_run : int
        Shortest run [ticks].
    first_apart : bool
        Whether a first run may finish before `min_run`, so that it needs its own rows.
    on : ndarray of float, shape (ticks + 1, rows, lanes, levels)
        On; `running` gives the row. A run of 0 ticks draws in this tick; its start is not priced.
    off, fresh : ndarray of float, shape (ticks + 1, lanes, levels)
        Off and rested; `fresh` if nothing was bought since the last departure. The two are the
        same array unless `first_apart`.
    done : ndarray of float, shape (levels,)
        At the departure.
    short_run : ndarray of float, shape (rows, levels)
        Cost of a run that ends with the span before it has lasted `min_run`.
    bonus : float
        How much more than waiting a start, or one more tick, may cost and still be chosen; negative
        if the late plan is preferred [currency].
    """

    moves: PricedMoves
    lanes: Lanes
    min_run: int
    first_apart: bool
    on: NDArray[np.float64]
    off: NDArray[np.float64]
    fresh: NDArray[np.float64]
    done: NDArray[np.float64]
    short_run: NDArray[np.float64]
    bonus: float

    def running(self, ticks: int, *, first: bool) -> int:
        """Return the row of `on` for a run that has lasted `ticks`."""
        if first and ticks < self.min_run:
            return ticks
        return min(ticks, self.min_run) + (self.min_run if self.first_apart else 0)


def empty_tables(
    moves: PricedMoves,
    min_run: int,
    done: NDArray[np.float64],
    bonus: float,
    short_run_cost: float,
) -> CostTables:
    """Make the tables of a span, with only its departure filled in.

    Parameters
    ----------
    moves : PricedMoves
        The moves of the span's ticks.
    min_run : int
        Shortest run [ticks].
    done : ndarray of float, shape (levels,)
        Cost from the departure on [currency].
    bonus : float
        See `CostTables`.
    short_run_cost : float
        See `PlanningProblem`.

    Returns
    -------
    CostTables
        Its other rows are undefined until they are filled in.
    """
    ticks = moves.span.end - moves.span.start
    levels = len(moves.levels)
    # A tick that is cut too short to count is one more.
    first_apart = moves.may_be_done_within(min_run - (moves.problem.least_part <= 0))
    lanes = Lanes(moves.problem.use_limits, moves.span.start, moves.span.end)
    most = lanes.most
    on = np.empty((ticks + 1, min_run + 1 + min_run * first_apart, most, levels))
    off = np.empty((ticks + 1, most, levels))
    fresh = np.empty((ticks + 1, most, levels)) if first_apart else off
    short_run = _short_run(moves, min_run, short_run_cost, rows=on.shape[1])
    on[ticks] = (done + short_run)[:, None]
    off[ticks] = fresh[ticks] = done
    return CostTables(moves, lanes, min_run, first_apart, on, off, fresh, done, short_run, bonus)


def _short_run(moves: PricedMoves, min_run: int, cost: float, rows: int) -> NDArray[np.float64]:
    """Price the end of the span for runs of each length and each level, shape (rows, levels)."""
    short_run = np.full((rows, len(moves.levels)), cost)
    short_run[-1] = 0.0
    apart = rows - min_run - 1  # the rows of first runs
    short_run[:apart, moves.targets] = 0.0  # all the charging for the departure
    before, ticks = moves.problem.before, moves.span.end - moves.span.start
    if moves.k == 0 and before.on:  # a run in progress ends with the time
        for lasted in range(max(1, before.ticks + ticks), min_run):
            short_run[[lasted, apart + lasted]] = 0.0
    return short_run
