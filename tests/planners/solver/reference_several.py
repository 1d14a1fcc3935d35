"""Solve the planning problem of several departures a second time, as a mixed integer programme.

Written from the problem's statement and sharing no formula with the planner; power per ampere is
constant. `build` writes the model down and `solve` solves it, so that each can be timed alone.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import highspy

from planners.solver.problem import PlanningProblem
from tests.planners.solver import several_rows
from tests.planners.solver.linear_model import INFEASIBLE, LinearModel, minimised
from tests.planners.solver.several_columns import (
    Power,
    Segment,
    add_ticks,
    first_segment,
    next_segment,
    power_of,
    times,
)

NEAR_KWH = (1e-8, 1e-7, 1e-6)
"""A shortage this near to the least there can be is the least; tried in turn, since HiGHS finds
now and then no plan at all where it is held too narrowly."""


@dataclass(frozen=True)
class Optimum:
    """What the reference found.

    Attributes
    ----------
    short_kwh : tuple of float
        Battery energy short of the need at each departure [kWh].
    money : float
        Energy and start costs, less what the energy past the needs is worth [currency].
    metered_kwh : tuple of float
        Energy through the meter in each tick [kWh]; one of perhaps many optimal choices.
    """

    short_kwh: tuple[float, ...]
    money: float
    metered_kwh: tuple[float, ...]


@dataclass(frozen=True)
class Model:
    """A problem as HiGHS holds it, to be solved once."""

    solver: highspy.Highs
    costs: list[float]
    segments: list[Segment]
    emptied: list[tuple[Segment, int]]  # before a trip, and the column: it empties the battery
    least_ticks: list[tuple[int, int]]  # row, and its bound where the need is met


def cheapest(problem: PlanningProblem) -> Optimum:
    """Find the least shortage, in order of time, and then the least money."""
    return solve(build(problem))


def build(problem: PlanningProblem) -> Model:
    """Write the model down.

    Parameters
    ----------
    problem : PlanningProblem
        At constant power.
    cut : {"anywhere", "at_target"}
        Where the last tick of a segment may be cut.

    Returns
    -------
    Model
        For `solve`, once.

    Raises
    ------
    ValueError
        Where it has a taper, a standby that leaves nothing, or a negative `max_rate_per_kwh`.
    """
    if any(deadline.max_rate_per_kwh < 0 for deadline in problem.deadlines):
        raise ValueError("this reference knows no max_rate below 0")
    model, power = LinearModel(), power_of(problem)
    segments = [first_segment(model, problem)]
    emptied = []
    for place in range(1, len(problem.deadlines)):
        segments.append(next_segment(model, problem, segments[-1], place))
        column = several_rows.trip(model, segments[-2], segments[-1])
        if column is not None:
            emptied.append((segments[-2], column))
    for place, segment in enumerate(segments):
        add_ticks(model, problem, power, segment)
        _rules(model, problem, power, segment)
        several_rows.money(model, problem, power, segment, place)
    counts = [several_rows.least_ticks(model, power, segment) for segment in segments]
    return Model(model.highs(), model.cost, segments, emptied, counts)


def _rules(model: LinearModel, problem: PlanningProblem, power: Power, segment: Segment) -> None:
    several_rows.battery(model, segment)
    several_rows.cut_short(model, segment)
    may_be_whole = several_rows.may_be_whole(problem, power, segment)
    exactly = several_rows.targets(model, segment)
    whole = (
        several_rows.whole_charging(model, problem, power, segment, exactly)
        if may_be_whole
        else None
    )
    several_rows.runs_and_rests(model, problem, segment, whole)
    if segment.running:
        several_rows.run_in_progress(model, problem, power, segment, whole)
    # The last tick in time is cut short only where it reaches a target.
    part = times(several_rows.LEAST_SHARE - 1, exactly)
    model.at_most([(segment.spent[-1], 1), *part], 0)


def solve(model: Model) -> Optimum:
    """Solve what `build` wrote."""
    solver = model.solver
    if not _solved_with_every_need_met(model):
        _solved_with_the_least_shortage(model)
    values = solver.getSolution().col_value
    metered = [0.0] * model.segments[-1].deadline.end
    for segment in model.segments:
        for tick, terms in zip(segment.ticks, segment.metered, strict=True):
            metered[tick] = sum(values[number] * factor for number, factor in terms)
    short = [max(0.0, s.deadline.need_kwh - values[s.at_end]) for s in model.segments]
    return Optimum(tuple(short), solver.getObjectiveValue(), tuple(metered))


def _solved_with_every_need_met(model: Model) -> bool:
    """Where every need can be met, that comes first, and one solve finds it."""
    solver = model.solver
    for segment in model.segments:
        solver.changeColBounds(segment.short, 0.0, 0.0)
    for segment, column in model.emptied:
        if segment.deadline.need_kwh >= segment.deadline.trip_kwh:
            solver.changeColBounds(column, 0.0, 0.0)
    for row, bound in model.least_ticks:
        solver.changeRowBounds(row, float(bound), math.inf)
    solver.run()
    if solver.getModelStatus() not in INFEASIBLE:
        assert solver.getModelStatus() == highspy.HighsModelStatus.kOptimal
        return True
    for _, column in model.emptied:
        solver.changeColBounds(column, 0.0, 1.0)
    for row, _ in model.least_ticks:
        solver.changeRowBounds(row, 0.0, math.inf)
    return False


def _solved_with_the_least_shortage(model: Model) -> None:
    """As little short as can be at the first departure, then at the second, and so on."""
    for near in NEAR_KWH:
        for segment in model.segments:
            model.solver.changeColBounds(segment.short, 0.0, segment.deadline.need_kwh)
        for segment in model.segments:
            only_short = [float(number == segment.short) for number in range(len(model.costs))]
            if not minimised(model.solver, only_short):
                break
            least = max(0.0, model.solver.getObjectiveValue())
            model.solver.changeColBounds(segment.short, 0.0, least + near)
        else:
            if minimised(model.solver, model.costs):
                return
    raise AssertionError("HiGHS finds no plan")
