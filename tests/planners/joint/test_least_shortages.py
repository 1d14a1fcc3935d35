"""Needs that no plans meet together: as little is missing as can be, and stays so when followed."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from itertools import chain

import numpy as np
import pytest

from planners.joint.joint import JointPlan, ever_better
from planners.joint.least_shortages import least_shortages
from planners.joint.plans import Shortages, by_priority, currents_of, fits
from planners.joint.problem import JointProblem, SharedLimit
from planners.joint.simplex import least_in_order
from planners.power.charging import ChargeModel
from planners.solver.problem import Deadline, PlanningProblem, SwitchingState
from tests.planners.joint.followed import after, all_of
from tests.planners.joint.random_joint import random_joint
from tests.planners.joint.reference import least_shortages_together
from tests.planners.solver.linear_model import LinearModel, minimised

PROBLEMS = 300 if "LULLWATT_PROBLEMS" in os.environ else 12
BLOCK = 6

NEAR_KWH = 1e-4
"""HiGHS's tolerances add up."""


def _scarce(rng: random.Random, *, has_rules: bool) -> JointProblem:
    joint = random_joint(rng, scarce=True, vehicles=(2, 3), ticks=(10, 18))
    if not has_rules:
        cars = [replace(each, min_run=1, min_rest=0, start_cost=0.0) for each in joint.vehicles]
        joint = replace(joint, vehicles=tuple(cars))
    if rng.random() < 0.5:
        joint = replace(joint, priorities=tuple(rng.choice((1, 2)) for _ in joint.vehicles))
    return joint


def _first(joint: JointProblem) -> JointPlan:
    return next(ever_better(joint))


def _ticks_more(joint: JointProblem, one: Shortages, other: Shortages) -> float:
    """Return the first difference, in order of priority, in what a vehicle gains in a tick."""
    gains = [each.model.gained_kw(each.model.full_kw) for each in joint.vehicles]
    differences = [a - b for a, b in zip(chain(*one), chain(*other), strict=True)]
    differs = (each for each in differences if abs(each) > NEAR_KWH)
    return next(differs, 0.0) / (max(gains) * joint.vehicles[0].tick_hours)


