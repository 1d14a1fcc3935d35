"""The least that a plan can cost, against HiGHS."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from planners.bounds.rounded import gap_of, least_objective
from planners.solver.exact import solve
from planners.solver.levels import gains_kwh
from planners.solver.problem import PlanningProblem
from planners.solver.solution import objective
from tests.benchmarks.problems import week
from tests.planners.solver.random_several import random_problem
from tests.planners.solver.reference_several import cheapest


def plain(rng: random.Random) -> PlanningProblem:
    """Draw a problem with a current that can be set, and no standby."""
    problem = random_problem(rng, kind="current", ticks=(6, 20))
    return replace(problem, model=replace(problem.model, standby_kw=0.0))


def days(count: int) -> PlanningProblem:
    return replace(week(np.random.default_rng(3), count), min_amps=6.0)


def test_no_plan_costs_less() -> None:
    """The bound is never above what HiGHS finds, whatever the unit is; nor far below it."""
    rng, far, bounds = random.Random("bounds"), [], 0
    for number in range(60):
        problem = plain(rng)
        tick_kwh = gains_kwh(problem.model, problem.tick_hours, np.zeros(1), problem.model.amps)
        unit_kwh = float(tick_kwh[0]) / rng.choice((6, 7, 16))
        if gap_of(problem, solve(problem)) is None:
            continue  # a need is missed
        least = least_objective(problem, unit_kwh)
        if least is None:
            continue
        money = cheapest(problem).money
        assert least <= money + 1e-9, number
        bounds += 1
        far.append((money - least) / (unit_kwh * problem.dearest))
    assert bounds > 10
    assert np.median(far) < 2


def test_a_night_with_enough_levels_has_no_gap() -> None:
    """One night at constant power is planned exactly."""
    night = days(1)
    assert gap_of(night, solve(night)) == 0.0


def test_several_nights_state_their_gap() -> None:
    """Levels do not suffice for a current that can be set: it is a small part of the cost."""
    problem = days(4)
    solution = solve(problem)
    gap = gap_of(problem, solution)
    assert gap is not None
    assert 0 < gap < 0.02 * solution.cost
    worse = replace(solution, cost=solution.cost + 1)
    assert gap_of(problem, worse) == pytest.approx(gap + 1)
    assert objective(problem, worse) == pytest.approx(objective(problem, solution) + 1)


def test_nothing_is_said_that_is_not_proven() -> None:
    """A taper, standby, or a trip that may empty the battery leave it open."""
    problem = days(2)
    for model in (
        replace(problem.model, taper=((60.0, 100.0), (100.0, 25.0))),
        replace(problem.model, standby_kw=0.1),
    ):
        other = replace(problem, model=model)
        assert gap_of(other, solve(other)) is None
    first, last = days(4).deadlines[0], days(4).deadlines[1:]
    emptied = replace(days(4), deadlines=(replace(first, trip_kwh=first.want_kwh), *last))
    assert gap_of(emptied, solve(emptied)) is None
