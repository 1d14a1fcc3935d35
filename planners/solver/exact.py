"""Find the cheapest currents exactly, by dynamic programming.

Objective and constraints are those of `planners.solver.problem`; ticks ``i`` of ``h`` hours at
rates ``p[i]``, shortest run ``U`` and shortest rest ``R`` in ticks, start cost ``s``.

State before tick ``i``: the battery energy ``e``, one of the levels of `planners.solver.levels`,
and the state of the charge point: ``off`` (rested, it may start), ``fresh`` (the same, and
nothing was bought since the last departure), or ``on`` for ``u`` ticks, where ``u = U`` stands for
``U`` or more. Action: stay off, or draw a current that leads to a level ``e'``; or, as the last
action before a departure, draw for the part of the tick that leads to a target ``t`` and finish.
With ``m(e, e')`` the metered energy that leads from ``e`` to ``e'``, and all minima over the levels
that the currents of tick ``i`` can reach, up to the want::

    on[i, u, e]  = min p[i] m(e, e') + on[i+1, min(u+1, U), e']            continue
    on[i, U, e]  = min( the same,
                        off[i+R, e],                                       stop, and rest
                        min p[i] m(e, t) + D[t] )                          a part, and finish
    off[i, e]    = min( off[i+1, e],                                       wait
                        s + min p[i] m(e, e') + on[i+1, 1, e'] )           start
    D[e]         = infinity below the need, else
                   - worth(e) + worth'(e - trip) + fresh'[return, e - trip]

``worth(e)`` is what the energy up to ``e`` is worth that no departure needs: see
`planners.solver.worth`. Dashes mark the next departure; there is none after the last. At the
departure ``off = fresh = D``, and ``on`` is the same, but for the cost of a run that is too short.
``fresh`` is like ``off``, but a run that starts from it may finish before ``U`` ticks: it has its
own rows of ``on`` for ``u < U``, unless no target is so near. Inside a stretch that may be used in
part only, all states are told apart by its ticks that were used: see `planners.solver.lanes`.
Before all this
`planners.solver.reach` lowers each need that can't be met to the energy that is possible.

Bound: each tick costs a few operations on arrays of ``2 U - 1`` rows of levels in each lane (a
minimum over a range of levels takes the logarithm of its length), and the tables hold as many
numbers for each tick. `planners.solver.follow` walks forwards through them.

Ties: a start costs `TIE` extra, and a tick below its highest current a part of that. So of plans
within `TIE` the one with fewer starts wins, and then the one with more ticks at full current. Plans
that are still equal are decided on the way forwards. A kWh past the need is worth a little more
than ``max_rate``, so that it is bought at exactly that, and the more so the earlier the departure;
a tick dearer than ``max_rate`` pays that back, except before the last departure.

With a surplus ``p[i] m`` is ``export[i] m`` up to it and ``p[i]`` times the rest. On/off switching
has one power, so that this is one mean rate. A current that can be set may draw just the surplus,
which leads between two levels, where costs are interpolated; where export pays more than import,
the cheaper of the two prices is the right one at every current. The levels then say which ticks
charge, and `planners.solver.currents` finds the currents exactly.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from itertools import accumulate
from operator import or_
from typing import TYPE_CHECKING

import numpy as np

from planners.power.charging import SAME_KWH
from planners.solver.currents import with_best_currents
from planners.solver.filling import SpanCosts
from planners.solver.follow import follow, least_cost
from planners.solver.lanes import Lanes
from planners.solver.levels import levels_of, spans_of
from planners.solver.priced_moves import PricedMoves
from planners.solver.problem import LONG_AT_REST, NEED_TOLERANCE_KWH, PlanningProblem
from planners.solver.reach import ReachableNeed, needs_within_reach
from planners.solver.solution import Solution, solution_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from numpy.typing import NDArray


MOST_STATES_SWITCHED = 12_000_000
MOST_STATES_SET = 3_000_000
MOST_STATES_AHEAD = 1_500_000
"""States whose values are computed and kept, at 8 bytes each: with on/off switching; with a current
that can be set, where each takes longer; and with such a current and several departures. One core
takes less than a tenth of a second for them."""

MOST_LEVELS = 8_000
"""The most levels before one departure."""


def solve(problem: PlanningProblem) -> Solution:
    """Find the cheapest plan.

    Parameters
    ----------
    problem : PlanningProblem
        See `planners.solver.problem`; its arrays have shape (ticks,).

    Returns
    -------
    Solution
        At constant power (no taper; standby only with on/off switching) optimal in the sense of
        `planners.solver.problem`, as long as the levels of `planners.solver.levels` suffice;
        else it costs at most the energy of one tick more. With a surplus and a current that can be
        set, the currents are the best of the ticks in which it charges; now and then others would
        cost a little less (of 5,000 random problems nine, by less than a hundredth of a tick's
        energy at the highest rate). A need that can't be met is met as nearly as possible.

    Raises
    ------
    ValueError
        If `PlanningProblem.check` refuses the problem.
    """  # noqa: DOC502 - raised by check
    problem.check()
    needs = [min(d.need_kwh, d.want_kwh) for d in problem.deadlines]

    @cache  # lowered by a little, the needs are often the same as before
    def plan_for(*needs_kwh: float) -> Solution | None:
        return _plan_for(problem, needs_kwh)

    plan = _in_all_ticks(problem) or plan_for(*needs)
    if plan is not None:
        return plan
    if problem.floor is not None:
        return solve(replace(problem, floor=None))
    if len(needs) == 1 or plan_for(needs[0], *[0.0] * len(needs[1:])) is None:
        # If the levels alone miss the first need, few ticks can be spared: the last ones are.
        tight = _without_last_ticks(problem)
        plan = None if tight is None else _in_all_ticks(tight)
        if plan is not None and plan.reaches_kwh[0] >= needs[0] - NEED_TOLERANCE_KWH:
            return plan
    reaches = needs_within_reach(problem)
    lowered = _lowered(needs, reaches, plan_for)
    plan = plan_for(*lowered)
    if plan is not None and not _may_reach_more(needs, lowered, reaches):
        return plan
    # Levels are rounded down, so a need that is only just possible may be missed by a little.
    promised = _most_on_levels(problem)
    by_levels = plan_for(*promised)
    if plan is None:
        return by_levels or _one_by_one(problem, promised, plan_for)
    is_nearer = by_levels is not None and _reaches_more(by_levels, plan, needs)
    return by_levels if by_levels is not None and is_nearer else plan


def _may_reach_more(
    needs_kwh: Sequence[float], lowered_kwh: Sequence[float], reaches: Sequence[ReachableNeed]
) -> bool:
    """Whether a missed need may be missed by less, as a run was held back before it."""
    held_back = accumulate((reach.held_back for reach in reaches), or_)
    return any(
        is_held and kwh < need - NEED_TOLERANCE_KWH
        for is_held, need, kwh in zip(held_back, needs_kwh, lowered_kwh, strict=True)
    )


def _reaches_more(one: Solution, other: Solution, needs_kwh: Sequence[float]) -> bool:
    """Whether a plan comes nearer to the first need that the two reach differently."""
    for need, *reached in zip(needs_kwh, one.reaches_kwh, other.reaches_kwh, strict=True):
        nearer, less_near = (min(need, kwh) for kwh in reached)
        if abs(nearer - less_near) > NEED_TOLERANCE_KWH:
            return nearer > less_near
    return False


def solve_for_needs(problem: PlanningProblem, needs_kwh: Sequence[float]) -> Solution | None:
    """Find the cheapest plan that reaches certain energies.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    needs_kwh : sequence of float
        What must be reached at each departure, the need or less [kWh].

    Returns
    -------
    Solution or None
        Optimal as that of `solve`; None if not all can be reached.

    Raises
    ------
    ValueError
        If `PlanningProblem.check` refuses the problem.
    """  # noqa: DOC502 - raised by check
    problem.check()
    return _plan_for(problem, needs_kwh)


def _in_all_ticks(problem: PlanningProblem) -> Solution | None:
    """Charge in every tick before the first departure, if less misses more of its need."""
    end, needed = problem.deadlines[0].end, problem.deadlines[0].need_kwh
    if problem.use_limits:
        return None
    usable = problem.highest_amps >= problem.least_amps
    usable[: problem.rest_left] = usable[end:] = False
    amps = np.where(usable, problem.highest_amps, 0.0)
    if _is_exceeded(problem, needed + NEED_TOLERANCE_KWH, amps[usable]):
        return None
    plan = solution_of(problem, amps, usable.astype(np.float64))
    most_kwh = plan.reaches_kwh[0]
    gained = problem.model.gained_kw_of(plan.metered_kwh[usable] / problem.tick_hours)
    if most_kwh > needed + NEED_TOLERANCE_KWH or (gained <= 0).any():
        return None
    # If less than this was found, some of these ticks can't be used together.
    if needs_within_reach(problem)[0].most_kwh < most_kwh - SAME_KWH:
        return None
    if len(problem.deadlines) == 1:
        return plan
    start, _ = problem.segments()[1]  # the nights from there on are a problem of their own
    later = solve(_after_first(problem, start, most_kwh))
    amps[start:], share = later.amps, plan.share.copy()
    share[start:] = later.share
    return solution_of(problem, amps, share)


def _is_exceeded(problem: PlanningProblem, needed_kwh: float, amps: NDArray[np.float64]) -> bool:
    """Tell whether some of these currents, one for each tick, charge more than is needed."""
    model, stored = problem.model, problem.stored_kwh
    for each in amps:
        if stored > needed_kwh:
            return True
        stored += problem.tick_hours * model.gained_kw(model.metered_kw(stored, each))
    return stored > needed_kwh


def _without_last_ticks(problem: PlanningProblem) -> PlanningProblem | None:
    """Leave out the last of what the first need does not take, if the current can be set."""
    end, model = problem.deadlines[0].end, problem.model
    if problem.min_amps is None or problem.use_limits:
        return None
    usable = problem.highest_amps >= problem.least_amps
    usable[: problem.rest_left] = usable[end:] = False
    highest = np.where(usable, problem.highest_amps, 0.0)
    plan = solution_of(problem, highest, usable.astype(np.float64))
    kw = plan.metered_kwh / problem.tick_hours
    gains = model.gained_kw_of(kw) * problem.tick_hours
    left = problem.deadlines[0].need_kwh - problem.stored_kwh - np.cumsum(gains)
    places = np.flatnonzero(usable & (gains > 0) & (left <= NEED_TOLERANCE_KWH))
    if not len(places):
        return None
    place = int(places[0])
    needed_kw = ((left[place] + gains[place]) / problem.tick_hours + model.standby_kw) / (
        model.efficiency
    )
    amps = highest[place] * needed_kw / kw[place]
    lacking = max(0.0, problem.min_amps - amps)
    highest[place] = amps + lacking
    highest[np.flatnonzero(usable[:place])[-1:]] -= lacking
    highest[place + 1 : end] = 0.0
    highest[end:] = problem.highest_amps[end:]
    return replace(problem, highest_amps=highest)


def _after_first(problem: PlanningProblem, start: int, reached_kwh: float) -> PlanningProblem:
    """State the problem of the nights after the first departure, from tick `start` on."""
    first, *later = problem.deadlines
    surcharges = problem.surcharges_per_kwh
    return problem.during(
        start,
        problem.ticks,
        surcharges_per_kwh=None if surcharges is None else surcharges[start:],
        stored_kwh=max(0.0, reached_kwh - first.trip_kwh),
        before=LONG_AT_REST,
        deadlines=tuple(
            replace(each, end=each.end - start, return_tick=each.return_tick - start)
            for each in later
        ),
    )


def _most_on_levels(problem: PlanningProblem) -> list[float]:
    """Lower each need to what the levels promise, the nearest departure's last."""
    # With no other cost than a need's shortage, the least cost is the least shortage.
    free = replace(
        problem,
        rates_per_kwh=np.zeros(problem.ticks),
        surcharges_per_kwh=None,
        surplus_kw=None,
        export_rates_per_kwh=None,
        floor=None,
        start_cost=0.0,
        deadlines=tuple(replace(each, max_rate_per_kwh=0.0) for each in problem.deadlines),
    )
    promised: list[float] = []
    for k, deadline in enumerate(problem.deadlines):
        need = min(deadline.need_kwh, deadline.want_kwh)
        short_by = 0.0
        while True:
            # The levels change with the needs: what they promised before may be just above one.
            promised = [max(0.0, kwh - short_by) for kwh in promised]
            needs = [*promised, *[0.0] * (len(problem.deadlines) - k)]
            tables = _tables_for(free, needs, short=(k, need))
            cost = least_cost(free, tables[0].tables)
            if np.isfinite(cost) or not any(promised):
                break
            short_by = _lowered_again(problem, short_by)
        least = need - cost
        levels = tables[-1].moves.levels
        near = int(np.searchsorted(levels, least + NEED_TOLERANCE_KWH, side="right")) - 1
        promised.append(min(need, float(levels[max(0, near)])))
    return promised


