"""Solve the joint problem a second time, as one mixed integer programme of all vehicles.

Each vehicle's rules are those of `tests.planners.solver.reference_several`; what they share is a
row for each limit and tick. The power per ampere is constant.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import chain

import highspy

from planners.joint.plans import Shortages
from planners.joint.problem import JointProblem
from planners.solver.problem import NEED_TOLERANCE_KWH, PlanningProblem
from planners.solver.solution import Solution
from tests.planners.solver import several_rows
from tests.planners.solver.linear_model import LinearModel
from tests.planners.solver.reference_several import _rules
from tests.planners.solver.several_columns import (
    Power,
    Segment,
    Terms,
    add_ticks,
    first_segment,
    next_segment,
    power_of,
    times,
)


@dataclass(frozen=True)
class JointOptimum:
    """What HiGHS found within its time.

    Attributes
    ----------
    money, least_money : float
        Of the best plan, and a bound below every plan [currency].
    is_known : bool
        Whether the two are the same to 1e-6, or the bound is as high as was asked for.
    """

    money: float
    least_money: float
    is_known: bool


def cheapest_together(
    joint: JointProblem, seconds: float, plans: Sequence[Solution] = (), enough: float = math.inf
) -> JointOptimum | None:
    """Find the least money with every need met; None if they can't all be met.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    seconds : float
        How long HiGHS may take.
    plans : sequence of Solution
        Plans that meet the needs, to begin from.
    enough : float
        A bound that is high enough: to close the gap takes several times as long [currency].

    Returns
    -------
    JointOptimum or None
        What is known by then.
    """
    model, short, on = _all_vehicles(joint)
    for number in chain(*short):
        model.upper[number] = 0.0
    solver = model.highs()
    if plans:
        begin = highspy.HighsSolution()
        begin.col_value = _best_in_ticks_of(plans, solver, on)
        for _, column in chain(*on):
            solver.changeColBounds(column, 0.0, model.upper[column])
        if begin.col_value:
            solver.setSolution(begin)
    solver.setOptionValue("mip_rel_gap", 1e-5)
    solver.setOptionValue("time_limit", seconds)
    solver.cbMipInterrupt.subscribe(
        lambda event: event.interrupt() if event.data_out.mip_dual_bound >= enough else None
    )
    solver.run()
    status = solver.getModelStatus()
    if status == highspy.HighsModelStatus.kInfeasible:
        return None
    info = solver.getInfo()
    is_optimal = status == highspy.HighsModelStatus.kOptimal
    return JointOptimum(
        solver.getObjectiveValue() if info.primal_solution_status else math.inf,
        info.mip_dual_bound,
        is_optimal or info.mip_dual_bound >= enough,
    )


def money_in_ticks_of(joint: JointProblem, plans: Sequence[Solution]) -> float:
    """Find the least money of plans in just their ticks that reach as much; infinite if none."""
    model, short, on = _all_vehicles(joint)
    for own, problem, plan in zip(short, joint.vehicles, plans, strict=True):
        for number, deadline, kwh in zip(own, problem.deadlines, plan.reaches_kwh, strict=True):
            model.upper[number] = max(0.0, deadline.need_kwh - kwh) + NEED_TOLERANCE_KWH
    solver = model.highs()
    is_allowed = bool(_best_in_ticks_of(plans, solver, on))
    money: float = solver.getObjectiveValue() if is_allowed else math.inf
    return money


def _best_in_ticks_of(
    plans: Sequence[Solution], solver: highspy.Highs, on: list[list[tuple[int, int]]]
) -> list[float]:
    """Solve for the ticks in which plans charge; return the columns' values, none if none fit."""
    for own, plan in zip(on, plans, strict=True):
        for tick, column in own:
            solver.changeColBounds(column, float(plan.on[tick]), float(plan.on[tick]))
    solver.run()
    found = solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
    return list(solver.getSolution().col_value) if found else []


def least_shortages_together(joint: JointProblem, seconds: float) -> Shortages | None:
    """Find the least shortages, as `Plans` has them; None if HiGHS can't tell in its time."""
    model, short, _ = _all_vehicles(joint)
    ranks = sorted(set(joint.ranks))
    measures: list[Terms] = []
    for rank in ranks:
        equals = [own for own, each in zip(short, joint.ranks, strict=True) if each == rank]
        largest = model.column(1e3)
        for own in equals:
            model.at_most([*((number, 1.0) for number in own), (largest, -1.0)], 0.0)
        measures += [[(largest, 1.0)], [(number, 1.0) for number in chain(*equals)]]
    found: list[float] = []
    for terms in measures:
        model.cost = [0.0] * len(model.cost)
        model.charge(terms)
        solver = model.highs()
        solver.setOptionValue("time_limit", seconds)
        solver.run()
        if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            return None
        found.append(max(0.0, float(solver.getObjectiveValue())))
        model.at_most(terms, found[-1] + 1e-6)
    return tuple(zip(found[::2], found[1::2], strict=True))


