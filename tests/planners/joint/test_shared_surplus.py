"""Vehicles that share a surplus: what they pay together, against HiGHS and by hand."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from itertools import islice, product

import numpy as np
import pytest

from planners.joint.integer_programme import improved_by_programme
from planners.joint.joint import ever_better
from planners.joint.lowered_needs import with_needs_met
from planners.joint.plans import Plans, currents_of, fits
from planners.joint.problem import JointProblem, SharedLimit
from planners.joint.surplus import surplus_beside, with_shared_surplus
from planners.power.charging import ChargeModel
from planners.solver.problem import Deadline, PlanningProblem
from planners.solver.solution import Solution, objective, solution_of
from tests.planners.joint.random_joint import random_joint
from tests.planners.joint.reference import cheapest_together, money_in_ticks_of
from tests.planners.solver.claims import slack_kwh
from tests.planners.solver.statement import faults_of

IS_PROOF = "LULLWATT_PROBLEMS" in os.environ
PROBLEMS, ROUNDS, SECONDS = (200, 41, 20.0) if IS_PROOF else (6, 6, 3.0)
TICKS = (16, 40) if IS_PROOF else (12, 22)
BLOCK = 3

NEAR = 1e-4
"""HiGHS's own tolerances add up over a plan [currency]."""


def sunny(rng: random.Random, joint: JointProblem) -> JointProblem:
    """Give the home a surplus, for which export pays no more than import costs."""
    full = max(problem.model.full_kw for problem in joint.vehicles)
    middle, width = rng.uniform(0, joint.ticks), rng.uniform(3, joint.ticks)
    peak = rng.choice((0.5, 1.0, 1.6)) * full
    sun = np.maximum(0.0, peak * (1 - ((np.arange(joint.ticks) - middle) / width) ** 2))
    sun *= [rng.choice((0.3, 1.0, 1.0)) for _ in range(joint.ticks)]
    rate = rng.choice((0.0, 0.05, 0.08))
    return replace(
        joint,
        vehicles=tuple(
            replace(
                problem,
                surplus_kw=sun[: problem.ticks],
                export_rates_per_kwh=np.full(problem.ticks, rate),
            )
            for problem in joint.vehicles
        ),
    )


