"""Price the moves of ticks between levels, for all levels at once or for one."""

from __future__ import annotations

from bisect import bisect_left
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from planners.inner_loops.moves import BetweenLevels, Piece, TickMoves
from planners.inner_loops.ranges import Ranges
from planners.power.charging import SAME_KWH, metered_to
from planners.solver.levels import Moves, gains_kwh, moves_of
from planners.solver.problem import ROUNDING_TICKS
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


class _NearTargets(NamedTuple):
    """The levels from which part of a tick leads to a target, for one target after another.

    Attributes
    ----------
    near, target : ndarray of int
        Such a level, and the target's.
    share : ndarray of float
        The part of the tick.
    """

    near: NDArray[np.intp]
    target: NDArray[np.intp]
    share: Row


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


def _kinds_of(
    problem: PlanningProblem, k: int, span: DepartureSpan
) -> tuple[list[TickKind], list[int]]:
    """List the kinds of a span's ticks, and of which kind each tick is."""
    ticks = slice(span.start, span.end)
    is_last = k + 1 == len(problem.deadlines)
    max_rate = np.inf if is_last else problem.deadlines[k].max_rate_per_kwh
    is_dear = problem.least_rates_per_kwh[ticks] > max_rate
    # One power has one mean price, whatever part of it is from a surplus.
    has_mean = problem.min_amps is None and not problem.model.taper
    prices = (problem.mean_prices_per_kwh if has_mean else problem.prices_per_kwh)[ticks]
    surplus_kw = export_prices = np.zeros(len(prices))
    if problem.surplus_kw is not None and not has_mean:
        export_prices = problem.export_prices_per_kwh[ticks]
        surplus_kw = _few_surpluses(problem, problem.surplus_kw)[ticks]
        surplus_kw = np.where(export_prices == prices, 0.0, surplus_kw)
        export_prices = np.where(surplus_kw > 0, export_prices, 0.0)
    columns = (prices, problem.highest_amps[ticks], is_dear, surplus_kw, export_prices)
    numbers: dict[tuple[Any, ...], int] = {}
    rows = zip(*(column.tolist() for column in columns), strict=True)
    found = [numbers.setdefault(row, len(numbers)) for row in rows]
    return [TickKind(*row) for row in numbers], found


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

    Attributes
    ----------
    kinds : list of TickKind
        All kinds of its ticks.
    numbers : list of int
        The place of each of its ticks in `kinds`.
    """

    def __init__(self, problem: PlanningProblem, k: int, span: DepartureSpan, levels: Row) -> None:
        self.problem = problem
        self.k = k
        self.span = span
        self.levels = levels
        self._listed: list[float] | None = None
        self.targets = np.searchsorted(levels, np.array(span.targets_kwh) - SAME_KWH).tolist()
        self._moves: dict[float, tuple[Moves, Ranges]] = {}
        self._near: dict[float, _NearTargets] = {}
        model = problem.model
        deadline = problem.deadlines[k]
        need = np.array([deadline.need_kwh])
        past_kwh = np.maximum(0.0, metered_to(model, levels) - metered_to(model, need))
        # At equal cost, what is wanted at many departures is bought before the first of them.
        first = problem.least_worth * (len(problem.deadlines) - k) * past_kwh
        self.worth = worth_at(model, worth_pieces(problem.deadlines[k:]), levels) + first
        # And a little more, so that dear energy which costs the same later waits for later.
        self._dear = first + 0.5 * problem.least_worth * past_kwh
        self.kinds, self.numbers = _kinds_of(problem, k, span)
        self._whole: list[TickMoves | None] = [None] * len(self.kinds)
        self._splits: dict[
            tuple[float, float], tuple[list[tuple[Ranges, int, bool]], BetweenLevels | None]
        ] = {}
        self._metered = problem.tick_hours * model.kw_per_amp * model.taper_shares(levels)
        self._standby = problem.tick_hours * model.standby_kw / model.efficiency

    def may_be_done_within(self, ticks: int) -> bool:
        """Tell whether a first run may reach a target in at most so many ticks."""
        if ticks == 0 or self.k > 0:
            return ticks > 0
        amps = max([0.0, *(kind.amps for kind in self.kinds)])
        kw = self.problem.model.gained_kw(amps * self.problem.model.kw_per_amp)
        reach_kwh = self.problem.stored_kwh + ticks * kw * self.problem.tick_hours + SAME_KWH
        # With a current that can be set, a tick cut short doesn't count as one.
        if self.problem.min_amps is not None:
            reach_kwh += kw * self.problem.tick_hours
        return any(self.problem.stored_kwh < t <= reach_kwh for t in self.span.targets_kwh)

    def kind(self, i: int) -> TickKind:
        """Return what determines the costs of tick `i`."""
        return self.kinds[self.numbers[i - self.span.start]]

    def of_tick(self, i: int) -> Moves:
        """Return the moves of tick `i`."""
        return self._at(self.kind(i).amps)[0]

    def _at(self, amps: float) -> tuple[Moves, Ranges]:
        if amps not in self._moves:
            moves = moves_of(self.problem, self.levels, self.span.want_kwh, amps)
            self._moves[amps] = moves, Ranges(moves.first, moves.last, moves.possible)
        return self._moves[amps]

    def whole(self, number: int) -> TickMoves:
        """Return the moves that draw through all of a tick of a kind, with their costs."""
        found = self._whole[number]
        if found is None:
            kind, is_set = self.kinds[number], self.problem.min_amps is not None
            found = self._pieces_of(kind) if is_set else self._at_one_current(kind)
            self._whole[number] = found
        return found

    def _at_one_current(self, kind: TickKind) -> TickMoves:
        """Return the one move that a tick makes from each level."""
        moves, ranges = self._at(kind.amps)
        costs = self._full_cost(kind, self._metered)
        if kind.is_dear:
            costs = costs + (self._dear[moves.last] - self._dear)
        costs = np.where(moves.possible, costs, np.inf)
        return TickMoves((Piece(None, costs, ranges, len(self.levels) - 1),))

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

    def _pieces_of(self, kind: TickKind) -> TickMoves:
        """Divide the moves of a tick where its current reaches the surplus."""
        surplus_kwh = kind.surplus_kw * self.problem.tick_hours
        low, high = kind.export_price_per_kwh, kind.price_per_kwh
        saved = (high - low) * surplus_kwh
        prices = ((low, 0.0), (high, -saved)) if surplus_kwh > 0 else ((high, 0.0),)
        if surplus_kwh <= 0 or not kind.is_convex:
            # The cheaper of two prices is the right one at every current.
            ranges, top = self._at(kind.amps)[1], len(self.levels) - 1
            found = (self._priced(kind, each, ranges, top, is_full=True) for each in prices)
            return TickMoves(tuple(found))
        key = kind.amps, kind.surplus_kw
        if key not in self._splits:
            self._splits[key] = self._split(*key)
        split, between = self._splits[key]
        pieces = tuple(
            self._priced(kind, prices[is_full], ranges, top, is_full=is_full)
            for ranges, top, is_full in split
        )
        if between is not None:
            costs = between.costs + low * surplus_kwh
            costs = costs - self._dear if kind.is_dear else costs
            between = between._replace(costs=costs, more=self._dear if kind.is_dear else None)
        return TickMoves(pieces, between)

    def _split(
        self, amps: float, surplus_kw: float
    ) -> tuple[list[tuple[Ranges, int, bool]], BetweenLevels | None]:
        """Divide a tick's moves into those up to a surplus and those beyond, and the one at it.

        Returns
        -------
        tuple of list and BetweenLevels or None
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
        self,
        kind: TickKind,
        price: tuple[float, float],
        ranges: Ranges,
        top: int,
        *,
        is_full: bool,
    ) -> Piece:
        """Price the moves to some levels, where `price` is that of each kWh, and of each move."""
        per_kwh, extra = price
        slope = per_kwh / self.problem.model.efficiency * self.levels
        low = self.problem.tie * LOW_CURRENT
        fixed = ranges.blocked - slope
        fixed += per_kwh * self._standby + extra + low
        if kind.is_dear:
            slope, fixed = slope + self._dear, fixed - self._dear
        return Piece(slope, fixed, ranges, top, low if is_full else None)

    def _at_surplus(
        self, moves: Moves, gain: float, middle: NDArray[np.intp]
    ) -> BetweenLevels | None:
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
        # The end of a run that is too short costs nothing at a target, and much beside it.
        jump = self.problem.short_run_cost / 2 if self.problem.min_run > 1 else np.inf
        return BetweenLevels(middle, above, along, costs, None, jump)

    def _least_gains(self) -> Row:
        """Return what a whole tick gains at the lowest current [kWh]."""
        least = self.problem.min_amps or 0.0
        return gains_kwh(self.problem.model, self.problem.tick_hours, self.levels, least)

    def part(self, number: int, done: Row, most: float = np.inf, least: float = 0.0) -> Row:
        """Find the least cost of finishing at a target within a tick of a kind.

        Parameters
        ----------
        number : int
            The kind's.
        done : ndarray of float, shape (levels,)
            Cost from the departure on [currency].
        most, least : float
            The most of the tick that may be used, and the least that must be [ticks].

        Returns
        -------
        ndarray of float, shape (levels,)
            Least cost from the tick on [currency]; infinity where it isn't possible.
        """
        _, amps, is_dear, *_ = kind = self.kinds[number]
        if amps not in self._near:
            self._near[amps] = self._near_targets(amps)
        found = np.full(len(self.levels), np.inf)
        near, target, share = self._near[amps]
        if most < 1 or least > 0:
            may = (share <= most + ROUNDING_TICKS) & (share >= least - ROUNDING_TICKS)
            near, target, share = near[may], target[may], share[may]
        metered = self._metered[near]
        if kind.surplus_kw > 0:
            wanted = self.levels[target] - self.levels[near]
            cost = self._part_cost(kind, wanted, share, metered, most) + done[target]
        else:
            cost = kind.price_per_kwh * amps * share * metered + done[target]
        if is_dear:
            cost += self._dear[target] - self._dear[near]
        np.minimum.at(found, near, cost)
        return found

    def _part_cost(self, kind: TickKind, wanted: Row, share: Row, metered: Row, most: float) -> Row:
        """Price the part of a tick with a surplus that gains `wanted`."""
        # `share` is the part at the highest current, of which an ampere meters `metered`.
        if not kind.is_convex or self.problem.min_amps is None:
            return share * self._full_cost(kind, metered)
        share = cut_share(self.problem, kind, wanted, metered, most)
        whole = wanted / share / self.problem.model.efficiency + self._standby
        return share * self._cost_of(kind, whole)

    def _near_targets(self, amps: float) -> _NearTargets:
        """Find the levels that part of a tick leads to a target from."""
        gains_kwh = self._at(amps)[0].gains_kwh
        none = np.zeros(0, dtype=np.intp)
        near, target, share = [none], [none], [np.zeros(0)]
        for place in self.targets:
            wanted = self.levels[place] - self.levels
            some = np.flatnonzero((wanted > SAME_KWH) & (wanted <= gains_kwh + SAME_KWH))
            near.append(some)
            target.append(np.full(len(some), place))
            share.append(wanted[some] / gains_kwh[some])
        return _NearTargets(np.concatenate(near), np.concatenate(target), np.concatenate(share))

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
        if self.problem.min_amps is None:
            return self.full_from(i, level, after)
        moves, kind = self.of_tick(i), self.kind(i)
        if not moves.possible[level]:
            return None
        first, last = int(moves.first[level]), int(moves.last[level]) + 1
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

    def full_from(self, i: int, level: int, after: Row) -> tuple[int, float] | None:
        """Price the highest current through tick `i`, as `whole_from` does."""
        moves, kind = self.of_tick(i), self.kind(i)
        if not moves.possible[level]:
            return None
        last = int(moves.last[level])
        cost = float(after[last])
        if kind.is_dear:
            cost += float(self._dear[last] - self._dear[level])
        if self.problem.min_amps is None:
            metered = float(self._metered[level])
            if kind.surplus_kw <= 0:
                return last, cost + kind.price_per_kwh * kind.amps * metered
            metered *= kind.amps
        else:
            gained = float(self.levels[last] - self.levels[level])
            metered = gained / self.problem.model.efficiency + self._standby
        priced = kind.price_per_kwh * metered
        if kind.surplus_kw > 0:
            roof = min(kind.surplus_kw * self.problem.tick_hours, metered)
            priced += (kind.export_price_per_kwh - kind.price_per_kwh) * roof
        return last, priced + cost

    def reaches_target(self, i: int, level: int) -> bool:
        """Tell whether part of tick `i` leads to a target, or nearly."""
        here = float(self.levels[level])
        most = here + float(self.of_tick(i).gains_kwh[level]) + 2 * SAME_KWH
        return any(here < float(self.levels[target]) <= most for target in self.targets)

    def at_surplus_from(self, i: int, level: int, after: Row) -> float:
        """Price drawing just the surplus through tick `i`; infinite where that is no choice."""
        between = self.whole(self.numbers[i - self.span.start]).between
        return float("inf") if between is None else between.cost_from(level, after)

    def parts_from(
        self, i: int, level: int, done: Row, most: float = np.inf
    ) -> list[tuple[int, float, float]]:
        """Price a part of a tick from one level to each target: see `part`.

        Returns
        -------
        list of tuple of int, float and float
            The targets' levels, costs [currency] and parts of the tick [ticks], the lowest target
            first.
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
                found.append((target, cost + float(done[target]), wanted / gain))
        return found
