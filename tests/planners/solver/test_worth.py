"""What no departure needs counts once, and is bought where it costs least."""

from __future__ import annotations

import random
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from planners.power.charging import ChargeModel
from planners.solver.exact import solve
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
    assert solve(problem).on.tolist() == [False, True, True, True]


def test_a_want_is_left_for_a_later_night_that_costs_less() -> None:
    """Two kWh are wanted at 0.94, but the next night's free hours give all that is left then."""
    problem = stated(
        [0.10, 0.94, 0.94, 0.00, 0.00, 0.00, 0.50],
        Deadline(3, 1.0, 3.0, 1.0, 3, 1.0),
        Deadline(7, 2.0, 3.0, 1.0),
    )
    assert solve(problem).on.tolist() == [True, False, False, True, True, True, False]


def test_a_want_is_met_now_where_the_later_night_has_no_time_left_for_it() -> None:
    """The one free hour is half of what is needed then: the rest costs 0.94 now, or 0.95 then."""
    problem = stated(
        [0.94, 0.97, 0.00, 0.95], Deadline(2, 0.0, 2.0, 1.0, 2), Deadline(4, 2.0, 2.0, 1.0)
    )
    assert solve(problem).on.tolist() == [True, False, True, False]


def test_what_a_later_departure_wants_is_bought_before_at_what_that_one_would_pay() -> None:
    """At 0.15 tonight rather than 0.30 later, although tonight's own limit is 0.10."""
    problem = stated([0.15, 0.30], Deadline(1, 0.0, 1.0, 0.1, 1, 0.0), Deadline(2, 0.0, 1.0, 0.5))
    assert solve(problem).on.tolist() == [True, False]


def test_what_a_trip_uses_is_wanted_for_that_trip_alone() -> None:
    """The battery comes home empty: nothing of tonight's is left for the free hour."""
    problem = stated([0.15, 0.00], Deadline(1, 0.0, 1.0, 0.2, 1, 3.0), Deadline(2, 1.0, 1.0, 0.2))
    assert solve(problem).on.tolist() == [True, True]


@pytest.mark.parametrize(("limit", "bought_in"), [(0.2, 0), (0.1, 1)])
def test_at_the_same_cost_a_want_is_met_now(limit: float, bought_in: int) -> None:
    """The later departure needs it: now, if this one would pay as much for it."""
    problem = stated([0.15, 0.15], Deadline(1, 0.0, 1.0, limit, 1, 0.0), Deadline(2, 1.0, 1.0, 0.2))
    assert np.flatnonzero(solve(problem).on).tolist() == [bought_in]


def test_a_need_is_met_at_any_price() -> None:
    """The second departure needs more than the hours at 0.20 or less give."""
    problem = stated(
        [0.30, 0.10, 0.35, 0.15],
        Deadline(2, 1.0, 4.0, 0.2, 2, 1.0),
        Deadline(4, 3.0, 3.0, 0.2),
    )
    plan = solve(problem)
    assert plan.reaches_kwh[1] == pytest.approx(3.0)
    assert plan.on.tolist() == [True, True, True, True]


def test_no_more_is_bought_above_every_highest_rate_than_the_needs_require() -> None:
    """The needs are met as before, and what the wants add costs their rate at most."""
    for number in range(120):
        problem = random_nights(random.Random(f"needs first {number}"))
        plan = solve(problem)
        needs_alone = solve(without_wants(problem))
        dear = problem.rates_per_kwh > 0.2
        assert bought(plan, dear) <= bought(needs_alone, dear) + 1e-6, number
        needs = [deadline.need_kwh for deadline in problem.deadlines]
        for need, then, now in zip(needs, needs_alone.reaches_kwh, plan.reaches_kwh, strict=True):
            assert now >= min(then, need) - 1e-6, number


def random_nights(rng: random.Random) -> PlanningProblem:
    """Draw three nights of five half hours: the want of each may cost 0.20."""
    rates = [rng.choice([0.05, 0.10, 0.15, 0.25, 0.30, 0.40]) for _ in range(15)]
    deadlines = []
    for k in range(3):
        need = rng.randint(0, 4)
        want = need + rng.randint(0, 4)
        trip = rng.randint(0, min(3, need))  # more would empty the battery, for that trip alone
        deadlines.append(Deadline(5 * k + 5, need, want, 0.2, 5 * k + 5, trip_kwh=trip))
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
