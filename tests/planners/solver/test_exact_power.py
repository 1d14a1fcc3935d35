"""The exact planner with varying power, against trying every choice."""

from __future__ import annotations

import os
import random
from dataclasses import replace

import numpy as np
import pytest

from planners.power.charging import ChargeModel
from planners.solver.exact import most_levels, solve
from planners.solver.levels import levels_of, spans_of
from planners.solver.problem import LONG_AT_REST, Deadline, PlanningProblem, SwitchingState
from tests.planners.solver.claims import slack_kwh, slack_money
from tests.planners.solver.enumerate_currents import cheapest_on_grid
from tests.planners.solver.enumerate_several import cheapest_by_enumeration
from tests.planners.solver.random_several import Kind, random_problem
from tests.planners.solver.statement import carry_out, faults_of

PROBLEMS = int(os.environ.get("LULLWATT_PROBLEMS", "240"))
"""A measure of how many random problems; `make prove` asks for many more."""


def tapered(rng: random.Random, problem: PlanningProblem) -> PlanningProblem:
    """Let power fall to 40 percent within the energy that the problem's ticks can charge."""
    model = problem.model
    tick_soc = 100 * model.full_kw * problem.tick_hours / model.usable_kwh
    from_soc = model.soc_percent(problem.stored_kwh) + rng.uniform(-1, 2) * tick_soc
    to_soc = from_soc + rng.uniform(1, 5) * tick_soc
    standby = rng.choice([0.0, 0.1, 0.2])
    taper = ((from_soc, 100.0), (to_soc, 40.0))
    return replace(problem, model=replace(model, standby_kw=standby, taper=taper))


