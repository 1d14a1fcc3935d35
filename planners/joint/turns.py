"""Plan several vehicles one after the other, each with what the others leave."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations
from typing import TYPE_CHECKING

import numpy as np

from planners.joint.plans import FITS_AMPS, Plans, beside, currents_of, limit_left, solved
from planners.joint.surplus import at_surplus_prices

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from planners.joint.problem import JointProblem
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution

ALL_ORDERS = 3
"""Up to so many vehicles, every order is tried."""


def orders_of(joint: JointProblem) -> list[tuple[int, ...]]:
    """List the orders to plan in.

    Parameters
    ----------
    joint : JointProblem
        The problem.

    Returns
    -------
    list of tuple of int
        Those in order of priority first. For more than `ALL_ORDERS` vehicles: the one with the
        least time to spare first, the one that leaves first, the one that needs most first, each
        also backwards.
    """
    count = len(joint.vehicles)
    if count <= ALL_ORDERS:
        found = list(permutations(range(count)))
    else:
        leaves = [problem.deadlines[0].end for problem in joint.vehicles]
        needs = [_missing_hours(problem) for problem in joint.vehicles]
        spare = [end - need for end, need in zip(leaves, needs, strict=True)]
        measures = (spare, leaves, [-need for need in needs])
        forwards = [tuple(sorted(range(count), key=each.__getitem__)) for each in measures]
        found = list(dict.fromkeys([*forwards, *(order[::-1] for order in forwards)]))
    return sorted(found, key=lambda order: [joint.ranks[vehicle] for vehicle in order])


def owed_to_runs(joint: JointProblem) -> NDArray[np.float64]:
    """Find the least current of each run in progress, until it may end.

    Parameters
    ----------
    joint : JointProblem
        The problem.

    Returns
    -------
    ndarray of float, shape (vehicles, ticks)
        0 where none must go on [A per phase].
    """
    owed = np.zeros((len(joint.vehicles), joint.ticks))
    for row, problem in zip(owed, joint.vehicles, strict=True):
        if problem.before.on:
            must_last = slice(max(0, min(problem.ticks, problem.min_run - problem.before.ticks)))
            highest = problem.highest_amps[must_last]
            row[must_last] = highest if problem.min_amps is None else problem.min_amps
    return owed


def _missing_hours(problem: PlanningProblem) -> float:
    """Return the ticks at full power that the first need takes."""
    missing_kwh = max(0.0, problem.deadlines[0].need_kwh - problem.stored_kwh)
    gained = problem.model.gained_kw(problem.model.full_kw) * problem.tick_hours
    return missing_kwh / gained if gained > 0 else 0.0


def in_turn(
    joint: JointProblem,
    order: Sequence[int],
    *,
    surcharges: Sequence[NDArray[np.float64]] | None = None,
    surplus_prices: NDArray[np.float64] | None = None,
    kept: NDArray[np.float64] | None = None,
) -> Plans:
    """Plan one vehicle after the other.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    order : sequence of int
        The vehicles, the first to plan first.
    surcharges : sequence of ndarray of float, each of shape (ticks of the vehicle,), optional
        What to add to each vehicle's rates, so that it leaves others what they need more.
    surplus_prices : ndarray of float, shape (ticks,), optional
        The same for energy from the surplus alone [currency per kWh].
    kept : ndarray of float, shape (vehicles, ticks), optional
        Current that is kept for each vehicle until it is planned [A per phase].

    Returns
    -------
    Plans
        They fit together. A run in progress keeps what it needs to go on, whatever the order.
    """
    owed = owed_to_runs(joint)
    currents = np.maximum(owed, 0.0 if kept is None else kept)
    plans: dict[int, Solution] = {}
    for vehicle in order:
        taken = currents
        if owed[vehicle].any():  # a run goes on with what is kept for others, unless they run too
            is_planned = np.array([other in plans for other in range(len(order))])
            taken = np.where(is_planned[:, np.newaxis], currents, owed)
        problem = beside(joint, vehicle, taken)
        if surcharges is not None:
            crowded = problem.prices_per_kwh - problem.rates_per_kwh
            problem = replace(problem, surcharges_per_kwh=surcharges[vehicle] + crowded)
        if surplus_prices is not None:
            problem = at_surplus_prices(problem, surplus_prices)
        plan = plans[vehicle] = solved(joint, vehicle, problem)
        currents[vehicle] = 0.0
        currents[vehicle, : problem.ticks] = np.where(plan.on, plan.amps, 0.0)
    return Plans.of(joint, [plans[vehicle] for vehicle in range(len(order))])


def improved(joint: JointProblem, found: Plans, rounds: int) -> Plans:
    """Plan each vehicle again beside the others, until none of them gains by it.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    found : Plans
        Plans that fit together.
    rounds : int
        How often at most each vehicle is planned again.

    Returns
    -------
    Plans
        The same, or better; they fit together.
    """
    count, unchanged = len(joint.vehicles), 0
    for turn in range(rounds * count):
        vehicle = turn % count
        again = list(found.plans)
        others = beside(joint, vehicle, currents_of(joint, found.plans))
        again[vehicle] = solved(joint, vehicle, others)
        trial = Plans.of(joint, again)
        unchanged = 0 if trial.is_better_than(found) else unchanged + 1
        if unchanged == 0:
            found = trial
        elif unchanged == count:
            break
    return found


def kept_currents(joint: JointProblem) -> list[NDArray[np.float64]]:
    """List currents to keep for vehicles until they are planned.

    Kept for the others, they let them charge beside the first, who then draws less.

    Returns
    -------
    list of ndarray of float, each of shape (vehicles, ticks)
        The lowest current of each vehicle whose current can be set; and an equal part of what is
        left, where that is enough [A per phase].
    """
    lowest = np.zeros((len(joint.vehicles), joint.ticks))
    highest = lowest.copy()
    for vehicle, problem in enumerate(joint.vehicles):
        if problem.min_amps is not None:
            lowest[vehicle, : problem.ticks] = problem.min_amps
        highest[vehicle, : problem.ticks] = problem.highest_amps
    share = np.ones(joint.ticks)
    for limit in joint.limits:
        taken = np.maximum(np.array(limit.weights) @ highest, FITS_AMPS)
        share = np.minimum(share, limit_left(limit.left) / taken)
    equal = np.where(lowest > 0, np.maximum(lowest, np.floor(share * highest)), 0.0)
    return [lowest, equal] if lowest.any() else []


def best_in_turn(joint: JointProblem) -> Plans:
    """Find the best of planning in each order, of keeping some current for those who come later.

    Parameters
    ----------
    joint : JointProblem
        The problem.

    Returns
    -------
    Plans
        No worse than the plans within the currents that are always safe, if they are given.
    """
    orders = orders_of(joint)
    tried = [(in_turn(joint, order), order) for order in orders]
    best, order = tried[0]
    for plans, each in tried[1:]:
        if plans.is_better_than(best):
            best, order = plans, each
    trials = [
        in_turn(joint, each, kept=kept)
        for kept in kept_currents(joint)
        for each in dict.fromkeys((order, order[::-1]))
    ]
    if joint.safe_amps:
        trials.append(planned_apart(joint, joint.safe_amps))
    for trial in trials:
        best = trial if trial.is_better_than(best) else best
    return best


def planned_apart(joint: JointProblem, amps: Iterable[NDArray[np.float64]]) -> Plans:
    """Plan each vehicle within currents that all may draw at a time.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    amps : iterable of ndarray of float, each of shape (ticks of the vehicle or more,)
        The currents of each vehicle [A per phase].

    Returns
    -------
    Plans
        They fit together.
    """
    pairs = enumerate(zip(joint.vehicles, amps, strict=True))
    return Plans.of(
        joint, [solved(joint, place, _within(problem, own)) for place, (problem, own) in pairs]
    )


def _within(problem: PlanningProblem, amps: NDArray[np.float64]) -> PlanningProblem:
    highest = np.minimum(problem.highest_amps, amps[: problem.ticks])
    if problem.min_amps is None:
        highest = np.where(highest < problem.highest_amps - FITS_AMPS, 0.0, problem.highest_amps)
    return replace(problem, highest_amps=highest)
