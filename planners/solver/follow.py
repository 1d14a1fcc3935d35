"""Walk forwards through the tables, to the currents of one cheapest plan.

The walk carries the true battery energy; between two levels, the decision is that of the lower one.
Of decisions that cost the same, the early plan takes the one that charges more now, and the late
plan the one that charges less.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

import numpy as np

from planners.power.charging import SAME_KWH
from planners.solver.cost_tables import SpanWalk
from planners.solver.priced_moves import cut_share
from planners.solver.problem import NEED_TOLERANCE_KWH, ROUNDING_TICKS

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.solver.cost_tables import CostTables
    from planners.solver.filling import SpanCosts
    from planners.solver.priced_moves import TickKind
    from planners.solver.problem import PlanningProblem

    Choice = tuple[NDArray[np.float64], NDArray[np.float64]]

ROUNDING_DECIMALS: Final = 9
"""Of a battery energy on the return [kWh]: nearer ones are the same."""


class _Option(NamedTuple):
    """A decision: its cost from here on, and the level that it leads to."""

    cost: float
    act: str
    level: int = 0


@dataclass(slots=True)
class _State:
    """The present state of the walk.

    Attributes
    ----------
    i : int
        The next tick.
    stored_kwh : float
        Battery energy.
    on : bool
        Whether a run is in progress.
    run : int
        The ticks it has lasted; 0 if there is none.
    first : bool
        Whether the run in progress, or the next to start, is the first since the last departure.
    untouched : bool
        Whether nothing was bought since then.
    used : int
        The whole ticks used of the stretch that the next tick is in, if its use is limited.
    """

    i: int
    stored_kwh: float
    on: bool = False
    run: int = 0
    first: bool = True
    untouched: bool = True
    used: int = 0


class _Walk:
    def __init__(
        self,
        problem: PlanningProblem,
        start_cost: float,
        *,
        to_levels: bool = False,
        leaves_room: bool = False,
    ) -> None:
        self._problem = problem
        self._start_cost = start_cost
        self._to_levels = to_levels  # never above a level, where the current can be set
        self._leaves_room = leaves_room  # begins no run that a full battery would end too soon
        self.kind = "to levels" if to_levels else "leaves room" if leaves_room else ""
        self.amps = np.zeros(problem.ticks)
        self.share = np.zeros(problem.ticks)

    def span(self, tables: CostTables, state: _State) -> bool:
        """Walk through one span; return False if no plan meets the needs."""
        end = tables.moves.span.end
        if not state.on:
            self._wait(tables, state)
        while state.i < end:
            option = self._choose(tables, state)
            if option.cost == np.inf:
                return False
            if option.act == "done":
                break
            if option.act == "stop":
                _go_to(tables, state, state.i + self._problem.min_rest)
                state.on, state.run, state.first = False, 0, state.untouched
                self._wait(tables, state)
            elif option.act == "part":
                self._draw_part(tables, state, option.level)
                break
            elif self._draw_whole(tables, state, self._amps_of(tables, state, option)):
                # The battery is full, in a tick cut short: only a first run may be short.
                part = float(self.share[state.i - 1])
                return state.first or self._problem.may_cut(state.run, part, last=state.i == end)
        return state.stored_kwh >= tables.moves.span.need_kwh - NEED_TOLERANCE_KWH

    def _wait(self, tables: CostTables, state: _State) -> None:
        """Stay off until starting is best; if no run fits any more, to the end."""
        _wait(tables, state, self._start_cost)
        if self._leaves_room and not state.first and not self._has_room(tables, state):
            _go_to(tables, state, tables.moves.span.end)

    def _has_room(self, tables: CostTables, state: _State) -> bool:
        """Whether the battery takes the shortest run that may begin now."""
        span, stored = tables.moves.span, state.stored_kwh
        for i in range(state.i, min(state.i + self._problem.min_run, span.end)):
            stored += self._gain(stored, float(self._problem.highest_amps[i]))
        return stored <= span.want_kwh + SAME_KWH

    def _choose(self, tables: CostTables, state: _State) -> _Option:
        full = self._full_current(tables, state)
        if full is not None:
            return full
        options = self.options(tables, state)
        if self._problem.prefer_late:
            options.reverse()
        most = min(option.cost for option in options) + abs(tables.bonus)
        return next(option for option in options if option.cost <= most)

    def _full_current(self, tables: CostTables, state: _State) -> _Option | None:
        """Draw the highest current, if the tables alone show that nothing is better."""
        moves, problem = tables.moves, self._problem
        # In most ticks that saves pricing all other decisions.
        # A run in progress may stop where nothing is needed, which the tables don't hold.
        if problem.prefer_late or problem.use_limits or (state.on and state.untouched):
            return None
        level, row = moves.level_at(state.stored_kwh), state.i - moves.span.start
        least = float(tables.on[row, tables.running(state.run, first=state.first), 0, level])
        after = tables.on[row + 1, tables.running(state.run + 1, first=state.first), 0]
        found = moves.full_from(state.i, level, after)
        # The tables' sums are in another order.
        if found is None or found[1] > least + tables.bonus / 2 or least == np.inf:
            return None
        return (
            None if moves.reaches_target(state.i, level) else _Option(found[1], "whole", found[0])
        )

    def options(self, tables: CostTables, state: _State) -> list[_Option]:
        """List the decisions of a run; those that charge more now come first."""
        moves, i, ran = tables.moves, state.i, state.run + 1
        level = moves.level_at(state.stored_kwh)
        lanes, row = tables.lanes, i - moves.span.start
        most = lanes.left(row, state.used)
        begin = 0.0 if state.on else self._start_cost
        options: list[_Option] = []
        surplus = np.inf
        if most >= 1 - ROUNDING_TICKS:
            lane = lanes.lane(row, row + 1, state.used + 1)
            after = tables.on[row + 1, tables.running(ran, first=state.first), lane]
            late = self._problem.prefer_late
            whole = moves.whole_from(i, level, after, abs(tables.bonus), low=late)
            if whole is not None:
                options.append(_Option(begin + whole[1], "whole", whole[0]))
            surplus = begin + moves.at_surplus_from(i, level, after)
        if surplus < np.inf:
            options.append(_Option(surplus, "surplus"))
        is_last = i == moves.span.end - 1
        if state.first or self._problem.may_cut(ran, 1.0, last=is_last):
            short = 0.0 if state.first else tables.short_run[tables.running(ran, first=False), 0]
            for target, cost, used in moves.parts_from(i, level, tables.done, most):
                if not (state.first or self._problem.may_cut(ran, used, last=is_last)):
                    continue
                part = _Option(begin + cost + float(short), "part", target)
                # A part that fills the battery is all that can be bought; others forgo later ticks.
                fills = moves.levels[target] >= moves.span.want_kwh - SAME_KWH
                options.insert(0 if fills else len(options), part)
        if state.on:
            options.append(self._stopped(tables, state, level))
        return options

    def _stopped(self, tables: CostTables, state: _State, level: int) -> _Option:
        if state.run < self._problem.min_run and not self._problem.is_blocked(state.i):
            # A run that is still too short may only stop if it was all the charging needed.
            met = state.untouched and state.stored_kwh >= tables.moves.span.need_kwh - SAME_KWH
            return _Option(float(tables.done[level]) if met else np.inf, "done")
        rested = tables.fresh if state.untouched else tables.off
        here = state.i - tables.moves.span.start
        row = min(here + self._problem.min_rest, len(rested) - 1)
        lane = tables.lanes.lane(here, row, state.used)
        return _Option(float(rested[row, lane, level]), "stop")

    def _amps_of(self, tables: CostTables, state: _State, option: _Option) -> float:
        """Return the current of a decision to draw through a tick."""
        problem, level = self._problem, option.level
        amps = float(problem.highest_amps[state.i])
        if option.act == "surplus":
            surplus_kw = 0.0 if problem.surplus_kw is None else float(problem.surplus_kw[state.i])
            drawn = self._amps_at(state.stored_kwh, surplus_kw, amps)
            return min(drawn, self._amps_to(state.stored_kwh, tables.moves.span.want_kwh, amps))
        if problem.min_amps is None:
            return amps
        # The highest level that a tick reaches may be a little less than it gains.
        moves = tables.moves
        most = int(moves.of_tick(state.i).last[moves.level_at(state.stored_kwh)])
        to_kwh = float(moves.levels[level])
        is_exact = self._to_levels or self._ends_at_target(tables, state, level)
        if is_exact or level < most or to_kwh >= moves.span.want_kwh - SAME_KWH:
            return self._amps_to(state.stored_kwh, to_kwh, amps)
        return amps

    def _ends_at_target(self, tables: CostTables, state: _State, level: int) -> bool:
        """Whether a run may only be as short as it is since it ends at just this level."""
        is_short = state.first and state.run + 1 < self._problem.min_run
        is_last = state.i + 1 == tables.moves.span.end
        return is_short and is_last and level in tables.moves.targets

    def _draw_whole(self, tables: CostTables, state: _State, amps: float) -> bool:
        """Draw through a tick; return True if the battery was full before its end."""
        i, span = state.i, tables.moves.span
        gain = self._gain(state.stored_kwh, amps)
        room = span.want_kwh - state.stored_kwh
        self.amps[i], self.share[i] = amps, min(1.0, room / gain if gain > room > 0 else 1.0)
        state.stored_kwh += gain * float(self.share[i])
        state.used += 1
        _go_to(tables, state, i + 1)
        state.on, state.run, state.untouched = True, state.run + 1, False
        return gain > room + SAME_KWH

    def _draw_part(self, tables: CostTables, state: _State, level: int) -> None:
        i, stored = state.i, state.stored_kwh
        amps = float(self._problem.highest_amps[i])
        wanted = float(tables.moves.levels[level]) - stored
        share = min(1.0, wanted / self._gain(stored, amps))
        kind = tables.moves.kind(i)
        if share > 0 and kind.surplus_kw > 0 and kind.is_convex and self._problem.min_amps:
            most = tables.lanes.left(i - tables.moves.span.start, state.used)
            share = max(share, self._share_at_surplus(kind, stored, wanted, most))
            amps = self._amps_to(stored, stored + wanted / share, amps)
        if share > 0:
            self.amps[i], self.share[i] = amps, share
            state.stored_kwh += wanted

    def _share_at_surplus(
        self, kind: TickKind, stored_kwh: float, wanted_kwh: float, most: float
    ) -> float:
        """Return the part of a tick with a surplus in which an energy is gained for the least."""
        metered = np.array([self._problem.model.metered_kw(stored_kwh, 1.0)])
        metered *= self._problem.tick_hours
        wanted = np.array([wanted_kwh])
        return float(cut_share(self._problem, kind, wanted, metered, most)[0])

    def _gain(self, stored_kwh: float, amps: float) -> float:
        model = self._problem.model
        return self._problem.tick_hours * model.gained_kw(model.metered_kw(stored_kwh, amps))

    def _amps_to(self, stored_kwh: float, target_kwh: float, highest: float) -> float:
        """Find the current with which a whole tick leads to `target_kwh`."""
        model, problem = self._problem.model, self._problem
        gained_kw = (target_kwh - stored_kwh) / problem.tick_hours
        metered_kw = (gained_kw + model.standby_kw) / model.efficiency
        return self._amps_at(stored_kwh, metered_kw, highest)

    def _amps_at(self, stored_kwh: float, metered_kw: float, highest: float) -> float:
        """Find the current that draws `metered_kw`, within the tick's limits."""
        model, problem = self._problem.model, self._problem
        amps = metered_kw / model.metered_kw(stored_kwh, 1.0)
        # Nearly the highest current is the highest: the difference is rounding.
        return highest if amps > highest - 1e-6 else max(amps, problem.min_amps or 0.0)