@pytest.mark.parametrize("block", range(PROBLEMS // BLOCK))
def test_what_is_missing_is_within_a_tick_of_what_highs_finds(block: int) -> None:
    """HiGHS has the same rules, in whole ticks; the linear programme is never above it."""
    compared = 0
    for number in range(BLOCK):
        joint = _scarce(random.Random(f"least {block} {number}"), has_rules=False)
        exact = least_shortages_together(joint, 10.0)
        if exact is None:
            continue  # a busy machine may not let HiGHS finish in time
        compared += 1
        bound = by_priority(joint, least_shortages(joint).short_kwh.tolist())
        assert _ticks_more(joint, bound, exact) <= 0
        assert 0 <= _ticks_more(joint, _first(joint).shortages_kwh, exact) <= 1
    assert compared


@pytest.mark.parametrize("seed", range(60 if PROBLEMS > BLOCK * 2 else 6))
def test_no_plan_made_later_promises_less(seed: int) -> None:
    """Planned again after each tick, and followed to the end: no more is missing than at first."""
    joint = _scarce(random.Random(f"followed {seed}"), has_rules=seed % 2 == 1)
    promised = _first(joint).shortages_kwh
    left = all_of(joint)
    while left.joint is not None:
        left = after(left, _first(left.joint), 1)
    missed = by_priority(joint, [left.missed_kwh[place] for place in range(len(joint.vehicles))])
    assert _ticks_more(joint, missed, promised) <= 1


def _car(ticks: int, missing_amp_ticks: float, **changes: object) -> PlanningProblem:
    model = ChargeModel(32.0, 1, 230.0, 100.0, efficiency=0.9)
    need = 10.0 + missing_amp_ticks * model.gained_kw(model.kw_per_amp) / 4
    problem = PlanningProblem(
        rates_per_kwh=np.repeat([0.3, 0.1], [8, 22])[:ticks],
        highest_amps=np.full(ticks, 32.0),
        tick_hours=0.25,
        model=model,
        stored_kwh=10.0,
        deadlines=(Deadline(ticks, need, need),),
        min_amps=6.0,
    )
    return replace(problem, **changes)  # type: ignore[arg-type]


def _behind(amps: float, *vehicles: PlanningProblem, **more: object) -> JointProblem:
    ticks = max(problem.ticks for problem in vehicles)
    limit = SharedLimit((1.0,) * len(vehicles), np.full(ticks, amps))
    return JointProblem(vehicles, (limit,), **more)  # type: ignore[arg-type]


def test_the_first_priority_leaves_the_fuse_to_one_that_leaves_sooner() -> None:
    """The first needs 20 A x 30, of which 10 x 32 A remain once the other has left."""
    first, other = _car(30, 600.0), _car(20, 1000.0)
    found = _first(_behind(40.0, first, other, priorities=(1, 2)))
    missing = 1000.0 - (20 * 40.0 - (600.0 - 10 * 32.0))
    per_amp_tick = first.model.gained_kw(first.model.kw_per_amp) / 4
    assert found.shortages_kwh[0] == (0.0, 0.0)
    assert found.shortages_kwh[1][1] == pytest.approx(missing * per_amp_tick)


def test_the_whole_fuse_is_used_at_once_and_evenly() -> None:
    """Two equals behind 40 A: 20 A each from the first tick on, in whole amperes."""
    joint = _behind(40.0, _car(30, 700.0), _car(30, 701.0))
    currents = currents_of(joint, _first(joint).plans)
    assert currents.sum(axis=0) == pytest.approx(np.full(30, 40.0))
    assert currents[:, :20] == pytest.approx(np.full((2, 20), 20.0))


def test_a_run_in_progress_goes_on_where_all_is_needed() -> None:
    """The relay that is on must stay on for 3 more ticks; it is not the one to stop."""
    relay = _car(30, 800.0, min_amps=None)
    runs = replace(relay, min_run=4, before=SwitchingState(on=True, ticks=1))
    joint = _behind(40.0, relay, runs)
    assert least_shortages(joint).currents[1, :3].tolist() == [32.0] * 3
    assert _first(joint).plans[1].on[:3].all()


def test_a_relay_takes_whole_ticks() -> None:
    """It needs 6.5 ticks, and so takes 7 from the fuse; another of its priority makes up for it."""
    relay = replace(_car(8, 16.0 * 6.53), highest_amps=np.full(8, 16.0), min_amps=None)
    vehicles = (relay, _car(14, 302.6), _car(10, 326.5))
    limits = SharedLimit((0.23,) * 3, np.full(14, 17.9)), SharedLimit((1.0,) * 3, np.full(14, 58.0))
    joint = JointProblem(vehicles, limits, priorities=(1, 1, 2))
    exact = least_shortages_together(joint, 10.0)
    assert exact is not None
    assert _ticks_more(joint, _first(joint).shortages_kwh, exact) == 0


def test_a_taper_is_minded() -> None:
    """One whose power falls has less from the fuse: equals miss the same, to about a tick."""
    taper = ((20.0, 100.0), (60.0, 20.0))
    slow = _car(30, 700.0)
    slow = replace(slow, model=replace(slow.model, taper=taper))
    joint = _behind(40.0, slow, _car(30, 800.0))
    largest, total = _first(joint).shortages_kwh[0]
    assert total - largest == pytest.approx(largest, abs=2.0)
    assert least_shortages(joint).short_kwh == pytest.approx([largest] * 2, abs=2.0)


@pytest.mark.parametrize("count", [5, 12])
def test_many_vehicles_keep_every_limit(count: int) -> None:
    """Of more than four, not every way to share is looked at; the plans still fit."""
    joint = random_joint(
        random.Random(f"many {count}"), vehicles=(count, count), ticks=(20, 20), scarce=True
    )
    assert fits(joint, least_shortages(joint).currents)


def test_costs_are_minimised_in_order() -> None:
    """Of what costs least by the first measure, the least by the second, as HiGHS has it."""
    chance = np.random.default_rng(1)
    for _ in range(20):
        factors = chance.integers(0, 4, (4, 6)).astype(np.float64)
        right = chance.integers(1, 9, 4).astype(np.float64)
        costs = chance.integers(-4, 3, (2, 6)).astype(np.float64)
        costs[:, ~factors.any(axis=0)] = 1.0  # nothing would bound it
        rows = np.hstack((factors, np.eye(4)))
        padded = np.hstack((costs, np.zeros((2, 4))))
        values = least_in_order(rows, right, padded, range(6, 10))
        assert rows @ values == pytest.approx(right)
        model = LinearModel()
        for _column in range(6):
            model.column(upper=np.inf)
        for row, most in zip(factors, right, strict=True):
            model.at_most(list(enumerate(row.tolist())), float(most))
        solver = model.highs()
        for cost, mine in zip(costs, padded @ values, strict=True):
            assert minimised(solver, cost.tolist())
            assert mine == pytest.approx(solver.getObjectiveValue(), abs=1e-6)
            solver.addRow(-np.inf, mine + 1e-7, 6, np.arange(6), cost)
