"""Fill the tables of costs to go, backwards through the ticks before one departure.

The recurrence is that of `planners.solver.exact`. Where the accelerator is installed, it fills all
rows whose use is not limited, with the same numbers.

A later night is often the same in one plan after another, as when a vehicle reports its state of
charge. `SpanCosts` fills the tables of a night only if nothing is remembered of it.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from hashlib import blake2b
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from planners.inner_loops.accelerator import is_installed
from planners.inner_loops.compiled import RowFiller, RowTables
from planners.inner_loops.moves import least_costs
from planners.power.charging import SAME_KWH
from planners.solver.cost_tables import empty_tables, remembered

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.solver.cost_tables import CostTables, Remembered
    from planners.solver.lanes import Lanes
    from planners.solver.priced_moves import PricedMoves
    from planners.solver.problem import Floor, PlanningProblem


class SpanCosts:
    """The least costs of one span, which are filled in when they are first asked for.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    moves : PricedMoves
        The moves of the span's ticks.
    done : ndarray of float, shape (levels,)
        Cost from the departure on [currency].
    bonus, short_run_cost : float
        See `CostTables` and `PlanningProblem`.
    """

    def __init__(
        self,
        problem: PlanningProblem,
        moves: PricedMoves,
        done: NDArray[np.float64],
        bonus: float,
        short_run_cost: float,
    ) -> None:
        self.moves = moves
        self._problem = problem
        self._given = done, bonus, short_run_cost

    @cached_property
    def tables(self) -> CostTables:
        """The tables, all filled in."""
        tables = empty_tables(self.moves, self._problem.min_run, *self._given)
        fill(self._problem, tables)
        return tables

    @cached_property
    def remembered(self) -> Remembered:
        """What earlier plans have found out about a span whose costs are the same."""
        return remembered(_digest(self._problem, self.moves, *self._given))

    @property
    def on_return(self) -> NDArray[np.float64]:
        """The value of each level at the span's beginning; energy already there is no purchase."""
        if self.remembered.on_return is None:
            self.remembered.on_return = self.tables.fresh[0, 0] + self.moves.worth
        return self.remembered.on_return


def _digest(
    problem: PlanningProblem,
    moves: PricedMoves,
    done: NDArray[np.float64],
    bonus: float,
    short_run_cost: float,
) -> bytes:
    """Digest all that the tables of a span and the walks through them depend on."""
    start, end = moves.span.start, moves.span.end
    limits = [(one.start - start, one.end - start, one.most_ticks) for one in problem.use_limits]
    deadlines = [
        (each.need_kwh, each.want_kwh, each.max_rate_per_kwh, each.trip_kwh)
        for each in problem.deadlines[moves.k :]
    ]
    span = replace(moves.span, start=0, end=end - start)
    begun = (problem.before, problem.floor, problem.stored_kwh) if moves.k == 0 else None
    numbers = (
        problem.model, problem.tick_hours, problem.min_amps, problem.min_run, problem.min_rest,
        problem.least_part, problem.start_cost, problem.tie, problem.prefer_late, bonus,
        short_run_cost, begun, span, deadlines, limits, moves.kinds, moves.numbers,
    )  # fmt: skip
    arrays = [moves.levels, done, problem.highest_amps[start:end]]
    if problem.surplus_kw is not None:
        arrays.append(problem.surplus_kw[start:end])
    return blake2b(b"".join((repr(numbers).encode(), *map(bytes, arrays)))).digest()


def fill(problem: PlanningProblem, tables: CostTables) -> None:
    """Go backwards through the ticks of one span.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    tables : CostTables
        With only its departure filled in.
    """
    rows = _rows_of(problem, tables)
    tables.on[-1, ..., rows.above_want :] = np.inf
    parts = _Parts(tables)
    counting = _Parts(tables, problem.part_that_counts)
    floor = problem.floor if tables.moves.k == 0 else None
    kept = range(0) if floor is None else range(floor.tick, floor.tick + max(1, problem.min_rest))
    some_count = 0 < problem.part_that_counts < 1
    compiled = RowFiller(rows) if is_installed() and not some_count else None
    for first, end in _stretches(tables.lanes, len(tables.on) - 1, kept):
        if compiled is None or tables.lanes.limits[first] is not None:
            for row in range(end - 1, first - 1, -1):
                _fill_row(rows, tables, row, parts, counting)
        else:
            numbers = tables.moves.numbers[first:end]
            kinds = {each: (tables.moves.whole(each), parts.of(each)) for each in set(numbers)}
            compiled.fill(kinds, numbers, first)
        if floor is not None and first in kept:
            _keep_to_floor(floor, tables, first)


def _rows_of(problem: PlanningProblem, tables: CostTables) -> RowTables:
    """Say what it takes to fill a row."""
    moves = tables.moves
    cut_off = problem.run_cut_off if moves.k == 0 else None
    ran = 1 if cut_off is None else max(1, problem.before.ticks + cut_off)
    return RowTables(
        on=tables.on,
        off=tables.off,
        fresh=tables.fresh,
        reached=_reached(problem, tables),
        # The lowest level is no target, so that it has each row's cost.
        short_run=np.ascontiguousarray(tables.short_run[:, 0]),
        min_run=problem.min_run,
        min_rest=problem.min_rest,
        above_want=int(np.searchsorted(moves.levels, moves.span.want_kwh + SAME_KWH)),
        first_apart=tables.first_apart,
        cut_counts=problem.part_that_counts <= 0,
        start_cost=problem.start_cost + problem.tie,
        cut_off=-1 if cut_off is None else cut_off,
        cut_off_run=tables.running(ran, first=True),
    )


