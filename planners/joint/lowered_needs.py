"""Lower needs that can't all be met together, so that the shortages are as small as can be."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from planners.joint.least_shortages import least_shortages
from planners.joint.plans import by_priority, is_less_short, missed_kwh
from planners.joint.turns import improved, planned_apart

if TYPE_CHECKING:
    from planners.joint.plans import Plans
    from planners.joint.problem import JointProblem
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution


def with_least_shortages(joint: JointProblem, found: Plans) -> Plans:
    """Find plans with the least shortages.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    found : Plans
        Plans that miss a need, though planned in order of priority.

    Returns
    -------
    Plans
        The same, or plans with smaller shortages: what `planners.joint.least_shortages` found, and
        a tick's energy or so for each vehicle; runs, rests and later departures may cost more.
    """
    target = by_priority(joint, least_shortages(joint).short_kwh.tolist())
    # Whole ticks may miss the need of the first priority by a little: then it gets one to spare.
    for spare_ticks in (0, 1):
        if is_less_short(target, found.shortages_kwh):
            apart = planned_apart(joint, least_shortages(joint, spare_ticks).currents)
            for trial in (apart, improved(joint, apart, rounds=2)):
                found = trial if trial.is_better_than(found) else found
    return found


def with_needs_met(joint: JointProblem, found: Plans) -> JointProblem:
    """Lower the needs that plans miss to what they reach, so that only money is left to compare.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    found : Plans
        Plans with the least shortages.

    Returns
    -------
    JointProblem
        What is missed is no more wanted, either.
    """
    vehicles = map(_lowered, joint.vehicles, found.plans)
    return replace(joint, vehicles=tuple(vehicles), solutions={})


def _lowered(problem: PlanningProblem, plan: Solution) -> PlanningProblem:
    """Lower a vehicle's needs to what a plan reaches."""
    deadlines = [
        replace(d, need_kwh=d.need_kwh - by, want_kwh=d.want_kwh - by, max_rate_per_kwh=0.0)
        if by > 0
        else d
        for d, by in zip(problem.deadlines, missed_kwh(problem, plan), strict=True)
    ]
    return replace(problem, deadlines=tuple(deadlines))
