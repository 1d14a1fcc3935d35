"""Joint plans improved by HiGHS: never worse, never below what a second model says is possible."""

from __future__ import annotations

import os
import random
from dataclasses import replace

import numpy as np
import pytest

from planners.joint.integer_programme import can_state, improved_by_programme
from planners.joint.joint import PROVEN, ever_better
from planners.joint.lowered_needs import with_needs_met
from planners.joint.plans import Plans, currents_of, fits
from planners.joint.problem import JointProblem, SharedLimit
from planners.power.charging import ChargeModel
from planners.solver.problem import Deadline, PlanningProblem
from tests.planners.joint.random_joint import random_joint
from tests.planners.joint.reference import cheapest_together, money_in_ticks_of
from tests.planners.solver.statement import faults_of

PROBLEMS, SECONDS, TICKS = (
    (100, 20.0, (20, 48)) if "LULLWATT_PROBLEMS" in os.environ else (8, 3.0, (12, 20))
)
BLOCK = 4
NEAR = 1e-4
"""HiGHS's own tolerances add up over a plan [currency]."""


@pytest.mark.parametrize("block", range(PROBLEMS // BLOCK))
def test_improves_and_bounds_as_the_plain_model_says(block: int) -> None:
    """Of problems of two to four vehicles, some with a run in progress, relays and rests."""
    for number in range(BLOCK):
        rng = random.Random(f"programme {block} {number}")
        joint = random_joint(rng, ticks=TICKS, scarce=number == 0)
        first = next(ever_better(joint))
        joint = with_needs_met(joint, Plans.of(joint, first.plans))
        best = Plans.of(joint, first.plans)
        found, bound = improved_by_programme(joint, best, SECONDS, lambda: False)
        assert found.money <= best.money
        assert fits(joint, currents_of(joint, found.plans))
        for problem, plan in zip(joint.vehicles, found.plans, strict=True):
            assert faults_of(problem, plan.amps.tolist(), plan.share.tolist()) == []
        optimum = cheapest_together(joint, SECONDS, found.plans, bound - NEAR)
        assert money_in_ticks_of(joint, found.plans) <= found.money + NEAR
        if optimum is not None:
            assert bound <= optimum.money + NEAR
            # Up to a watt-hour of a need may be missed, which HiGHS pays for.
            missed = sum(total for _, total in found.shortages_kwh) / 0.9
            dearest = max(float(problem.rates_per_kwh.max()) for problem in joint.vehicles)
            assert found.money + missed * dearest >= optimum.least_money - NEAR


def relay(hours: float, rates: np.ndarray[tuple[int], np.dtype[np.float64]]) -> PlanningProblem:
    """Need so many hours of 16 A in half hours, in runs of an hour at least."""
    model = ChargeModel(16.0, 1, 230.0, 60.0, efficiency=0.9)
    need = 10.0 + hours * model.gained_kw(model.full_kw)
    return PlanningProblem(
        rates_per_kwh=rates,
        highest_amps=np.full(len(rates), 16.0),
        tick_hours=0.5,
        model=model,
        stored_kwh=10.0,
        deadlines=(Deadline(len(rates), need, need),),
        min_run=2,
        start_cost=0.02,
    )


def two_relays() -> JointProblem:
    """Two that can't be on together: prices on the fuse leave a gap."""
    rng = random.Random(7)
    rates = np.array([round(rng.uniform(0.1, 0.4), 3) for _ in range(20)])
    vehicles = (relay(3.8, rates), relay(3.3, rates))
    return JointProblem(vehicles, (SharedLimit((1.0, 1.0), np.full(20, 25.0)),))


def test_a_gap_that_prices_leave_is_closed_after_the_rounds() -> None:
    """And the plan is no dearer."""
    joint = two_relays()
    *_, without = ever_better(joint)
    *_, last = ever_better(
        joint, improve=lambda j, best: improved_by_programme(j, best, 20.0, lambda: False)
    )
    assert without.gap_share > 0.01
    assert last.money <= without.money + 1e-9
    assert last.gap_share <= PROVEN


def test_it_ends_when_enough_is_known() -> None:
    """The bound is then whatever was found by that time."""
    joint = two_relays()
    best = Plans.of(joint, next(ever_better(joint)).plans)
    found, bound = improved_by_programme(joint, best, 20.0, lambda: True)
    assert found.money <= best.money
    assert bound <= best.money


def test_it_states_one_departure_at_constant_power() -> None:
    """With a taper the power depends on what was charged before."""
    joint = two_relays()
    one, other = joint.vehicles
    tapered = replace(one, model=replace(one.model, taper=((80.0, 100.0), (100.0, 20.0))))
    assert can_state(joint)
    assert not can_state(replace(joint, vehicles=(tapered, other)))