@pytest.mark.parametrize("block", range(PROBLEMS // BLOCK))
def test_costs_what_highs_finds(block: int) -> None:
    """No plan costs less than HiGHS's bound, no bound more than its plan; nor the programme's."""
    for number in range(BLOCK):
        rng = random.Random(f"shared surplus {block} {number}")
        joint = sunny(rng, random_joint(rng, ticks=TICKS))
        last = list(islice(ever_better(joint), ROUNDS))[-1]
        assert fits(joint, currents_of(joint, last.plans))
        best = cheapest_together(joint, SECONDS, last.plans, last.least_money - NEAR)
        if best is None:  # nor can two runs in progress that a limit does not carry both go on
            continue
        reached = with_needs_met(joint, Plans.of(joint, last.plans))
        for problem, plan in zip(reached.vehicles, last.plans, strict=True):
            assert faults_of(problem, plan.amps.tolist(), plan.share.tolist()) == []
        if last.shortages_kwh[0][1] > slack_kwh(joint.vehicles[0], 1e-5):
            continue
        assert money_in_ticks_of(joint, last.plans) <= last.money + NEAR
        assert last.money >= best.least_money - NEAR
        assert last.least_money <= best.money + NEAR
        if last.is_proven:
            continue
        plans = Plans.of(joint, last.plans)
        found, bound = improved_by_programme(joint, plans, SECONDS, lambda: False)
        assert best.least_money - NEAR <= found.money <= plans.money
        assert money_in_ticks_of(joint, found.plans) <= found.money + NEAR
        proof = cheapest_together(joint, SECONDS, found.plans, bound - NEAR)
        assert proof is not None
        assert bound <= proof.money + NEAR


# --- by hand -------------------------------------------------------------------------------------


def car(
    surplus_kw: list[float],
    need_kwh: float,
    *,
    export: float = 0.1,
    min_amps: float | None = 5.0,
    **changes: object,
) -> PlanningProblem:
    """Return hours at 0.30 from the grid, at 1 to 4 kW (5 to 20 A), without losses."""
    ticks = len(surplus_kw)
    problem = PlanningProblem(
        rates_per_kwh=np.full(ticks, 0.3),
        highest_amps=np.full(ticks, 20.0),
        tick_hours=1.0,
        model=ChargeModel(amps=20.0, phases=1, volts=200.0, usable_kwh=50.0, efficiency=1.0),
        stored_kwh=0.0,
        deadlines=(Deadline(ticks, need_kwh, need_kwh),),
        min_amps=min_amps,
        surplus_kw=np.array(surplus_kw),
        export_rates_per_kwh=np.full(ticks, export),
    )
    return replace(problem, **changes)  # type: ignore[arg-type]


def behind(amps: float, *vehicles: PlanningProblem) -> JointProblem:
    """Put them behind one fuse."""
    ticks = max(problem.ticks for problem in vehicles)
    limit = SharedLimit((1.0,) * len(vehicles), np.full(ticks, amps))
    return JointProblem(vehicles, (limit,))


def test_the_surplus_is_counted_once() -> None:
    """Both need 2 kWh, and the sun leaves 4 in two hours: nothing is imported."""
    joint = behind(100.0, car([2.0, 2.0], 2.0), car([2.0, 2.0], 2.0))
    *_, last = ever_better(joint)
    assert last.money == pytest.approx(4.0 * 0.1)
    assert last.is_proven
    assert sum(plan.roof_kwh for plan in last.plans) == pytest.approx([2.0, 2.0])


def test_what_is_not_enough_for_both_is_divided_by_what_each_draws() -> None:
    """In one hour 3 kW of sun for 4 and 2 kW: two kWh of it, and one, and the rest imported."""
    joint = behind(100.0, car([3.0], 4.0), car([3.0], 2.0, highest_amps=np.array([10.0])))
    *_, last = ever_better(joint)
    assert [float(plan.roof_kwh[0]) for plan in last.plans] == pytest.approx([2.0, 1.0])
    assert [plan.cost for plan in last.plans] == pytest.approx([0.8, 0.4])


def test_two_that_overlap_for_a_part_of_the_tick_share_it_for_that_part() -> None:
    """The sun's 4 kW cover half of two relays of 4 kW for half an hour, then all of the other."""
    joint = behind(100.0, car([4.0], 2.0, min_amps=None), car([4.0], 4.0, min_amps=None))
    plans = [
        solution_of(problem, np.array([20.0]), np.array([share]))
        for problem, share in zip(joint.vehicles, (0.5, 1.0), strict=True)
    ]
    shared = with_shared_surplus(joint, plans)
    assert [float(plan.roof_kwh[0]) for plan in shared] == pytest.approx([1.0, 3.0])


def test_others_have_the_surplus_first() -> None:
    """Beside 10 A at 200 V, 3 kW leave one."""
    joint = behind(100.0, car([3.0, 1.0], 2.0), car([3.0, 1.0], 2.0))
    left = surplus_beside(joint, 0, np.array([[0.0, 0.0], [10.0, 10.0]]))
    assert left is not None
    assert left.tolist() == [1.0, 0.0]


def test_one_with_a_meter_of_its_own_has_none_of_it() -> None:
    """It imports all that it needs, and the other has all of the sun."""
    other = replace(car([4.0], 4.0), surplus_kw=None, export_rates_per_kwh=None)
    *_, last = ever_better(behind(100.0, car([4.0], 4.0), other))
    assert [plan.cost for plan in last.plans] == pytest.approx([0.4, 1.2])
    assert last.is_proven


def test_one_that_is_away_later_takes_the_morning_sun() -> None:
    """The first has only the first hour; the second waits for its own, though both would do."""
    joint = behind(100.0, car([4.0], 4.0), car([4.0, 4.0], 4.0))
    *_, last = ever_better(joint)
    assert last.plans[1].metered_kwh.tolist() == [0.0, 4.0]
    assert last.money == pytest.approx(0.8)


@pytest.mark.parametrize("seed", range(6))
def test_where_export_pays_more_the_bound_stays_below_every_plan(seed: int) -> None:
    """Of relays in five hours every choice is tried: none is cheaper than what is said of it."""
    rng = random.Random(f"dear export {seed}")
    sun = [rng.choice((0.0, rng.uniform(0, 9))) for _ in range(5)]
    rates = np.array([rng.uniform(0.05, 0.3) for _ in range(5)])
    needs = [4.0 * rng.randint(1, 3) for _ in range(2)]
    joint = behind(
        100.0,
        *(car(sun, need, export=0.25, min_amps=None, rates_per_kwh=rates) for need in needs),
    )
    least = min(
        Plans.of(joint, [_relay(p, on) for p, on in zip(joint.vehicles, chosen, strict=True)]).money
        for chosen in product(product((0.0, 1.0), repeat=5), repeat=2)
        if [4.0 * sum(on) for on in chosen] == needs
    )
    *_, last = ever_better(joint)
    assert last.least_money <= least + 1e-9
    assert last.money >= least - 1e-9
    assert last.money == pytest.approx(
        sum(objective(p, plan) for p, plan in zip(joint.vehicles, last.plans, strict=True))
    )


def _relay(problem: PlanningProblem, on: tuple[float, ...]) -> Solution:
    share = np.array(on)
    return solution_of(problem, 20.0 * share, share)


@pytest.mark.parametrize(
    ("other", "message"),
    [
        ({"surplus_kw": np.array([1.0, 1.0])}, "one surplus"),
        ({"export_rates_per_kwh": np.array([0.1, 0.2])}, "one export rate"),
    ],
)
def test_vehicles_with_different_suns_are_refused(other: dict[str, object], message: str) -> None:
    """They are in one home."""
    joint = behind(100.0, car([2.0, 1.0], 2.0), replace(car([2.0, 1.0], 2.0), **other))  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=message):
        next(ever_better(joint))
