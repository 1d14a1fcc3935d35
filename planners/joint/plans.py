"""Judge plans of several vehicles: whether they fit together, and which are better."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain
from typing import TYPE_CHECKING, Self

import numpy as np

from planners.joint.surplus import surplus_beside, with_shared_surplus
from planners.solver.exact import solve
from planners.solver.problem import NEED_TOLERANCE_KWH, TIE
from planners.solver.solution import objective

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.joint.problem import JointProblem, SolvedKey
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution

FITS_AMPS = 1e-6
"""What is left may be exceeded by so much: sums of currents are rounded [A]."""

SAME_SHORTAGE_KWH = 1e-3
"""Shortages nearer than this are the same: a watt-hour, the unit of the ledger [kWh]."""

CROWDED_PER_KWH = 1e-5
"""Added to the rate of a tick that others fill: of ticks that cost the same, a vehicle takes those
that leave the others most [currency per kWh]."""


Shortages = tuple[tuple[float, float], ...]
"""See `Plans.shortages_kwh`."""


def missed_kwh(problem: PlanningProblem, plan: Solution) -> list[float]:
    """Return how much is missing at each departure [battery kWh]; rounding is nothing."""
    pairs = zip(problem.deadlines, plan.reaches_kwh, strict=True)
    missed = [float(deadline.need_kwh - reached) for deadline, reached in pairs]
    return [kwh if kwh > NEED_TOLERANCE_KWH else 0.0 for kwh in missed]


def by_priority(joint: JointProblem, short_kwh: Sequence[float]) -> Shortages:
    """Return the largest shortage and the sum of all of each priority, the lowest number first."""
    pairs = list(zip(short_kwh, joint.ranks, strict=True))
    equals = [[kwh for kwh, each in pairs if each == rank] for rank in sorted(set(joint.ranks))]
    return tuple((max(each), sum(each)) for each in equals)


def is_less_short(mine: Shortages, theirs: Shortages) -> bool | None:
    """Tell whether shortages are smaller, the first priority's before all; None if the same."""
    for own, its in zip(chain(*mine), chain(*theirs), strict=True):
        if abs(own - its) > SAME_SHORTAGE_KWH:
            return own < its
    return None


@dataclass(frozen=True, slots=True)
class Plans:
    """One plan for each vehicle.

    Attributes
    ----------
    plans : tuple of Solution
        In the order of the vehicles.
    shortages_kwh : tuple of (float, float)
        For each priority, the lowest first: the largest shortage of a vehicle, and the sum of all,
        each over all of a vehicle's departures [battery kWh].
    money : float
        Sum of the vehicles' objectives [currency].
    """

    plans: tuple[Solution, ...]
    shortages_kwh: tuple[tuple[float, float], ...]
    money: float

    @classmethod
    def of(cls, joint: JointProblem, plans: Sequence[Solution]) -> Self:
        """Judge plans that fit together."""
        short = [
            sum(missed_kwh(problem, plan))
            for problem, plan in zip(joint.vehicles, plans, strict=True)
        ]
        plans = with_shared_surplus(joint, plans)
        money = sum(objective(p, plan) for p, plan in zip(joint.vehicles, plans, strict=True))
        return cls(tuple(plans), by_priority(joint, short), money)

    @property
    def is_short(self) -> bool:
        """Whether a need is not met."""
        return any(total > SAME_SHORTAGE_KWH for _, total in self.shortages_kwh)

    def is_better_than(self, other: Plans) -> bool:
        """Tell whether these plans are short of less, or cost less and are short of no more."""
        is_less = is_less_short(self.shortages_kwh, other.shortages_kwh)
        return self.money < other.money - TIE if is_less is None else is_less


def currents_of(joint: JointProblem, plans: Sequence[Solution]) -> NDArray[np.float64]:
    """Return the current that each plan takes in each tick [A per phase].

    Returns
    -------
    ndarray of float, shape (vehicles, ticks)
        0 where it does not charge, or the vehicle has left.
    """
    currents = np.zeros((len(plans), joint.ticks))
    for row, plan in zip(currents, plans, strict=True):
        row[: len(plan.amps)] = np.where(plan.on, plan.amps, 0.0)
    return currents


def fits(joint: JointProblem, currents: NDArray[np.float64]) -> bool:
    """Tell whether currents of shape (vehicles, ticks) keep every limit."""
    return all(
        bool((np.array(limit.weights) @ currents <= limit_left(limit.left) + FITS_AMPS).all())
        for limit in joint.limits
    )


