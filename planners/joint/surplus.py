"""Share the surplus of the home's own generation among vehicles, and bound what it saves.

At every instant the surplus covers what the vehicles draw together, up to it; the cost of a plan is
that of the whole. Each has a part of the energy from the roof by what it draws at the time.

Where energy beyond the surplus costs more than that up to it, each kWh of the surplus saves the
difference once, to one vehicle: a price on it leads them to share it, and bounds every plan. Where
export pays more, the surplus is an expense that those who draw share, and no price bounds it; the
cheapest mean rate that they could have together does.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.joint.problem import JointProblem
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution

    Array = NDArray[np.float64]


def surplus_beside(joint: JointProblem, vehicle: int, currents: Array) -> Array | None:
    """Return what other vehicles leave of the surplus [kW].

    Parameters
    ----------
    joint : JointProblem
        The problem.
    vehicle : int
        The vehicle's place in it.
    currents : ndarray of float, shape (vehicles, ticks)
        What each of the others takes, and 0 for this one [A per phase].

    Returns
    -------
    ndarray of float, shape (ticks of the vehicle,), or None
        None without a surplus.
    """
    problem = joint.vehicles[vehicle]
    if problem.surplus_kw is None or not currents.any():
        return problem.surplus_kw
    shares = [each.surplus_kw is not None for each in joint.vehicles]
    kw_per_amp = np.array([each.model.kw_per_amp for each in joint.vehicles]) * shares
    left: Array = np.maximum(0.0, problem.surplus_kw - (kw_per_amp @ currents)[: problem.ticks])
    return left


def with_shared_surplus(joint: JointProblem, plans: Sequence[Solution]) -> list[Solution]:
    """Give each plan its part of the surplus, and its cost with that.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    plans : sequence of Solution
        One for each vehicle, whatever surplus it was planned with.

    Returns
    -------
    list of Solution
        The same currents and energies. A tick that is cut short draws in its first part.
    """
    if joint.sunniest is None:
        return list(plans)
    surplus_kw, hours = joint.surplus_kw, joint.sunniest.tick_hours
    share, metered = np.zeros((2, len(plans), joint.ticks))
    for row, (problem, plan) in enumerate(zip(joint.vehicles, plans, strict=True)):
        if problem.surplus_kw is None:
            continue
        share[row, : len(plan.share)] = plan.share
        metered[row, : len(plan.share)] = plan.metered_kwh
    power = metered / np.where(share > 0, share * hours, 1.0)
    roof, until = np.zeros_like(power), np.zeros(joint.ticks)
    for place in np.argsort(share, axis=0):  # from the shortest use to the longest
        ends = np.take_along_axis(share, place[np.newaxis], axis=0)[0]
        drawn = np.where(share > until, power, 0.0)
        together = drawn.sum(axis=0)
        part = np.minimum(1.0, surplus_kw / np.where(together > 0, together, np.inf))
        roof += drawn * part * (ends - until) * hours
        until = ends
    return [
        _with_roof(problem, plan, np.minimum(roof[row, : problem.ticks], plan.metered_kwh))
        for row, (problem, plan) in enumerate(zip(joint.vehicles, plans, strict=True))
    ]


def _with_roof(problem: PlanningProblem, plan: Solution, roof_kwh: Array) -> Solution:
    if problem.export_rates_per_kwh is None:
        return plan
    more = problem.export_rates_per_kwh - problem.rates_per_kwh
    cost = float(problem.rates_per_kwh @ plan.metered_kwh) + float(more @ roof_kwh)
    return replace(plan, roof_kwh=roof_kwh, cost=cost)


def at_surplus_prices(problem: PlanningProblem, prices_per_kwh: Array) -> PlanningProblem:
    """Add prices to what energy from the surplus costs a vehicle.

    Parameters
    ----------
    problem : PlanningProblem
        The vehicle's.
    prices_per_kwh : ndarray of float, shape (ticks of all,)
        The prices [currency per kWh].

    Returns
    -------
    PlanningProblem
        Where they come to more than the import rate, it takes the grid's energy instead.
    """
    rates, imported = problem.export_rates_per_kwh, problem.rates_per_kwh
    if rates is None:
        return problem
    dearer = np.minimum(rates + prices_per_kwh[: problem.ticks], imported)
    return replace(problem, export_rates_per_kwh=np.where(rates < imported, dearer, rates))


def is_shared(joint: JointProblem) -> NDArray[np.bool_]:
    """Tell in which ticks more than one vehicle may charge, and there is a surplus."""
    count = np.zeros(joint.ticks)
    for problem in joint.vehicles:
        if problem.surplus_kw is not None:
            count[: problem.ticks] += problem.highest_amps >= problem.least_amps
    found: NDArray[np.bool_] = (count > 1) & (joint.surplus_kw > 0)
    return found


def pays_to_export(joint: JointProblem) -> NDArray[np.bool_]:
    """Tell in which ticks a surplus that several may draw is worth more to export than import."""
    sunniest, found = joint.sunniest, np.zeros(joint.ticks, dtype=np.bool_)
    if sunniest is not None and sunniest.export_rates_per_kwh is not None:
        found[: sunniest.ticks] = sunniest.export_rates_per_kwh > sunniest.rates_per_kwh
    return found & is_shared(joint)


def alone_at_best(joint: JointProblem) -> list[PlanningProblem]:
    """State each vehicle's problem so that all together never cost more than any joint plan.

    Parameters
    ----------
    joint : JointProblem
        The problem.

    Returns
    -------
    list of PlanningProblem
        Each has all of the surplus. Where several may draw what export would pay more for, all
        energy has the mean rate of all of them drawing together, which is the lowest.
    """
    expensive = pays_to_export(joint)
    if not expensive.any():
        return list(joint.vehicles)
    most_kw = np.zeros(joint.ticks)
    for problem in joint.vehicles:
        if problem.surplus_kw is not None:
            usable = problem.highest_amps >= problem.least_amps
            amps = np.where(usable, problem.highest_amps, 0.0)
            most_kw[: problem.ticks] += amps * problem.model.kw_per_amp
    found = []
    for problem in joint.vehicles:
        own, surplus_kw = expensive[: problem.ticks], problem.surplus_kw
        if surplus_kw is None or problem.export_rates_per_kwh is None:
            found.append(problem)
            continue
        part = np.minimum(1.0, surplus_kw / np.maximum(most_kw[: problem.ticks], 1e-9))
        more = problem.export_rates_per_kwh - problem.rates_per_kwh
        rates = problem.rates_per_kwh + np.where(own, part * more, 0.0)
        left_kw = np.where(own, 0.0, surplus_kw)
        found.append(replace(problem, rates_per_kwh=rates, surplus_kw=left_kw))
    return found
