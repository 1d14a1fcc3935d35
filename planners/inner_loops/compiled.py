"""Fill rows of tables by the compiled accelerator.

It computes what `planners.solver.filling` does without it, with the same sums and minima.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from planners.inner_loops import accelerator

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    from planners.inner_loops.moves import BetweenLevels, Piece, TickMoves
    from planners.inner_loops.ranges import Ranges

    Row = NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class RowTables:
    """Tables of which rows are to be filled; `planners.solver.cost_tables` says what they hold.

    Attributes
    ----------
    on : ndarray of float, shape (ticks + 1, rows, lanes, levels)
    off, fresh : ndarray of float, shape (ticks + 1, lanes, levels)
        Of several lanes, only the first is filled.
    reached : ndarray of int, shape (ticks + 1,)
        So many levels of each row matter, the lowest ones: a state above them can't come about.
    short_run : ndarray of float, shape (rows,)
        Cost of a run that is too short at the last tick.
    min_run, min_rest : int
        Shortest run and rest [ticks].
    above_want : int
        The first level above the want.
    first_apart : bool
        Whether first runs have rows of their own.
    cut_counts : bool
        Whether a tick that is cut short counts as one of a run.
    start_cost : float
        Cost of a start [currency].
    cut_off, cut_off_run : int
        The tick that ends a run in progress too early, and that run's row; -1 if there is none.
    """

    on: Row
    off: Row
    fresh: Row
    reached: NDArray[np.intp]
    short_run: Row
    min_run: int
    min_rest: int
    above_want: int
    first_apart: bool
    cut_counts: bool
    start_cost: float
    cut_off: int = -1
    cut_off_run: int = -1


class RowFiller:
    """Fill rows of tables, the last one first.

    Parameters
    ----------
    tables : RowTables
        What is filled.
    """

    def __init__(self, tables: RowTables) -> None:
        self._tables = tables
        self._ticks: dict[int, Any] = {}
        self._ranges: dict[int, dict[str, Any]] = {}
        self._kept: list[Any] = []  # cffi keeps nothing alive that a struct points to
        self._longest = 1

    def fill(
        self, kinds: Mapping[int, tuple[TickMoves, Row]], numbers: Sequence[int], first: int
    ) -> None:
        """Fill some rows.

        Parameters
        ----------
        kinds : mapping of int to tuple of TickMoves and ndarray of float, shape (levels,)
            For each number, the moves that draw through a tick of that kind, and the least cost of
            finishing within it. A number always stands for the same.
        numbers : sequence of int
            The kind of each row.
        first : int
            The first of them.
        """
        for number in kinds.keys() - self._ticks.keys():
            self._ticks[number] = self._tick(*kinds[number])
        of_row = accelerator.ffi.new("tick *[]", [self._ticks[number] for number in numbers])
        accelerator.lib.fill_rows(self._all(), of_row, first, first + len(numbers))

    def _all(self) -> Any:  # noqa: ANN401 - cffi has no types
        given = self._tables
        ticks, rows, lanes, levels = given.on.shape
        work = np.empty(accelerator.lib.work_size(levels, self._longest))
        whole = ("min_run", "min_rest", "above_want", "first_apart", "cut_counts", "start_cost")
        fields = {name: getattr(given, name) for name in (*whole, "cut_off", "cut_off_run")}
        arrays = {"on": given.on, "off": given.off, "fresh": given.fresh, "work": work}
        fields |= {name: self._doubles(each) for name, each in arrays.items()}
        fields |= {
            "short_run": self._doubles(given.short_run),
            "reached": self._indices(given.reached),
            "ticks": ticks - 1,
            "rows": rows,
            "levels": levels,
            "stride": lanes * levels,
            "longest": self._longest,
        }
        return accelerator.ffi.new("tables *", fields)

    def _tick(self, moves: TickMoves, part: Row) -> Any:  # noqa: ANN401 - cffi has no types
        pieces = accelerator.ffi.new("piece[]", [self._piece(each) for each in moves.pieces])
        self._kept.append(pieces)
        fields = {"pieces": pieces, "count": len(moves.pieces), "part": self._doubles(part)}
        if moves.between is not None:
            fields["between"] = self._between(moves.between)
        return accelerator.ffi.new("tick *", fields)

    def _piece(self, piece: Piece) -> dict[str, Any]:
        if id(piece.ranges) not in self._ranges:
            self._ranges[id(piece.ranges)] = self._ranges_of(piece.ranges)
        return {
            "slope": accelerator.ffi.NULL if piece.slope is None else self._doubles(piece.slope),
            "costs": self._doubles(piece.costs),
            "top": piece.top,
            "low": piece.low or 0.0,
            **self._ranges[id(piece.ranges)],
        }

    def _ranges_of(self, ranges: Ranges) -> dict[str, Any]:
        """Divide the levels into parts whose ranges are of one length, one level further each."""
        first, last, exists = ranges.first, ranges.last, ranges.exists
        length = np.where(exists, last - first + 1, 0)
        longest = int(length.max(initial=1))
        self._longest = max(self._longest, longest)
        # The levels above the last are infinite: a range that ends there may continue.
        length = np.where(exists & (last == last.max(initial=0)), longest, length)
        is_odd = (first[1:] - first[:-1] != 1) | (length[1:] != length[:-1])
        breaks = _ends(is_odd)
        steps = last[1:] - last[:-1]
        is_odd = (steps < 0) | (steps > 1)
        is_odd[1:] |= steps[1:] != steps[:-1]
        last_breaks = _ends(is_odd)
        return {
            "first": self._indices(first),
            "length": self._indices(length),
            "last": self._indices(last),
            "breaks": self._indices(breaks),
            "last_breaks": self._indices(last_breaks),
            "parts": len(breaks) - 1,
            "last_parts": len(last_breaks) - 1,
        }

    def _between(self, between: BetweenLevels) -> dict[str, Any]:
        more = between.more
        return {
            "below": self._indices(between.below),
            "above": self._indices(between.above),
            "along": self._doubles(between.along),
            "costs": self._doubles(between.costs),
            "more": accelerator.ffi.NULL if more is None else self._doubles(more),
            "jump": between.jump,
        }

    def _doubles(self, array: Row) -> Any:  # noqa: ANN401 - cffi has no types
        return self._pointer("double[]", array)

    def _indices(self, array: NDArray[np.intp]) -> Any:  # noqa: ANN401 - cffi has no types
        return self._pointer("ptrdiff_t[]", array)

    def _pointer(self, kind: str, array: NDArray[Any]) -> Any:  # noqa: ANN401 - cffi has no types
        pointer = accelerator.ffi.from_buffer(kind, array)
        self._kept.append(pointer)
        return pointer


def _ends(is_begin: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Return where parts begin, the first with level 0 and others after it, and the last's end."""
    return np.concatenate(([0], np.flatnonzero(is_begin) + 1, [len(is_begin) + 1]))