def _lowered_again(problem: PlanningProblem, short_by: float) -> float:
    """Return by how much needs are lowered next, if this was too little for the levels [kWh]."""
    return 2 * short_by + 1e-3 * problem.model.full_kw * problem.tick_hours


def _one_by_one(
    problem: PlanningProblem,
    promised_kwh: Sequence[float],
    plan_for: Callable[..., Solution | None],
) -> Solution:
    """Lower each need by itself, the nearest departure's first: what one misses costs no other."""
    kept, short_by, k = [0.0] * len(promised_kwh), 0.0, 0
    while True:
        kept[k] = max(0.0, promised_kwh[k] - short_by)
        plan = plan_for(*kept)
        if plan is None:
            short_by = _lowered_again(problem, short_by)
        elif k == len(kept) - 1:
            return plan
        else:
            k, short_by = k + 1, 0.0


def _lowered(
    needs_kwh: Sequence[float],
    reaches: Sequence[ReachableNeed],
    plan_for: Callable[..., Solution | None],
) -> list[float]:
    """Lower needs that can't all be met, the nearest departure's last."""
    lowered = [reach.kwh for reach in reaches]
    if len(lowered) == 1:
        return lowered  # the caller has found that this need can't be met
    for k, (need, reach) in enumerate(zip(needs_kwh, reaches, strict=True)):
        if reach.kwh < need and reach.may_meet_need:
            trial = [*lowered[:k], need, *[0.0] * (len(lowered) - k - 1)]
            if plan_for(*trial) is not None:
                lowered[k] = need
    return lowered


