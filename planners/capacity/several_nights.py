"""Keep the next departure's plan to the power that a capacity charge makes worth its while.

The nights are first planned together as if there were no such charge. What is then bought before
the next departure is planned again under the best caps; what beyond its need is not worth its
charge is left to later nights. Those are not capped: each is planned again in its turn.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from planners.capacity.tonight import kept_power
from planners.solver.exact import solve
from planners.solver.problem import NEED_TOLERANCE_KWH, Deadline
from planners.solver.solution import paid_per_kwh, solution_of

if TYPE_CHECKING:
    from planners.capacity.tonight import KeptPower, NightTicks
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution


def keep_to_best(
    night: NightTicks, solution: Solution
) -> tuple[PlanningProblem, Solution, KeptPower | None]:
    """Plan the next departure's charge again where a capacity charge is in force.

    Parameters
    ----------
    night : NightTicks
        The ticks, with the problem of this night and those after it.
    solution : Solution
        Its cheapest plan.

    Returns
    -------
    tuple of PlanningProblem, Solution and KeptPower or None
        The problem and the plan under the best caps; the same, and None, if no capacity charge is
        in force, or no cap saves anything.
    """
    problem = night.problem
    end = problem.deadlines[0].end
    if not end or not solution.on[:end].any():
        return problem, solution, None
    alone = _night(problem, solution)
    # With no later night, what it buys is the cheapest way to buy so much.
    known = (
        solution_of(alone, solution.amps[:end], solution.share[:end])
        if len(problem.deadlines) == 1
        else None
    )
    kept = kept_power(replace(night, problem=alone), known)
    if kept is None:
        return problem, solution, None
    found, later = kept.best.solution, _later(problem, kept.best.solution, solution)
    highest = np.concatenate((kept.problem.highest_amps, problem.highest_amps[end:]))
    kept_to = replace(problem, highest_amps=highest, use_limits=kept.problem.use_limits)
    amps = np.concatenate((found.amps, later.amps[end:]))
    share = np.concatenate((found.share, later.share[end:]))
    return kept_to, solution_of(kept_to, amps, share), kept


def _night(problem: PlanningProblem, solution: Solution) -> PlanningProblem:
    """Return the problem of buying the same before the next departure, or less where it is dear."""
    first, reached = problem.deadlines[0], solution.reaches_kwh[0]
    rate = first.max_rate_per_kwh
    if len(problem.deadlines) > 1:  # what it saves on later nights is worth more
        dearest = paid_per_kwh(problem, solution)[: first.end][solution.on[: first.end]].max()
        rate = max(rate, float(dearest))
    need = max(problem.stored_kwh, min(first.need_kwh, reached))
    deadline = Deadline(first.end, need, max(need, reached), rate)
    return problem.during(0, first.end, deadlines=(deadline,))


def _later(problem: PlanningProblem, found: Solution, solution: Solution) -> Solution:
    """Return a plan whose later nights fit what is bought before the next departure."""
    reached = found.reaches_kwh[0]
    if len(problem.deadlines) == 1 or reached > solution.reaches_kwh[0] - NEED_TOLERANCE_KWH:
        return solution
    first = replace(problem.deadlines[0], need_kwh=reached, want_kwh=reached)
    return solve(replace(problem, deadlines=(first, *problem.deadlines[1:])))