@pytest.mark.parametrize("seed", range(PROBLEMS // 20))
def test_two_enumerations_agree(seed: int) -> None:
    """At constant power and on/off switching both of the tests' enumerations find the same."""
    drawn = random_problem(random.Random(f"both {seed}"), kind="on_off", ticks=(3, 6))
    one, other = cheapest_on_grid(drawn, 1), cheapest_by_enumeration(drawn)
    assert one.short_kwh == pytest.approx(other.short_kwh, abs=1e-7)
    assert one.money == pytest.approx(other.money, abs=1e-7)


@pytest.mark.parametrize("seed", range(PROBLEMS // 16))
def test_on_off_with_taper_and_standby_is_exact(seed: int) -> None:
    """With one departure and one current no choice of ticks is cheaper."""
    rng = random.Random(f"taper {seed}")
    drawn = random_problem(rng, kind="on_off", ticks=(3, 8), departures=(1, 1))
    can = np.where(drawn.highest_amps > 0, drawn.model.amps, 0.0)
    problem = tapered(rng, replace(drawn, highest_amps=can))
    solution, best = solve(problem), cheapest_on_grid(problem, 1)
    amps, share = solution.amps.tolist(), solution.share.tolist()
    carried = carry_out(problem, amps, share)
    assert faults_of(problem, amps, share) == []
    assert carried.short_kwh(problem) == pytest.approx(best.short_kwh, abs=1e-6)
    assert carried.money == pytest.approx(best.money, abs=1e-5)


@pytest.mark.parametrize("kind", ["on_off", "current"])
@pytest.mark.parametrize("seed", range(PROBLEMS // 20))
def test_varying_power_is_nearly_exact(kind: Kind, seed: int) -> None:
    """Two departures, taper, standby, varying limits: no plan of a fine grid is a tick cheaper."""
    rng = random.Random(f"power {seed}")
    drawn = random_problem(rng, kind=kind, ticks=(4, 5), departures=(1, 2))
    problem = tapered(rng, drawn) if seed % 4 else drawn
    solution, best = solve(problem), cheapest_on_grid(problem, 7 if kind == "current" else 1)
    amps, share = solution.amps.tolist(), solution.share.tolist()
    carried = carry_out(problem, amps, share)
    assert faults_of(problem, amps, share) == []
    pairs = list(zip(carried.short_kwh(problem), best.short_kwh, strict=True))
    # Where the planner comes nearer to an earlier need than the grid, it may pay for it later.
    nearer = any(ours < theirs - 1e-5 for ours, theirs in pairs)
    slack = slack_kwh(problem, 1e-5)
    assert nearer or all(ours <= theirs + slack for ours, theirs in pairs)
    assert nearer or carried.money <= best.money + slack_money(problem, best.money, 1e-5)


@pytest.mark.parametrize("before", [LONG_AT_REST, SwitchingState(on=True, ticks=0)])
def test_charges_with_a_taper_where_only_the_lowest_current_is_left(before: SwitchingState) -> None:
    """The range from 6 to 6 A lies between two levels, and is still a current."""
    problem = PlanningProblem(
        rates_per_kwh=np.full(12, 0.10),
        highest_amps=np.array([6.0] * 8 + [17.3] * 4),
        tick_hours=0.5,
        model=ChargeModel(17.3, 1, 230.0, 40.0, 0.9, taper=((90.0, 100.0), (100.0, 50.0))),
        stored_kwh=5.0,
        deadlines=(Deadline(12, 15.0, 15.0),),
        min_amps=6.0,
        min_run=3,
        before=before,
    )
    plan = solve(problem)
    assert plan.reaches_kwh == pytest.approx((15.0,))
    assert faults_of(problem, plan.amps.tolist(), plan.share.tolist()) == []


@pytest.mark.parametrize("min_amps", [None, 6.0])
@pytest.mark.parametrize("trip_kwh", [12.0, 18.0])
def test_a_taper_above_all_that_is_wanted_changes_nothing_in_several_nights(
    trip_kwh: float, min_amps: float | None
) -> None:
    """It comes home with more than a night's ticks charge from the least that it may hold.

    There the levels ended below the want, so that free energy was left.
    """
    night, model = 44, ChargeModel(10.0, 1, 200.0, 60.0, 0.9)
    problem = PlanningProblem(
        rates_per_kwh=np.zeros(3 * night),
        highest_amps=np.full(3 * night, 10.0),
        tick_hours=0.25,
        model=model,
        stored_kwh=24.0,
        deadlines=(
            Deadline(night, 18.0, 30.0, 0.1, trip_kwh=trip_kwh, return_tick=night),
            Deadline(2 * night, 18.0, 30.0, 0.1, trip_kwh=trip_kwh, return_tick=2 * night),
            Deadline(3 * night, 18.0, 30.0, 0.1),
        ),
        min_amps=min_amps,
    )
    plain = solve(problem)
    tapers = solve(replace(problem, model=replace(model, taper=((80.0, 100.0), (100.0, 40.0)))))
    assert tapers.reaches_kwh == pytest.approx(plain.reaches_kwh, abs=0.02)
    assert tapers.cost - tapers.worth == pytest.approx(plain.cost - plain.worth, abs=0.01)


def test_a_first_departure_without_a_tick_leaves_few_levels_to_the_others() -> None:
    """In later nights a taper is climbed to the top: that took minutes if the first had no time."""
    ticks = 600
    problem = PlanningProblem(
        rates_per_kwh=np.linspace(0.2, 0.1, ticks),
        highest_amps=np.full(ticks, 20.0),
        tick_hours=1 / 60,
        model=ChargeModel(20.0, 1, 230.0, 60.0, 0.9, taper=((75.0, 100.0), (100.0, 30.0))),
        stored_kwh=30.0,
        deadlines=(Deadline(0, 42.0, 42.0), Deadline(ticks, 36.0, 60.0)),
        min_amps=6.0,
        start_cost=0.05,
        min_run=20,
        min_rest=10,
    )
    most = most_levels(problem)
    levels = levels_of(problem, spans_of(problem, [30.0, 36.0]), most)
    states = ticks * (2 * problem.min_run - 1) * max(map(len, levels))
    assert states < 20_000_000, "ten million take a second; there were 400 million"
    assert solve(problem).reaches_kwh[1] == pytest.approx(36.0, abs=0.05)
