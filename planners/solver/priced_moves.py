"""Price the moves of ticks between levels, for all levels at once or for one."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.power.charging import SAME_KWH, metered_to
from planners.solver.levels import Moves, moves_of
from planners.solver.problem import ROUNDING_TICKS
from planners.solver.ranges import Ranges
from planners.solver.worth import worth_at, worth_pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.solver.levels import DepartureSpan
    from planners.solver.problem import PlanningProblem

    Row = NDArray[np.float64]


LOW_CURRENT = 0.1
"""Charged for a tick below its highest current, as a part of `PlanningProblem.tie`: of two plans
that cost the same, the plainer one draws the full current."""


class TickKind(NamedTuple):
    """What determines the costs of a tick.

    Attributes
    ----------
    price_per_kwh : float
        Its rate, and any surcharge [currency per kWh].
    amps : float
        Its highest current [A per phase].
    is_dear : bool
        Whether its rate is above the highest for what the departure wants.
    """

    price_per_kwh: float
    amps: float
    is_dear: bool


class PricedMoves:
    """The moves of one span's ticks, with their costs.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    k : int
        Index of the departure that ends the span.
    span : DepartureSpan
        The time before it.
    levels : ndarray of float, shape (levels,)
        Its battery energies [kWh].
    """

    def __init__(self, problem: PlanningProblem, k: int, span: DepartureSpan, levels: Row) -> None:
        self.problem = problem
        self.k = k
        self.span = span
        self.levels = levels
        self.targets = np.searchsorted(levels, np.array(span.targets_kwh) - SAME_KWH).tolist()
        self._prices: list[float] = problem.prices_per_kwh.tolist()
        self._amps: list[float] = problem.highest_amps.tolist()
        self._moves: dict[float, tuple[Moves, Ranges]] = {}
        self._near: dict[float, list[tuple[NDArray[np.intp], Row, Row]]] = {}
        self._costs: dict[TickKind, Row] = {}
        model = problem.model
        deadline = problem.deadlines[k]
        need = np.array([deadline.need_kwh])
        past_kwh = np.maximum(0.0, metered_to(model, levels) - metered_to(model, need))
        # At equal cost, what is wanted at many departures is bought before the first of them.
        first = problem.least_worth * (len(problem.deadlines) - k) * past_kwh
        self.worth = worth_at(model, worth_pieces(problem.deadlines[k:]), levels) + first
        # And a little more, so that dear energy which costs the same later waits for later.
        self._dear = first + 0.5 * problem.least_worth * past_kwh
        max_rate = deadline.max_rate_per_kwh if k + 1 < len(problem.deadlines) else np.inf
        self._is_dear: list[bool] = (problem.rates_per_kwh > max_rate).tolist()
        self._metered = problem.tick_hours * model.kw_per_amp * model.taper_shares(levels)
        self._standby = problem.tick_hours * model.standby_kw / model.efficiency

    def may_be_done_within(self, ticks: int) -> bool:
        """Tell whether a first run may reach a target in at most so many ticks."""
        if ticks == 0 or self.k > 0:
            return ticks > 0
        amps = max([0.0, *self._amps[: self.span.end]])
        kw = self.problem.model.gained_kw(amps * self.problem.model.kw_per_amp)
        reach_kwh = self.problem.stored_kwh + ticks * kw * self.problem.tick_hours + SAME_KWH
        # With a current that can be set, a tick cut short doesn't count as one.
        if self.problem.min_amps is not None:
            reach_kwh += kw * self.problem.tick_hours
        return any(self.problem.stored_kwh < t <= reach_kwh for t in self.span.targets_kwh)

    def kind(self, i: int) -> TickKind:
        """Return what determines the costs of a tick."""
        return TickKind(self._prices[i], self._amps[i], self._is_dear[i])

    def of_tick(self, i: int) -> Moves:
        """Return the moves of tick `i`."""
        return self._at(self._amps[i])[0]

    def _at(self, amps: float) -> tuple[Moves, Ranges]:
        if amps not in self._moves:
            moves = moves_of(self.problem, self.levels, self.span.want_kwh, amps)
            self._moves[amps] = moves, Ranges(moves.first, moves.last, moves.possible)
        return self._moves[amps]

    def whole(self, i: int, after: Row) -> Row:
        """Find the least cost of drawing through tick `i`, with the costs `after` it.

        Parameters
        ----------
        i : int
            The tick.
        after : ndarray of float, shape (rows, levels)
            Cost from tick ``i + 1`` on, in several states [currency]; infinity above the want.

        Returns
        -------
        ndarray of float, shape (rows, levels)
            Least cost from tick `i` on [currency]; infinity where it isn't possible.
        """
        price, amps, is_dear = kind = self.kind(i)
        ranges = self._at(amps)[1]
        if kind not in self._costs:
            self._costs[kind] = (
                ranges.blocked
                - (self._dear if is_dear else 0.0)
                + (
                    price * amps * self._metered
                    if self.problem.min_amps is None
                    else price * (self._standby - self.levels / self.problem.model.efficiency)
                )
            )
        if self.problem.min_amps is not None:
            # With a current that can be set, the cost is a difference of two levels' costs.
            after = after + (price / self.problem.model.efficiency * self.levels)
        if is_dear:
            after = after + self._dear
        found = ranges.least(after)
        if self.problem.min_amps is not None:
            found += self.problem.tie * LOW_CURRENT
            np.minimum(found, ranges.at_last(after), out=found)
        found += self._costs[kind]
        return found

    def part(self, i: int, done: Row, most: float = np.inf) -> Row:
        """Find the least cost of finishing at a target within tick `i`.

        Parameters
        ----------
        i : int
            The tick.
        done : ndarray of float, shape (levels,)
            Cost from the departure on [currency].
        most : float
            The most of the tick that may be used [ticks].

        Returns
        -------
        ndarray of float, shape (levels,)
            Least cost from tick `i` on [currency]; infinity where it isn't possible.
        """
        price, amps, is_dear = self.kind(i)
        if amps not in self._near:
            self._near[amps] = [self._near_target(target, amps) for target in self.targets]
        found = np.full(len(self.levels), np.inf)
        for target, (near, share, metered) in zip(self.targets, self._near[amps], strict=True):
            if most < 1:
                may = share <= most + ROUNDING_TICKS
                near, share, metered = near[may], share[may], metered[may]  # noqa: PLW2901
            cost = price * amps * share * metered + done[target]
            if is_dear:
                cost += self._dear[target] - self._dear[near]
            found[near] = np.minimum(found[near], cost)
        return found

    def _near_target(self, target: int, amps: float) -> tuple[NDArray[np.intp], Row, Row]:
        """Return the levels that part of a tick leads to a target from, the part, a tick's kWh."""
        gains_kwh = self._at(amps)[0].gains_kwh
        wanted = self.levels[target] - self.levels
        near = np.flatnonzero((wanted > SAME_KWH) & (wanted <= gains_kwh + SAME_KWH))
        return near, wanted[near] / gains_kwh[near], self._metered[near]

    def whole_from(self, i: int, level: int, after: Row) -> tuple[int, Row]:
        """Price the moves of a whole tick from one level.

        Parameters
        ----------
        i : int
            The tick.
        level : int
            The level.
        after : ndarray of float, shape (levels,)
            Cost from tick ``i + 1`` on [currency].

        Returns
        -------
        tuple of int and ndarray of float
            The first level that the tick can lead to, and the costs of leading there and to each
            next level; empty if the tick can't be used whole.
        """
        moves = self.of_tick(i)
        if not moves.possible[level]:
            return 0, np.empty(0)
        price, amps, is_dear = self.kind(i)
        first, last = int(moves.first[level]), int(moves.last[level]) + 1
        after = after[first:last]
        if is_dear:
            after = after + (self._dear[first:last] - self._dear[level])
        if self.problem.min_amps is None:
            return first, price * amps * self._metered[level] + after
        gained = self.levels[first:last] - self.levels[level]
        metered = gained / self.problem.model.efficiency + self._standby
        costs = price * metered + after
        costs[:-1] += self.problem.tie * LOW_CURRENT
        return first, costs

    def parts_from(
        self, i: int, level: int, done: Row, most: float = np.inf
    ) -> list[tuple[int, float]]:
        """Price a part of a tick from one level to each target: see `part`.

        Returns
        -------
        list of tuple of int and float
            The targets' levels and costs [currency], the lowest target first.
        """
        price, amps, is_dear = self.kind(i)
        gain, here = float(self.of_tick(i).gains_kwh[level]), float(self.levels[level])
        found = []
        for target in self.targets:
            wanted = float(self.levels[target]) - here
            if SAME_KWH < wanted <= gain * min(1.0, most + ROUNDING_TICKS) + SAME_KWH:
                cost = price * amps * wanted / gain * float(self._metered[level])
                if is_dear:
                    cost += float(self._dear[target] - self._dear[level])
                found.append((target, cost + float(done[target])))
        return found