def more_for_the_short(
    joint: JointProblem, plans: Sequence[Solution], currents: NDArray[np.float64]
) -> NDArray[np.float64]:
    """Give what the plans leave to vehicles that miss a need, so that they miss less of it.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    plans : sequence of Solution
        Plans that fit together.
    currents : ndarray of float, shape (vehicles, ticks)
        From `currents_of`.

    Returns
    -------
    ndarray of float, shape (vehicles, ticks)
        No current is lower, and they keep every limit [A per phase]. Vehicles are served in order
        of priority, and among equals the one that misses most.
    """
    missed = [
        sum(missed_kwh(problem, plan)) for problem, plan in zip(joint.vehicles, plans, strict=True)
    ]
    currents = currents.copy()
    for vehicle in sorted(range(len(missed)), key=lambda v: (joint.ranks[v], -missed[v])):
        problem = joint.vehicles[vehicle]
        if missed[vehicle] > 0:
            room = beside(joint, vehicle, currents).highest_amps
            usable = room >= (problem.min_amps or FITS_AMPS)
            own = currents[vehicle, : problem.ticks]
            np.maximum(own, np.where(usable, room, 0.0), out=own)
    return currents


def limit_left(left: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return what is left, and 0 where more than all is taken already."""
    return np.maximum(left, 0.0)


def solved(joint: JointProblem, vehicle: int, problem: PlanningProblem) -> Solution:
    """Solve one vehicle's problem, or return the solution found before.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    vehicle : int
        The vehicle's place in it.
    problem : PlanningProblem
        The vehicle's, with any highest currents and surcharges.

    Returns
    -------
    Solution
        See `planners.solver.exact.solve`.
    """
    key = _key(vehicle, problem)
    if key not in joint.solutions:
        joint.solutions[key] = solve(problem)
    return joint.solutions[key]


def remember(joint: JointProblem, vehicle: int, solution: Solution) -> None:
    """Keep the solution of a vehicle's own problem, which was solved before.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    vehicle : int
        The vehicle's place in it.
    solution : Solution
        Of `joint.vehicles[vehicle]`.
    """
    joint.solutions[_key(vehicle, joint.vehicles[vehicle])] = solution


def _key(vehicle: int, problem: PlanningProblem) -> SolvedKey:
    changing = problem.surcharges_per_kwh, problem.surplus_kw, problem.export_rates_per_kwh
    charged, surplus, rates = (b"" if each is None else each.tobytes() for each in changing)
    return vehicle, problem.highest_amps.tobytes(), charged, surplus, rates


def beside(
    joint: JointProblem,
    vehicle: int,
    currents: NDArray[np.float64],
    *,
    is_exact: bool = False,
) -> PlanningProblem:
    """State one vehicle's problem with the current that the others leave.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    vehicle : int
        The vehicle's place in it.
    currents : ndarray of float, shape (vehicles, ticks)
        What each vehicle takes; this one's own is ignored [A per phase].
    is_exact : bool
        Whether nothing is rounded.

    Returns
    -------
    PlanningProblem
        What the others take is rounded up to whole amperes, so that few currents differ. They have
        the surplus first, so that its cost is what it adds to theirs.
    """
    problem = joint.vehicles[vehicle]
    room = whole = problem.highest_amps
    others = currents.copy()
    others[vehicle] = 0.0
    crowded = np.zeros(joint.ticks)
    for limit in joint.limits:
        weights = np.array(limit.weights)
        if weights[vehicle] > 0:
            taken = weights @ others
            left_amps, taken_amps = limit.left / weights[vehicle], taken / weights[vehicle]
            left = limit_left(left_amps - taken_amps)
            room = np.minimum(room, left[: problem.ticks])
            whole_amps = taken_amps if is_exact else np.ceil(taken_amps - FITS_AMPS)
            left = limit_left(left_amps - whole_amps)
            whole = np.minimum(whole, left[: problem.ticks])
            crowded = np.maximum(crowded, taken / np.maximum(limit.left, 1.0))
    is_free = room >= problem.highest_amps - FITS_AMPS
    lowered = np.zeros(problem.ticks)
    if problem.min_amps is not None:  # rounding must not leave too little
        lowered = np.maximum(whole, np.minimum(room, problem.min_amps))
    return replace(
        problem,
        highest_amps=np.where(is_free, problem.highest_amps, lowered),
        surcharges_per_kwh=CROWDED_PER_KWH * crowded[: problem.ticks] if crowded.any() else None,
        surplus_kw=surplus_beside(joint, vehicle, others),
    )
