"""Lower needs that can't all be met together, so that the shortages are as small as can be."""

from __future__ import annotations

from dataclasses import replace
from itertools import islice
from typing import TYPE_CHECKING

import numpy as np

from planners.joint.plans import SAME_SHORTAGE_KWH, Plans, beside, missed_kwh, solved
from planners.joint.turns import improved, in_turn, orders_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from planners.joint.problem import JointProblem
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution

MOST_ORDERS = 4
"""Orders that are tried for each shortage."""


def with_least_shortages(joint: JointProblem, found: Plans) -> Plans:
    """Share a shortage fairly among vehicles of one priority.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    found : Plans
        Plans that miss a need, though planned in order of priority.

    Returns
    -------
    Plans
        The same, or plans with smaller shortages. The largest of a priority is found by halving,
        each time by planning in turn: the least that is found so, not always the least there is.
    """
    for rank in sorted(set(joint.ranks)):
        equals = [vehicle for vehicle, each in enumerate(joint.ranks) if each == rank]
        place = sorted(set(joint.ranks)).index(rank)
        if len(equals) > 1 and found.shortages_kwh[place][0] > SAME_SHORTAGE_KWH:
            found = _shared(joint, found, equals, found.shortages_kwh[place][0])
    return found


def _shared(joint: JointProblem, found: Plans, equals: Sequence[int], most_kwh: float) -> Plans:
    rank = joint.ranks[equals[0]]
    nobody = np.zeros((len(joint.vehicles), joint.ticks))
    least_kwh = 0.0
    for vehicle in equals:
        alone = beside(joint, vehicle, nobody)
        least_kwh = max(least_kwh, sum(missed_kwh(alone, solved(joint, vehicle, alone))))
    for _ in range(joint.halvings):
        if most_kwh - least_kwh <= SAME_SHORTAGE_KWH:
            break
        middle = (least_kwh + most_kwh) / 2
        # Those of a lower priority give up all that they need, and get what is left afterwards.
        lowered = _with_needs(
            joint,
            found,
            [middle if each == rank else None if each < rank else np.inf for each in joint.ranks],
        )
        fitting = next((plans for plans in _tried(lowered) if not plans.is_short), None)
        if fitting is None:
            least_kwh = middle
            continue
        most_kwh = middle
        trial = improved(joint, Plans.of(joint, fitting.plans), rounds=2)
        found = trial if trial.is_better_than(found) else found
    return found


def _tried(joint: JointProblem) -> Iterator[Plans]:
    """Plan in some orders, and with all current kept for one vehicle until it is planned."""
    orders = list(islice(orders_of(joint), MOST_ORDERS))
    for order in orders:
        yield in_turn(joint, order)
    for order in orders:
        kept = np.zeros((len(joint.vehicles), joint.ticks))
        last = joint.vehicles[order[-1]]
        kept[order[-1], : last.ticks] = last.highest_amps
        yield in_turn(joint, order, kept=kept)


def _with_needs(
    joint: JointProblem, found: Plans, short_kwh: Sequence[float | None]
) -> JointProblem:
    """Lower the needs of each vehicle: see `_lowered`."""
    vehicles = [
        _lowered(problem, plan, short)
        for problem, plan, short in zip(joint.vehicles, found.plans, short_kwh, strict=True)
    ]
    return replace(joint, vehicles=tuple(vehicles), solutions={})


def _lowered(problem: PlanningProblem, plan: Solution, short_kwh: float | None) -> PlanningProblem:
    """Lower a vehicle's needs by so much together, missed ones first; None: to what it reaches."""
    short = missed_kwh(problem, plan)
    less = short
    if short_kwh is not None:
        less, left = [0.0] * len(short), short_kwh
        for k in sorted(range(len(short)), key=lambda k: (short[k] == 0, k)):
            less[k] = min(left, problem.deadlines[k].need_kwh)
            left -= less[k]
    deadlines = [
        replace(d, need_kwh=d.need_kwh - by, want_kwh=d.want_kwh - by, max_rate_per_kwh=0.0)
        if by > 0
        else d
        for d, by in zip(problem.deadlines, less, strict=True)
    ]
    return replace(problem, deadlines=tuple(deadlines))


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
    return _with_needs(joint, found, [None] * len(joint.vehicles))
