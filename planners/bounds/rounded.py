"""Bound a plan's cost from below, by a problem whose energies are all multiples of one unit.

The needs are rounded down to such multiples, the wants and the highest currents up. Any current of
one unit or more may be drawn, for as short as one likes. The planner solves that exactly, since all
its energies are levels. No plan of the problem itself costs less than this optimum, by and large:

Take the cheapest one, with ``c[i]`` units bought before tick ``i``, and a random ``r`` from 0 to 1.
Then ``floor(c[i] + r)`` units are a plan of the rounded problem for each ``r``: what a tick buys
changes by less than a unit, to an allowed number, and no need or want is missed. On average over
``r`` each tick buys what it bought before. So for some ``r`` the energy costs no more, and its
worth is no less: between two multiples worth is linear. Only where a trip divides the energy that
is worth more from the rest, it may bend between two, and that is taken off.
"""

from __future__ import annotations

from dataclasses import replace
from math import ceil, floor
from typing import TYPE_CHECKING

import numpy as np

from planners.power.charging import SAME_KWH
from planners.solver.exact import most_levels, solve
from planners.solver.levels import grid_of, spans_of
from planners.solver.problem import NEED_TOLERANCE_KWH
from planners.solver.solution import objective
from planners.solver.worth import worth_pieces

if TYPE_CHECKING:
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution

ROUNDING = 1e-6
"""Numbers of units nearer than this to a whole one are whole."""


def gap_of(problem: PlanningProblem, solution: Solution) -> float | None:
    """Bound by how much a plan may cost more than the cheapest one.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    solution : Solution
        A plan for it, from `planners.solver.exact.solve`.

    Returns
    -------
    float or None
        At most so much [currency]; 0 if the plan is the cheapest. None if it isn't known: with a
        taper, standby, a surplus or limited use, where a need is missed or a trip may empty the
        battery, and for on/off switching with too few levels.
    """
    needs_kwh = [min(each.need_kwh, each.want_kwh) for each in problem.deadlines]
    pairs = zip(needs_kwh, solution.reaches_kwh, strict=True)
    is_short = any(reached < need - NEED_TOLERANCE_KWH for need, reached in pairs)
    if is_short or not _is_plain(problem):
        return None
    spans = spans_of(problem, needs_kwh)
    grid = grid_of(problem, spans, most_levels(problem))
    if grid is None or grid.is_exact:
        return 0.0
    finest = grid_of(problem, spans[:1], most_levels(replace(problem, min_run=1)))
    least = None if finest is None else least_objective(problem, finest.unit_kwh)
    return None if least is None else max(0.0, objective(problem, solution) - least)


def _is_plain(problem: PlanningProblem) -> bool:
    """Whether each ampere in a tick gains the same, at one rate, and nothing else limits it."""
    is_free = problem.floor is None and not problem.use_limits
    has_one_rate = problem.surplus_kw is None and problem.surcharges_per_kwh is None
    return is_free and has_one_rate and not problem.model.taper and not problem.model.standby_kw


def least_objective(problem: PlanningProblem, unit_kwh: float) -> float | None:
    """Find an objective below which no plan is that meets the needs.

    Parameters
    ----------
    problem : PlanningProblem
        At constant power, with needs that can be met.
    unit_kwh : float
        What energies are rounded to: a whole part of what a tick gains at most [kWh].

    Returns
    -------
    float or None
        [currency]; None if the current can't be set, or not as low as the unit, or if a trip may
        empty the battery.
    """
    rounded = _rounded(problem, unit_kwh)
    if rounded is None:
        return None
    kwh = sum(each.want_kwh for each in problem.deadlines)
    ties = problem.tie * problem.ticks + problem.least_worth * kwh * len(problem.deadlines)
    return objective(rounded, solve(rounded)) - 2 * ties - _bent(rounded, unit_kwh)


def _rounded(problem: PlanningProblem, unit_kwh: float) -> PlanningProblem | None:
    """Widen a problem to multiples of a unit, if that can be done."""
    model = problem.model
    unit_amps = unit_kwh / (problem.tick_hours * model.efficiency * model.kw_per_amp)
    if problem.min_amps is None or problem.min_amps < unit_amps * (1 - ROUNDING):
        return None  # what a tick buys could be rounded to nothing, in the middle of a run
    units = np.ceil(problem.highest_amps / unit_amps - ROUNDING)
    can = problem.highest_amps >= problem.least_amps
    deadlines, lowest, used = [], problem.stored_kwh, 0.0
    for deadline in problem.deadlines:
        zero = problem.stored_kwh - used
        units_needed = floor((deadline.need_kwh - zero) / unit_kwh + ROUNDING)
        need = max(lowest, zero + unit_kwh * units_needed)
        units_wanted = ceil((deadline.want_kwh - zero) / unit_kwh - ROUNDING)
        want = max(need, zero + unit_kwh * units_wanted)
        deadlines.append(replace(deadline, need_kwh=need, want_kwh=want))
        lowest, used = need - deadline.trip_kwh, used + deadline.trip_kwh
        if lowest < -SAME_KWH and deadline is not problem.deadlines[-1]:
            return None
    return replace(
        problem,
        highest_amps=np.where(can, units * unit_amps, 0.0),
        min_amps=unit_amps,
        min_run=1,
        deadlines=tuple(deadlines),
    )


def _bent(rounded: PlanningProblem, unit_kwh: float) -> float:
    """Bound what worth is lost between two multiples of the unit, where a trip bends it."""
    lost, used = 0.0, 0.0
    ratio = rounded.model.metered_per_gained or 1.0
    for k, deadline in enumerate(rounded.deadlines[:-1]):
        pieces = worth_pieces(rounded.deadlines[k + 1 :])
        edges = {deadline.trip_kwh + edge for low, high, _ in pieces for edge in (low, high)}
        inside = [edge for edge in edges if deadline.need_kwh < edge < deadline.want_kwh]
        units = [(edge + used - rounded.stored_kwh) / unit_kwh for edge in inside]
        bends = sum(abs(each - round(each)) > ROUNDING for each in units)
        lost += bends * deadline.max_rate_per_kwh * ratio * unit_kwh / 4
        used += deadline.trip_kwh
    return lost