def _all_vehicles(
    joint: JointProblem,
) -> tuple[LinearModel, list[list[int]], list[list[tuple[int, int]]]]:
    """Write all vehicles and what they share.

    Returns
    -------
    tuple of LinearModel, list and list
        With the columns of each one's shortages, and its ticks with the columns that say whether
        they are on.
    """
    model = LinearModel()
    taken: dict[tuple[int, int], Terms] = defaultdict(list)
    from_roof: dict[int, Terms] = defaultdict(list)
    short: list[list[int]] = []
    on: list[list[tuple[int, int]]] = []
    for number, problem in enumerate(joint.vehicles):
        amps, segments = _vehicle(model, problem, from_roof)
        short.append([segment.short for segment in segments])
        on.append([each for own in segments for each in zip(own.ticks, own.on, strict=True)])
        for tick, terms in amps:
            for place, limit in enumerate(joint.limits):
                if limit.weights[number]:
                    taken[place, tick] += times(limit.weights[number], terms)
    for (place, tick), terms in taken.items():
        model.at_most(terms, max(0.0, float(joint.limits[place].left[tick])) + 1e-9)
    for tick, terms in from_roof.items():
        model.at_most(terms, float(joint.surplus_kw[tick]) * joint.vehicles[0].tick_hours)
    return model, short, on


def _vehicle(
    model: LinearModel, given: PlanningProblem, from_roof: dict[int, Terms]
) -> tuple[list[tuple[int, Terms]], list[Segment]]:
    """Write one vehicle's rules; return the current of each of its ticks, and its segments."""
    # What it has of a surplus, which must cost no more than import, is added to `from_roof`.
    problem = replace(given, surplus_kw=None, export_rates_per_kwh=None)
    power = power_of(problem)
    segments: list[Segment] = [first_segment(model, problem)]
    for place in range(1, len(problem.deadlines)):
        segments.append(next_segment(model, problem, segments[-1], place))
        several_rows.trip(model, segments[-2], segments[-1])
    found: list[tuple[int, Terms]] = []
    kwh_per_amp = problem.model.kw_per_amp * problem.tick_hours
    for place, segment in enumerate(segments):
        add_ticks(model, problem, power, segment)
        _rules(model, problem, power, segment)
        several_rows.money(model, problem, power, segment, place)
        if given.surplus_kw is not None and given.export_rates_per_kwh is not None:
            less = given.export_rates_per_kwh - given.rates_per_kwh
            for tick, terms in _roof_columns(model, given, power, segment):
                model.charge(times(float(less[tick]), terms))
                from_roof[tick] += terms
        for tick, on, metered in zip(segment.ticks, segment.on, segment.metered, strict=True):
            if problem.min_amps is None:
                found.append((tick, [(on, float(problem.highest_amps[tick]))]))
            else:  # a tick that is cut short counts as whole, at its lowest current or more
                amps = model.column(upper=float(problem.highest_amps[tick]))
                model.at_least([(amps, 1.0), *times(-1 / kwh_per_amp, metered)], 0.0)
                model.at_least([(amps, 1.0), (on, -problem.min_amps)], 0.0)
                found.append((tick, [(amps, 1.0)]))
    return found, segments


def _roof_columns(
    model: LinearModel, problem: PlanningProblem, power: Power, segment: Segment
) -> Iterator[tuple[int, Terms]]:
    """Add what each tick has of the surplus: at most that of its used part, and what it draws."""
    assert problem.surplus_kw is not None
    for place, tick in enumerate(segment.ticks):
        most = float(problem.surplus_kw[tick]) * problem.tick_hours
        spent, before = segment.spent[place + 1], segment.spent[place]
        used: Terms = [(segment.on[place], 1.0), (spent, -1.0), (before, 1.0)]
        roof = model.column(min(most, power.metered[tick]))
        model.at_most([(roof, 1.0), *times(-most, used)], 0.0)
        model.at_most([(roof, 1.0), *times(-1.0, segment.metered[place])], 0.0)
        yield tick, [(roof, 1.0)]


def least_largest_shortage(joint: JointProblem) -> float:
    """Find a shortage that the largest one is never below, with currents that may be anything.

    No runs, rests and lowest currents, and no relay: more is possible than there really is.

    Returns
    -------
    float
        Battery energy [kWh]; 0 if every need can be met so.
    """
    model = LinearModel()
    largest = model.column(1e6)
    model.charge([(largest, 1.0)])
    taken: dict[tuple[int, int], Terms] = defaultdict(list)
    for number, problem in enumerate(joint.vehicles):
        gains = problem.model.efficiency * problem.model.kw_per_amp * problem.tick_hours
        amps = [model.column(float(most)) for most in problem.highest_amps]
        missing = problem.deadlines[0].need_kwh - problem.stored_kwh
        model.at_least([(largest, 1.0), *((each, gains) for each in amps)], missing)
        for place, limit in enumerate(joint.limits):
            for tick, each in enumerate(amps):
                taken[place, tick].append((each, limit.weights[number]))
    for (place, tick), terms in taken.items():
        model.at_most(terms, max(0.0, float(joint.limits[place].left[tick])))
    solver = model.highs()
    solver.run()
    return float(solver.getObjectiveValue())