def most_levels(problem: PlanningProblem) -> int:
    """Return how many levels a departure may have, given their time and memory.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.

    Returns
    -------
    int
        `MOST_LEVELS`, or fewer if there are many ticks or the shortest run is long.
    """
    states = MOST_STATES_SET if len(problem.deadlines) == 1 else MOST_STATES_AHEAD
    if problem.min_amps is None:
        states = MOST_STATES_SWITCHED
    ticks = sum(Lanes(problem.use_limits, *span).total() for span in problem.segments())
    return min(MOST_LEVELS, states // max(1, ticks * (2 * problem.min_run - 1)))


def _plan_for(problem: PlanningProblem, needs_kwh: Sequence[float]) -> Solution | None:
    """Solve with needs lowered to `needs_kwh`; None if they can't all be met."""
    tables = _tables_for(problem, needs_kwh)
    choice = follow(problem, tables, problem.start_cost + problem.tie)
    if choice is None:
        return None
    solution = solution_of(problem, *choice)
    return solution if problem.surplus_kw is None else with_best_currents(problem, solution)


def _tables_for(
    problem: PlanningProblem,
    needs_kwh: Sequence[float],
    short: tuple[int, float] | None = None,
) -> list[SpanCosts]:
    """Find the costs up to the last departure, or the one that may be `short` of an energy."""
    spans = spans_of(problem, needs_kwh)
    levels = levels_of(problem, spans, most_levels(problem))
    # If costs are equal but for rounding, prefer on (early) or off (late).
    bonus = 0.01 * problem.tie * (-1 if problem.prefer_late else 1)
    tables: list[SpanCosts] = []
    for k in reversed(range(len(spans) if short is None else short[0] + 1)):
        moves = PricedMoves(problem, k, spans[k], levels[k])
        done = _departure_values(problem, moves, k, tables[-1] if tables else None)
        if short is not None and k == short[0]:
            done = np.maximum(0.0, short[1] - levels[k])
        short_run_cost = problem.short_run_cost if short is None else 0.0
        tables.append(SpanCosts(problem, moves, done, bonus, short_run_cost))
    return tables[::-1]


def _departure_values(
    problem: PlanningProblem, moves: PricedMoves, k: int, following: SpanCosts | None
) -> NDArray[np.float64]:
    """Value each level at departure `k`, `following` being the tables of the next one."""
    deadline, levels = problem.deadlines[k], moves.levels
    done = -moves.worth
    if following is not None:
        left = np.maximum(0.0, levels - deadline.trip_kwh)
        done += _interpolated(left, following.moves.levels, following.on_return)
    done[levels < moves.span.need_kwh - SAME_KWH] = np.inf
    return done


def _interpolated(
    stored_kwh: NDArray[np.float64], levels: NDArray[np.float64], values: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Interpolate values between levels, infinite where the lower level's is."""
    below = np.searchsorted(levels, stored_kwh + SAME_KWH, side="right") - 1
    below = np.clip(below, 0, max(0, len(levels) - 2))
    above = np.minimum(below + 1, len(levels) - 1)
    finite = np.isfinite(values)
    if not finite.any():
        return np.full(len(stored_kwh), np.inf)
    along: NDArray[np.float64] = np.interp(stored_kwh, levels[finite], values[finite])
    near_above = stored_kwh >= levels[above] - SAME_KWH
    return np.where(finite[np.where(near_above, above, below)], along, np.inf)