def _reached(problem: PlanningProblem, tables: CostTables) -> NDArray[np.intp]:
    """Count the levels up to what the battery can hold before each tick, and two more."""
    ticks, levels = len(tables.on), tables.moves.levels
    if tables.moves.k > 0:  # it may come home with anything
        return np.full(ticks, len(levels))
    amps = max((kind.amps for kind in tables.moves.kinds), default=0.0)
    gained_kw = problem.model.gained_kw(amps * problem.model.kw_per_amp)
    most_kwh = problem.stored_kwh + gained_kw * problem.tick_hours * np.arange(ticks)
    return np.minimum(np.searchsorted(levels, most_kwh + SAME_KWH, side="right") + 2, len(levels))


def _stretches(lanes: Lanes, ticks: int, kept: range) -> list[tuple[int, int]]:
    """Divide the rows where lanes begin or end and after each one kept to a floor, last first."""
    edges = {row for row in range(1, ticks) if lanes.limits[row] is not lanes.limits[row - 1]}
    edges |= {row for row in kept if 0 < row < ticks} | {0, ticks}
    return list(pairwise(sorted(edges)))[::-1]


def _fill_row(
    rows: RowTables, tables: CostTables, row: int, parts: _Parts, counting: _Parts
) -> None:
    """Fill one row by numpy; where use is limited, arrays have an axis of lanes before levels."""
    on, off, fresh, lanes = tables.on, tables.off, tables.fresh, tables.lanes
    ticks = len(on) - 1
    after_rest = min(row + rows.min_rest, ticks)
    here: int | slice = 0
    later = rested = here
    if lanes.limits[row] is not None:
        here, later, rested = (_lanes_at(lanes, row, to) for to in (row, row + 1, after_rest))
    now, part = on[row, :, here], parts.at(row)
    _whole(tables, row, now[:-1])
    full = now[-2]
    if counting.least < 1:
        counts = part if rows.cut_counts else counting.at(row)
        if row == ticks - 1:  # a run may end where the time ends
            short_run = rows.short_run[1:].reshape(-1, *[1] * part.ndim)
            np.minimum(now[:-1], counts + short_run, out=now[:-1])
        np.minimum(full, counts, out=full)
    rest = off[row, here]
    np.add(now[tables.running(0, first=False)], rows.start_cost, out=rest)
    np.minimum(rest, off[row + 1, later], out=rest)
    if rows.first_apart:
        first_runs = now[: rows.min_run]
        first_runs[-1] = now[-2]
        np.minimum(first_runs, part, out=first_runs)
        rest = fresh[row, here]
        np.add(first_runs[0], rows.start_cost, out=rest)
        np.minimum(rest, fresh[row + 1, later], out=rest)
    stopped = off[after_rest, rested]
    np.minimum(full, stopped, out=now[-1])
    if not rows.cut_counts:
        np.minimum(now[-1], part, out=now[-1])
    now[-1, ..., rows.above_want :] = np.inf
    if row == rows.cut_off:
        now[rows.cut_off_run] = stopped


def _keep_to_floor(floor: Floor, tables: CostTables, row: int) -> None:
    """Give up what holds less than the floor. Levels are rounded down: the one below it will do."""
    below = int(np.searchsorted(tables.moves.levels, floor.kwh + SAME_KWH, side="right")) - 1
    # A rest that has begun before that tick may end after it.
    for table in (tables.off, tables.fresh):
        table[row, ..., : max(0, below)] = np.inf
    if row == floor.tick:
        runs = np.arange(tables.on.shape[1]) % tables.min_run > 0
        runs[-1] = True
        tables.on[row, runs, ..., : max(0, below)] = np.inf


def _lanes_at(lanes: Lanes, row: int, later: int) -> slice:
    """Return the lanes before a later tick that a tick's lanes lead to, if nothing is drawn."""
    return slice(0, lanes.at(row) if lanes.is_same(row, later) else 1)


def _whole(tables: CostTables, row: int, out: NDArray[np.float64]) -> None:
    """Find the least cost of drawing through a tick, for each row but the last."""
    moves, lanes = tables.moves, tables.lanes
    whole = moves.whole(moves.numbers[row])
    after = tables.on[row + 1, 1:]
    limit = lanes.limits[row]
    if limit is None:
        least_costs(whole, after[:, 0], out)
        return
    usable = min(lanes.at(row), limit.whole_ticks)
    out[:] = np.inf
    if usable and lanes.is_same(row, row + 1):
        flat = after[:, 1 : usable + 1].reshape(-1, after.shape[-1])
        found = np.empty_like(flat)
        least_costs(whole, flat, found)
        out[:, :usable] = found.reshape(-1, usable, after.shape[-1])
    elif usable:
        least_costs(whole, after[:, 0], out[:, 0])
        out[:, 1:usable] = out[:, :1]


class _Parts:
    """The least costs of finishing within each kind of tick, of which a part at least is used."""

    def __init__(self, tables: CostTables, least: float = 0.0) -> None:
        self.least = least
        self._tables = tables
        self._known: dict[tuple[int, float], NDArray[np.float64]] = {}

    def at(self, row: int) -> NDArray[np.float64]:
        """Return those of a tick; with a first axis of lanes where use is limited."""
        lanes, number = self._tables.lanes, self._tables.moves.numbers[row]
        if lanes.limits[row] is None:
            return self.of(number)
        used = range(lanes.at(row))
        return np.array([self.of(number, min(1.0, lanes.left(row, each))) for each in used])

    def of(self, number: int, most: float = 1.0) -> NDArray[np.float64]:
        """Return those of a kind of tick, of which at most a part may be used."""
        found = self._known.get((number, most))
        if found is None:
            found = self._tables.moves.part(number, self._tables.done, most, self.least)
            self._known[number, most] = found
        return found
