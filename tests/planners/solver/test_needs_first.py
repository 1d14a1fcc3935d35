"""Above every highest rate, only needs are a reason to buy."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from planners.power.charging import ChargeModel
from planners.solver.exact import solve
from planners.solver.needs_first import needs_first
from planners.solver.problem import Deadline, PlanningProblem

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.solver.solution import Solution

ONE_KWH_A_TICK = ChargeModel(amps=10.0, phases=1, volts=200.0, usable_kwh=50.0, efficiency=1.0)


def stated(rates: list[float], *deadlines: Deadline) -> PlanningProblem:
    """State a problem of half-hour ticks of one kWh each, from an empty battery."""
    amps = np.full(len(rates), 10.0)
    return PlanningProblem(np.array(rates), amps, 0.5, ONE_KWH_A_TICK, 0.0, deadlines)


def test_a_kwh_that_counts_for_three_wants_is_not_bought_above_their_rate() -> None:
    """At 0.30 it would count 0.20 at each of three departures, although it is never needed."""
    problem = stated(
        [0.30, 0.10, 0.15, 0.15],
        Deadline(2, 1.0, 4.0, 0.2, 2, 1.0),
        Deadline(3, 1.0, 3.0, 0.2, 3, 1.0),
        Deadline(4, 1.0, 3.0, 0.2),
    )
    before = solve(problem)
    assert before.on.tolist() == [True, True, True, True]
    assert needs_first(problem, before)[1].on.tolist() == [False, True, True, True]


def test_a_need_is_met_at_any_price() -> None:
    """The second departure needs more than the hours at 0.20 or less give."""
    problem = stated(
        [0.30, 0.10, 0.35, 0.15],
        Deadline(2, 1.0, 4.0, 0.2, 2, 1.0),
        Deadline(4, 3.0, 3.0, 0.2),
    )
    plan = needs_first(problem, solve(problem))[1]
    assert plan.reaches_kwh[1] == pytest.approx(3.0)
    assert plan.on.tolist() == [True, True, True, True]


def test_no_more_is_bought_above_every_highest_rate_than_the_needs_require() -> None:
    """The needs are met as before, and what the wants add costs their rate at most."""
    changed = 0
    for number in range(120):
        problem = random_nights(random.Random(f"needs first {number}"))
        before = solve(problem)
        stated, plan = needs_first(problem, before)
        changed += stated is not problem
        needs_alone = solve(without_wants(problem))
        dear = problem.rates_per_kwh > 0.2
        dear[problem.deadlines[-2].end :] = False
        assert bought(plan, dear) <= bought(needs_alone, dear) + 1e-6, number
        needs = [deadline.need_kwh for deadline in problem.deadlines]
        for need, then, now in zip(needs, before.reaches_kwh, plan.reaches_kwh, strict=True):
            assert now >= min(then, need) - 1e-6, number
    assert changed >= 2, "too few problems in which the rule matters"


def random_nights(rng: random.Random) -> PlanningProblem:
    """Draw three nights of five half hours: the want of each may cost 0.20."""
    rates = [rng.choice([0.05, 0.10, 0.15, 0.25, 0.30, 0.40]) for _ in range(15)]
    deadlines = []
    for k in range(3):
        need = rng.randint(0, 4)
        want = need + rng.randint(0, 4)
        deadlines.append(
            Deadline(5 * k + 5, need, want, 0.2, 5 * k + 5, trip_kwh=rng.randint(0, 3))
        )
    return stated(rates, *deadlines)


def without_wants(problem: PlanningProblem) -> PlanningProblem:
    """Return the problem in which only the needs are a reason to buy."""
    return replace(
        problem,
        deadlines=tuple(replace(each, max_rate_per_kwh=0.0) for each in problem.deadlines),
    )


def bought(plan: Solution, dear: NDArray[np.bool_]) -> float:
    """Return the energy bought in some ticks [kWh]."""
    return float(plan.metered_kwh[dear].sum())
