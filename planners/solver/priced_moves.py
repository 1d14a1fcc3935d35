"""Price the moves of ticks between levels, for all levels at once or for one."""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.power.charging import SAME_KWH, metered_to
from planners.solver.levels import Moves, gains_kwh, moves_of
from planners.solver.problem import ROUNDING_TICKS
from planners.solver.ranges import Ranges
from planners.solver.worth import worth_at, worth_pieces

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.solver.levels import DepartureSpan
    from planners.solver.problem import PlanningProblem

    Row = NDArray[np.float64]


MOST_SURPLUSES = 24
"""So many surpluses are told apart where the current can be set."""

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
    surplus_kw : float
        Its surplus [kW].
    export_price_per_kwh : float
        What the energy up to the surplus costs, with any surcharge [currency per kWh].
    """

    price_per_kwh: float
    amps: float
    is_dear: bool
    surplus_kw: float = 0.0
    export_price_per_kwh: float = 0.0

    @property
    def is_convex(self) -> bool:
        """Whether the energy beyond the surplus costs at least as much as that up to it."""
        return self.price_per_kwh >= self.export_price_per_kwh


class _Piece(NamedTuple):
    """The moves of a tick with a current that can be set, over which a kWh has one price.

    Attributes
    ----------
    slope : ndarray of float, shape (levels,)
        What the energy of each level costs at that price [currency].
    costs : ndarray of float, shape (levels,)
        Costs from each level that no current changes [currency].
    ranges : Ranges
        The levels they lead to.
    top : int
        The highest level of all.
    is_full : bool
        Whether the highest currents are among them.
    """

    slope: Row
    costs: Row
    ranges: Ranges
    top: int
    is_full: bool


class _AtSurplus(NamedTuple):
    """The moves of a tick that draw just the surplus, which may end between two levels.

    Attributes
    ----------
    below, above : ndarray of int, shape (levels,)
        The levels next to where each leads.
    along : ndarray of float, shape (levels,)
        The share of the way from one to the other.
    costs : ndarray of float, shape (levels,)
        Costs from each level [currency]; infinite where no such current is allowed.
    """

    below: NDArray[np.intp]
    above: NDArray[np.intp]
    along: Row
    costs: Row


def cut_share(
    problem: PlanningProblem, kind: TickKind, wanted_kwh: Row, metered_kwh: Row, most: float
) -> Row:
    """Return the part of a tick with a surplus in which some energies are gained for the least.

    That is at a current which draws just the surplus, or the nearest that is allowed: a higher one
    in less time would leave some of the surplus of that time to export.

    Parameters
    ----------
    problem : PlanningProblem
        With a current that can be set.
    kind : TickKind
        Of a tick with a surplus whose cost is convex.
    wanted_kwh : ndarray of float
        The energies [kWh].
    metered_kwh : ndarray of float
        What an ampere meters in a whole tick [kWh].
    most : float
        The most of the tick that may be used [ticks].

    Returns
    -------
    ndarray of float
        Used share of the tick.
    """
    model, hours = problem.model, problem.tick_hours
    least, highest = (problem.min_amps or 0.0) * metered_kwh, kind.amps * metered_kwh
    drawn = np.minimum(np.maximum(least, kind.surplus_kw * hours), highest)
    gained = np.maximum(model.efficiency * drawn - model.standby_kw * hours, 1e-12)
    share: Row = np.minimum(min(1.0, most), wanted_kwh / gained)
    return share


def _few_surpluses(problem: PlanningProblem, surplus_kw: Row) -> Row:
    """Round surpluses where so many differ that finding the moves of each would take long."""
    if problem.min_amps is None:
        return surplus_kw
    surplus_kw = np.minimum(surplus_kw, problem.highest_amps * problem.model.kw_per_amp)
    if len(set(surplus_kw.tolist())) <= MOST_SURPLUSES:
        return surplus_kw
    step_kw = float(surplus_kw.max()) / MOST_SURPLUSES
    # The currents are found exactly afterwards: here the surplus only tells plans apart.
    return np.maximum(np.round(surplus_kw / step_kw), surplus_kw > 0) * step_kw


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
        self._listed: list[float] | None = None
        self.targets = np.searchsorted(levels, np.array(span.targets_kwh) - SAME_KWH).tolist()
        # One power has one mean price, whatever part of it is from a surplus.
        has_mean = problem.min_amps is None and not problem.model.taper
        prices = problem.mean_prices_per_kwh if has_mean else problem.prices_per_kwh
        self._prices: list[float] = prices.tolist()
        self._amps: list[float] = problem.highest_amps.tolist()
        self._moves: dict[float, tuple[Moves, Ranges]] = {}
        self._near: dict[float, list[tuple[NDArray[np.intp], Row, Row]]] = {}
        self._costs: dict[TickKind, tuple[NDArray[np.intp], Row]] = {}
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
        self._is_dear: list[bool] = (problem.least_rates_per_kwh > max_rate).tolist()
        self._kinds: list[TickKind | None] = [None] * problem.ticks
        self._surplus: list[tuple[float, float]] | None = None
        if problem.surplus_kw is not None and not has_mean:
            surplus_kw = _few_surpluses(problem, problem.surplus_kw).tolist()
            export_prices = problem.export_prices_per_kwh.tolist()
            self._surplus = list(zip(surplus_kw, export_prices, strict=True))
        self._pieces: dict[TickKind, tuple[list[_Piece], _AtSurplus | None]] = {}
        self._splits: dict[
            tuple[float, float], tuple[list[tuple[Ranges, int, bool]], _AtSurplus | None]
        ] = {}
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
        found = self._kinds[i]
        if found is None:
            found = self._kinds[i] = self._kind(i)
        return found

    def _kind(self, i: int) -> TickKind:
        surplus_kw, export_price = (0.0, 0.0) if self._surplus is None else self._surplus[i]
        if surplus_kw <= 0 or export_price == self._prices[i]:
            return TickKind(self._prices[i], self._amps[i], self._is_dear[i])
        return TickKind(self._prices[i], self._amps[i], self._is_dear[i], surplus_kw, export_price)

    def of_tick(self, i: int) -> Moves:
        """Return the moves of tick `i`."""
        return self._at(self._amps[i])[0]

    def _at(self, amps: float) -> tuple[Moves, Ranges]:
        if amps not in self._moves:
            moves = moves_of(self.problem, self.levels, self.span.want_kwh, amps)
            self._moves[amps] = moves, Ranges(moves.first, moves.last, moves.possible)
        return self._moves[amps]

    def whole(self, i: int, after: Row, out: Row) -> None:
        """Find the least cost of drawing through tick `i`, with the costs `after` it.

        Parameters
        ----------
        i : int
            The tick.
        after : ndarray of float, shape (rows, levels)
            Cost from tick ``i + 1`` on, in several states [currency]; infinity above the want.
        out : ndarray of float, shape (rows, levels)
            Takes the least cost from tick `i` on [currency]; infinity where it isn't possible.
        """
        kind = self.kind(i)
        if self.problem.min_amps is None:
            if kind not in self._costs:
                self._costs[kind] = self._at_one_current(kind)
            last, costs = self._costs[kind]
            after.take(last, axis=1, out=out, mode="clip")
            out += costs
            return
        if kind not in self._pieces:
            self._pieces[kind] = self._pieces_of(kind)
        pieces, at_surplus = self._pieces[kind]
        out_of_piece = out
        for piece in pieces:
            low = self.problem.tie * LOW_CURRENT if piece.is_full else None
            piece.ranges.least(after, piece.slope, out_of_piece, piece.top, low)
            out_of_piece += piece.costs
            if out_of_piece is not out:
                np.minimum(out, out_of_piece, out=out)
            out_of_piece = np.empty_like(out)
        if not pieces:
            out[:] = np.inf
        if at_surplus is not None:
            after = after + self._dear if kind.is_dear else after
            np.minimum(out, self._drawing_surplus(at_surplus, after), out=out)

    def _at_one_current(self, kind: TickKind) -> tuple[NDArray[np.intp], Row]:
        """Return the level that a tick leads to from each, and what that costs."""
        moves = self._at(kind.amps)[0]
        costs = self._full_cost(kind, self._metered)
        if kind.is_dear:
            costs = costs + (self._dear[moves.last] - self._dear)
        return moves.last, np.where(moves.possible, costs, np.inf)

    def _full_cost(self, kind: TickKind, metered: Row) -> Row:
        """Price a whole tick at its highest current, of which an ampere meters so much."""
        if kind.surplus_kw > 0:
            return self._cost_of(kind, kind.amps * metered)
        return kind.price_per_kwh * kind.amps * metered

    def _cost_of(self, kind: TickKind, metered_kwh: Row) -> Row:
        """Price a whole tick that meters so much [currency]."""
        if kind.surplus_kw <= 0:
            return kind.price_per_kwh * metered_kwh
        roof = np.minimum(kind.surplus_kw * self.problem.tick_hours, metered_kwh)
        more = kind.export_price_per_kwh - kind.price_per_kwh
        found: Row = kind.price_per_kwh * metered_kwh + more * roof
        return found

    def _drawing_surplus(self, moves: _AtSurplus, after: Row) -> Row:
        """Find the cost of drawing just the surplus, the costs `after` being interpolated."""
        below, above = after.take(moves.below, axis=-1), after.take(moves.above, axis=-1)
        # The end of a run that is too short costs nothing at a target, and much beside it.
        jump = self.problem.short_run_cost / 2 if self.problem.min_run > 1 else np.inf
        with np.errstate(invalid="ignore"):
            apart = above - below
            found: Row = np.where(np.abs(apart) < jump, apart * moves.along, np.fmax(apart, 0.0))
            found += below
        found += moves.costs
        return found

    def _pieces_of(self, kind: TickKind) -> tuple[list[_Piece], _AtSurplus | None]:
        """Divide the moves of a tick where its current reaches the surplus."""
        surplus_kwh = kind.surplus_kw * self.problem.tick_hours
        low, high = kind.export_price_per_kwh, kind.price_per_kwh
        saved = (high - low) * surplus_kwh
        prices = ((low, 0.0), (high, -saved)) if surplus_kwh > 0 else ((high, 0.0),)
        if surplus_kwh <= 0 or not kind.is_convex:
            # The cheaper of two prices is the right one at every current.
            ranges, top = self._at(kind.amps)[1], len(self.levels) - 1
            return [
                _Piece(*self._priced(kind, price, extra, ranges), ranges, top, is_full=True)
                for price, extra in prices
            ], None
        key = kind.amps, kind.surplus_kw
        if key not in self._splits:
            self._splits[key] = self._split(*key)
        split, at_surplus = self._splits[key]
        pieces = [
            _Piece(*self._priced(kind, price, extra, ranges), ranges, top, is_full)
            for ranges, top, is_full in split
            for price, extra in prices[is_full : is_full + 1]
        ]
        if at_surplus is not None:
            costs = at_surplus.costs + low * surplus_kwh
            costs = costs - self._dear if kind.is_dear else costs
            at_surplus = at_surplus._replace(costs=costs)
        return pieces, at_surplus

    def _split(
        self, amps: float, surplus_kw: float
    ) -> tuple[list[tuple[Ranges, int, bool]], _AtSurplus | None]:
        """Divide a tick's moves into those up to a surplus and those beyond, and the one at it.

        Returns
        -------
        tuple of list and _AtSurplus or None
            The ranges of levels, the highest level of each, and whether they are beyond; and the
            moves that draw just the surplus, whose costs are still those of no price.
        """
        moves, surplus_kwh = self._at(amps)[0], surplus_kw * self.problem.tick_hours
        gain = self.problem.model.efficiency * (surplus_kwh - self._standby)
        middle = np.searchsorted(self.levels, self.levels + gain + SAME_KWH, side="right") - 1
        found = []
        for first, last, is_full in (
            (moves.first, np.minimum(moves.last, middle), False),
            (np.maximum(moves.first, middle + 1), moves.last, True),
        ):
            exists = moves.possible & (first <= last)
            if exists.any():
                top = int(np.where(exists, last, 0).max())
                found.append((Ranges(first, last, exists), top, is_full))
        return found, self._at_surplus(moves, gain, middle)

    def _priced(
        self, kind: TickKind, price: float, extra: float, ranges: Ranges
    ) -> tuple[Row, Row]:
        """Return a price on each level, and the costs from each that no current changes."""
        slope = price / self.problem.model.efficiency * self.levels
        fixed = ranges.blocked - slope
        fixed += price * self._standby + extra + self.problem.tie * LOW_CURRENT
        return (slope + self._dear, fixed - self._dear) if kind.is_dear else (slope, fixed)

    def _at_surplus(self, moves: Moves, gain: float, middle: NDArray[np.intp]) -> _AtSurplus | None:
        """Find the moves that gain `gain` and draw just the surplus; None if there is none."""
        ends = self.levels + gain
        may = moves.possible & (middle > np.arange(len(self.levels)))
        may &= (gain < moves.gains_kwh) & (gain >= self._least_gains() - SAME_KWH)
        may &= ends <= self.span.want_kwh + SAME_KWH
        if not may.any():
            return None
        above = np.minimum(middle + 1, len(self.levels) - 1)
        apart = self.levels[above] - self.levels[middle]
        beyond = ends - self.levels[middle]
        between = beyond > SAME_KWH
        above = np.where(between, above, middle)
        along = np.where(between, beyond / np.where(apart > 0, apart, 1.0), 0.0)
        costs = np.where(may, self.problem.tie * LOW_CURRENT, np.inf)
        return _AtSurplus(middle, above, along, costs)

    def _least_gains(self) -> Row:
        """Return what a whole tick gains at the lowest current [kWh]."""
        least = self.problem.min_amps or 0.0
        return gains_kwh(self.problem.model, self.problem.tick_hours, self.levels, least)

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
        _, amps, is_dear, *_ = kind = self.kind(i)
        if amps not in self._near:
            self._near[amps] = [self._near_target(target, amps) for target in self.targets]
        found = np.full(len(self.levels), np.inf)
        for target, (near, share, metered) in zip(self.targets, self._near[amps], strict=True):
            if most < 1:
                may = share <= most + ROUNDING_TICKS
                near, share, metered = near[may], share[may], metered[may]  # noqa: PLW2901
            if kind.surplus_kw > 0:
                wanted = self.levels[target] - self.levels[near]
                cost = self._part_cost(kind, wanted, share, metered, most) + done[target]
            else:
                cost = kind.price_per_kwh * amps * share * metered + done[target]
            if is_dear:
                cost += self._dear[target] - self._dear[near]
            found[near] = np.minimum(found[near], cost)
        return found

    def _part_cost(self, kind: TickKind, wanted: Row, share: Row, metered: Row, most: float) -> Row:
        """Price the part of a tick with a surplus that gains `wanted`."""
        # `share` is the part at the highest current, of which an ampere meters `metered`.
        if not kind.is_convex or self.problem.min_amps is None:
            return share * self._full_cost(kind, metered)
        share = cut_share(self.problem, kind, wanted, metered, most)
        whole = wanted / share / self.problem.model.efficiency + self._standby
        return share * self._cost_of(kind, whole)

    def _near_target(self, target: int, amps: float) -> tuple[NDArray[np.intp], Row, Row]:
        """Return the levels that part of a tick leads to a target from, the part, a tick's kWh."""
        gains_kwh = self._at(amps)[0].gains_kwh
        wanted = self.levels[target] - self.levels
        near = np.flatnonzero((wanted > SAME_KWH) & (wanted <= gains_kwh + SAME_KWH))
        return near, wanted[near] / gains_kwh[near], self._metered[near]

    def level_at(self, stored_kwh: float) -> int:
        """Find the highest level at or below a battery energy."""
        if self._listed is None:
            self._listed = self.levels.tolist()
        return max(0, bisect_left(self._listed, stored_kwh + SAME_KWH) - 1)

    def whole_from(
        self, i: int, level: int, after: Row, slack: float, *, low: bool
    ) -> tuple[int, float] | None:
        """Price the best move of a whole tick from one level.

        Parameters
        ----------
        i : int
            The tick.
        level : int
            The level.
        after : ndarray of float, shape (levels,)
            Cost from tick ``i + 1`` on [currency].
        slack : float
            Costs that differ by no more are the same [currency].
        low : bool
            Whether to take the lowest, not the highest, of the levels that cost the same.

        Returns
        -------
        tuple of int and float, or None
            The level that it leads to, and the cost of leading there; None if the tick can't be
            used whole.
        """
        moves = self.of_tick(i)
        if not moves.possible[level]:
            return None
        kind = self.kind(i)
        first, last = int(moves.first[level]), int(moves.last[level]) + 1
        if self.problem.min_amps is None:
            cost = float(after[first])
            if kind.is_dear:
                cost += float(self._dear[first] - self._dear[level])
            if kind.surplus_kw > 0:
                return first, cost + float(
                    self._full_cost(kind, self._metered[level : level + 1])[0]
                )
            return first, cost + kind.price_per_kwh * kind.amps * float(self._metered[level])
        after = after[first:last]
        if kind.is_dear:
            after = after + (self._dear[first:last] - self._dear[level])
        gained = self.levels[first:last] - self.levels[level]
        metered = gained / self.problem.model.efficiency + self._standby
        costs = self._cost_of(kind, metered) + after
        costs[:-1] += self.problem.tie * LOW_CURRENT
        equal = (costs <= costs.min() + slack).nonzero()[0]
        chosen = int(equal[0 if low else -1])
        return first + chosen, float(costs[chosen])

    def at_surplus_from(self, i: int, level: int, after: Row) -> float:
        """Price drawing just the surplus through tick `i`; infinite where that is no choice."""
        kind = self.kind(i)
        _, at_surplus = self._pieces.get(kind, ([], None))
        if at_surplus is None:
            return float("inf")
        after = after + self._dear if kind.is_dear else after
        one = slice(level, level + 1)
        below, above, along, costs = at_surplus
        at_surplus = _AtSurplus(below[one], above[one], along[one], costs[one])
        return float(self._drawing_surplus(at_surplus, after[None, :])[0, 0])

    def parts_from(
        self, i: int, level: int, done: Row, most: float = np.inf
    ) -> list[tuple[int, float]]:
        """Price a part of a tick from one level to each target: see `part`.

        Returns
        -------
        list of tuple of int and float
            The targets' levels and costs [currency], the lowest target first.
        """
        price, amps, is_dear, *_ = kind = self.kind(i)
        gain, here = float(self.of_tick(i).gains_kwh[level]), float(self.levels[level])
        found = []
        for target in self.targets:
            wanted = float(self.levels[target]) - here
            if SAME_KWH < wanted <= gain * min(1.0, most + ROUNDING_TICKS) + SAME_KWH:
                cost = price * amps * wanted / gain * float(self._metered[level])
                if kind.surplus_kw > 0:
                    metered = self._metered[level : level + 1]
                    few = np.array([wanted])
                    cost = float(self._part_cost(kind, few, few / gain, metered, most)[0])
                if is_dear:
                    cost += float(self._dear[target] - self._dear[level])
                found.append((target, cost + float(done[target])))
        return found