def _wait(tables: CostTables, state: _State, start_cost: float) -> None:
    """Stay off until starting is best."""
    rested, begun = (
        (tables.fresh if state.first else tables.off),
        tables.running(0, first=state.first),
    )
    level = tables.moves.level_at(state.stored_kwh)
    while state.i < tables.moves.span.end:
        # All that is left of the same stretch, or all up to the next one.
        row = state.i - tables.moves.span.start
        end = tables.lanes.end_of(row)
        wait = rested[row + 1 : end + 1, state.used, level].copy()
        wait[-1] = rested[end, tables.lanes.lane(end - 1, end, state.used), level]
        column = tables.on[row:end, begun, state.used, level] + start_cost < wait + tables.bonus
        if column.any():
            _go_to(tables, state, state.i + int(column.argmax()))
            return
        _go_to(tables, state, state.i + end - row)


def _go_to(tables: CostTables, state: _State, i: int) -> None:
    """Go on to a tick; what was used of a stretch counts only within it."""
    if not tables.lanes.is_limited:
        state.i, state.used = i, 0
        return
    begin = tables.moves.span.start
    last = len(tables.lanes.limits) - 1
    rows = min(state.i - begin, last), min(i - begin, last)
    state.used = tables.lanes.lane(*rows, state.used)
    state.i = i


