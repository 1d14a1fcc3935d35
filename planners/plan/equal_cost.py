"""Meet a want before its departure if that costs no more than to meet it later."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from planners.solver.exact import solve
from planners.solver.problem import LONG_AT_REST, NEED_TOLERANCE_KWH, PlanningProblem

if TYPE_CHECKING:
    from planners.solver.solution import Solution

WORTH_MEETING_KWH = 0.05
"""A want missed by less counts as met [kWh]."""

SAME_COST = 1e-6
"""Costs that differ by less are the same: less than any coin [currency]."""


def met_before(problem: PlanningProblem, solution: Solution) -> tuple[PlanningProblem, Solution]:
    """Meet wants that the solver left for a later night although they cost no less there.

    Among plans of the same cost the solver takes the one with fewest starts, which may leave a
    want for the last of several nights.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    solution : Solution
        Its cheapest plan.

    Returns
    -------
    tuple of PlanningProblem and Solution
        The same, or with those wants as needs and a plan that costs as little.
    """
    for k in range(len(problem.deadlines) - 1):
        deadline = problem.deadlines[k]
        if solution.reaches_kwh[k] >= deadline.want_kwh - WORTH_MEETING_KWH:
            continue
        alone_kwh = solve(_night_alone(problem, solution, k)).reaches_kwh[0]
        if alone_kwh < solution.reaches_kwh[k] + WORTH_MEETING_KWH:
            continue
        deadlines = list(problem.deadlines)
        deadlines[k] = replace(deadline, need_kwh=max(deadline.need_kwh, alone_kwh))
        met = replace(problem, deadlines=tuple(deadlines))
        other = solve(met)
        if _is_as_good(problem, other, solution):
            problem, solution = met, other
    return problem, solution


def _night_alone(problem: PlanningProblem, solution: Solution, k: int) -> PlanningProblem:
    """Return the problem of one night, from the energy that the plan begins it with."""
    start, end = problem.segments()[k]
    stored, before = problem.stored_kwh, problem.before
    if k > 0:
        trip_kwh = problem.deadlines[k - 1].trip_kwh
        stored, before = max(0.0, solution.reaches_kwh[k - 1] - trip_kwh), LONG_AT_REST
    return replace(
        problem,
        rates_per_kwh=problem.rates_per_kwh[start:end],
        highest_amps=problem.highest_amps[start:end],
        stored_kwh=stored,
        before=before,
        deadlines=(replace(problem.deadlines[k], end=end - start, return_tick=0),),
    )


def _is_as_good(problem: PlanningProblem, other: Solution, solution: Solution) -> bool:
    """Whether another plan costs as little, and leaves as much energy at each departure."""
    more = other.cost - solution.cost + problem.start_cost * (other.starts - solution.starts)
    reaches = zip(other.reaches_kwh, solution.reaches_kwh, strict=True)
    return more <= SAME_COST and all(a >= b - NEED_TOLERANCE_KWH for a, b in reaches)
