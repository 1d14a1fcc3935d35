"""Keep the hours above every highest rate for the needs, in plans of several nights.

What is wanted at one departure is often still in the battery at the next, and lets cheap hours
there count for that departure's want. One kWh may thus count several times, and would be bought
at a rate above every `max_rate` although nobody needs it.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from planners.solver.exact import solve

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution


def needs_first(problem: PlanningProblem, solution: Solution) -> tuple[PlanningProblem, Solution]:
    """Buy above every highest rate only what the needs require.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    solution : Solution
        Its cheapest plan.

    Returns
    -------
    tuple of PlanningProblem and Solution
        The same if the plan buys nothing for wants above their highest rate. Else such ticks that
        the cheapest plan for the needs alone leaves unused cost as much more as a kWh could count
        for all wants, so that no want pays for them; and the cheapest plan with that.
    """
    extra = _worth_above_every_max_rate(problem)
    if not extra[solution.on].any():
        return problem, solution
    needs_alone = tuple(replace(each, max_rate_per_kwh=0.0) for each in problem.deadlines)
    extra[solve(replace(problem, deadlines=needs_alone)).on] = 0.0
    if not extra[solution.on].any():
        return problem, solution
    problem = replace(problem, surcharges_per_kwh=extra)
    return problem, solve(problem)


def _worth_above_every_max_rate(problem: PlanningProblem) -> NDArray[np.float64]:
    """Sum the wants' rates ahead of each tick that is dearer than all of them; 0 in others."""
    # Before the last departure a kWh counts once, so that it never pays above the highest rate.
    worth = np.zeros(problem.ticks)
    rates = [deadline.max_rate_per_kwh for deadline in problem.deadlines]
    for k, (start, end) in enumerate(problem.segments()[:-1]):
        is_dear = problem.rates_per_kwh[start:end] > max(rates[k:])
        worth[start:end] = np.where(is_dear, sum(rates[k:]), 0.0)
    return worth