def follow(
    problem: PlanningProblem, tables: Sequence[SpanCosts], start_cost: float
) -> Choice | None:
    """Walk forwards through the tables.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    tables : sequence of SpanCosts
        One for each departure, in order of time.
    start_cost : float
        Cost of a start in the tables [currency].

    Returns
    -------
    tuple of two ndarrays of float, shape (ticks,), or None
        Current of each tick [A per phase] and its used share; None if no plan meets the needs.
    """
    choice = _walked(problem, tables, _Walk(problem, start_cost))
    if choice is None and problem.min_amps is not None:
        # The walk may come to lie so far above the levels that a last run would pass the want.
        choice = _walked(problem, tables, _Walk(problem, start_cost, to_levels=True))
    if choice is None and problem.min_run > 1:
        choice = _walked(problem, tables, _Walk(problem, start_cost, leaves_room=True))
    return choice


def _walked(problem: PlanningProblem, tables: Sequence[SpanCosts], walk: _Walk) -> Choice | None:
    """Walk through all spans; return None if that misses a need."""
    state = _begun(problem)
    for k, costs in enumerate(tables):
        span, known = costs.moves.span, costs.remembered
        if k > 0:
            left = max(0.0, state.stored_kwh - problem.deadlines[k - 1].trip_kwh)
            # Rounded, the same night is the same whatever the sums before it were.
            state = _State(span.start, round(left, ROUNDING_DECIMALS))
        key = walk.kind, state.stored_kwh
        ticks = slice(span.start, span.end)
        if key in known.walks:
            walk.amps[ticks], walk.share[ticks], state.stored_kwh, is_met = known.walks[key]
        else:
            is_met = walk.span(costs.tables, state)
            amps, share = walk.amps[ticks].copy(), walk.share[ticks].copy()
            known.add(key, SpanWalk(amps, share, state.stored_kwh, is_met))
        if not is_met:
            return None
    return walk.amps, walk.share


def least_cost(problem: PlanningProblem, tables: CostTables) -> float:
    """Return the cost of the cheapest plan by the tables of the first departure [currency]."""
    state = _begun(problem)
    if state.on and state.i < tables.moves.span.end:
        options = _Walk(problem, 0.0).options(tables, state)
        return min(option.cost for option in options)
    row = min(state.i, len(tables.fresh) - 1)
    return float(tables.fresh[row, 0, tables.moves.level_at(state.stored_kwh)])


def _begun(problem: PlanningProblem) -> _State:
    """Return the state before the first tick."""
    if problem.before.on:
        return _State(problem.rest_left, problem.stored_kwh, on=True, run=problem.run_so_far)
    return _State(problem.rest_left, problem.stored_kwh)
