"""State what the exact planner claims, for the tests that check it."""

from __future__ import annotations

import numpy as np

from planners.solver.exact import most_levels
from planners.solver.levels import levels_of, spans_of
from planners.solver.problem import PlanningProblem
from planners.solver.reach import needs_within_reach


def is_exact(problem: PlanningProblem) -> bool:
    """Tell whether the planner claims to be exact: constant power, and enough levels."""
    usable = problem.highest_amps[problem.highest_amps >= max(1e-6, problem.min_amps or 0.0)]
    one_current = problem.min_amps is None and len(np.unique(usable)) <= 1
    if problem.model.taper and not (one_current and len(problem.deadlines) == 1):
        return False
    if problem.model.standby_kw > 0 and not one_current:
        return False
    spans = spans_of(problem, [reach.kwh for reach in needs_within_reach(problem)])
    most = most_levels(problem)
    some, every = (levels_of(problem, spans, count) for count in (most, 10**9))
    return all(len(a) == len(b) for a, b in zip(some, every, strict=True))


def slack_money(problem: PlanningProblem, money: float, exact_to: float) -> float:
    """Return by how much the planner may exceed the least money [currency]."""
    if is_exact(problem):
        return exact_to
    rates = [*np.abs(problem.rates_per_kwh), *(d.max_rate_per_kwh for d in problem.deadlines)]
    return max(1e-3 * abs(money), float(max(rates)) * slack_kwh(problem, exact_to))


def slack_kwh(problem: PlanningProblem, exact_to: float) -> float:
    """Return by how much the planner may exceed the least shortage [kWh]."""
    return exact_to if is_exact(problem) else problem.model.full_kw * problem.tick_hours
