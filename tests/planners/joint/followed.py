"""Follow joint plans tick by tick, and plan again from where that leads."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from planners.joint.joint import JointPlan
from planners.joint.plans import missed_kwh
from planners.joint.problem import JointProblem
from planners.power.charging import SAME_KWH
from planners.solver.problem import PlanningProblem, SwitchingState
from planners.solver.solution import Solution


@dataclass(frozen=True)
class Left:
    """What is left of a joint problem.

    Attributes
    ----------
    joint : JointProblem or None
        None if all vehicles have left.
    missed_kwh : dict of int to float
        Of vehicles that have left, by their place in the first problem.
    places : tuple of int
        The places of the others.
    """

    joint: JointProblem | None
    missed_kwh: dict[int, float]
    places: tuple[int, ...]


def all_of(joint: JointProblem) -> Left:
    """Return a whole problem: nothing of it has been followed yet."""
    return Left(joint, {}, tuple(range(len(joint.vehicles))))


def after(left: Left, found: JointPlan, ticks: int) -> Left:
    """Follow plans for some ticks; the world goes as planned. Each vehicle departs once."""
    joint = left.joint
    assert joint is not None
    missed, kept = dict(left.missed_kwh), []
    for number, (problem, plan) in enumerate(zip(joint.vehicles, found.plans, strict=True)):
        if problem.ticks <= ticks:
            missed[left.places[number]] = sum(missed_kwh(problem, plan))
        else:
            kept.append(number)
    if not kept:
        return Left(None, missed, ())
    vehicles = tuple(_after(joint.vehicles[each], found.plans[each], ticks) for each in kept)
    most = max(problem.ticks for problem in vehicles)
    limits = tuple(
        replace(
            limit,
            weights=tuple(limit.weights[each] for each in kept),
            left=limit.left[ticks : ticks + most],
        )
        for limit in joint.limits
    )
    ranks = tuple(joint.ranks[each] for each in kept)
    return Left(
        JointProblem(vehicles, limits, ranks), missed, tuple(left.places[each] for each in kept)
    )


def _after(problem: PlanningProblem, plan: Solution, ticks: int) -> PlanningProblem:
    stored = problem.stored_kwh
    for tick in range(ticks):
        kw = problem.model.metered_kw(stored, float(plan.amps[tick]))
        if plan.share[tick] > 0:
            stored += problem.model.gained_kw(kw) * problem.tick_hours * float(plan.share[tick])
    on = np.concatenate(([problem.before.on], plan.on[:ticks]))
    changes = np.flatnonzero(on[1:] != on[:-1])
    lasted = ticks - int(changes[-1]) if len(changes) else problem.before.ticks + ticks
    is_cut = SAME_KWH < plan.share[ticks - 1] < 1 - SAME_KWH  # it has stopped inside the tick
    (deadline,) = problem.deadlines
    return problem.during(
        ticks,
        problem.ticks,
        stored_kwh=stored,
        before=SwitchingState(on=bool(on[-1]) and not is_cut, ticks=1 if is_cut else lasted),
        deadlines=(replace(deadline, end=deadline.end - ticks),),
    )
