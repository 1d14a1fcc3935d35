"""Plans of several vehicles: they fit, keep each vehicle's rules, and cost what HiGHS says."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from itertools import islice
from statistics import median

import numpy as np
import pytest
from numpy.typing import NDArray

from planners.joint.joint import JointPlan, ever_better
from planners.joint.lowered_needs import with_needs_met
from planners.joint.plans import Plans, beside, currents_of, fits, solved
from planners.joint.problem import JointProblem, SharedLimit
from planners.joint.turns import in_turn
from planners.power.charging import ChargeModel
from planners.solver.problem import Deadline, PlanningProblem, SwitchingState
from planners.solver.solution import objective
from tests.planners.joint.random_joint import random_joint
from tests.planners.joint.reference import (
    cheapest_together,
    least_largest_shortage,
    money_in_ticks_of,
)
from tests.planners.solver.claims import slack_kwh
from tests.planners.solver.statement import faults_of

IS_PROOF = "LULLWATT_PROBLEMS" in os.environ
"""Whether `make prove` runs this: on 300 problems, with all rounds, and 20 s for HiGHS each."""

PROBLEMS, ROUNDS, HIGHS_SECONDS = (300, 41, 20.0) if IS_PROOF else (12, 6, 3.0)
BLOCK = 6
TICKS = (20, 60) if IS_PROOF else (14, 30)
"""Fewest and most ticks of a problem."""

NEAR = 1e-4
"""HiGHS's own tolerances add up over a plan [currency]."""

MEDIAN_EXCESS = 0.03
"""Half of the first plans of a block cost at most this much more than the cheapest. Of many plans
half must be within 1 percent, but a block has only six."""


def _night(amps: float, hours_needed: float, **changes: object) -> PlanningProblem:
    """Need so many hours at full current in 24 half hours, of which 8 are cheap."""
    rates = np.full(24, 0.30)
    rates[8:16] = 0.10
    model = ChargeModel(amps, 1, 230.0, 60.0, efficiency=0.9)
    need = 10.0 + hours_needed * model.gained_kw(model.full_kw)
    problem = PlanningProblem(
        rates_per_kwh=rates,
        highest_amps=np.full(24, amps),
        tick_hours=0.5,
        model=model,
        stored_kwh=10.0,
        deadlines=(Deadline(24, need, need),),
        min_amps=6.0,
    )
    return replace(problem, **changes)  # type: ignore[arg-type]


def _behind(fuse: float, *vehicles: PlanningProblem, **more: object) -> JointProblem:
    limit = SharedLimit((1.0,) * len(vehicles), np.full(24, fuse))
    return JointProblem(vehicles, (limit,), **more)  # type: ignore[arg-type]


def _last(joint: JointProblem) -> JointPlan:
    *_, last = ever_better(joint)
    return last


@pytest.mark.parametrize("block", range(PROBLEMS // BLOCK))
def test_costs_what_highs_finds(block: int) -> None:
    """No plan costs less than HiGHS's bound, no bound more than its plan, and half are near."""
    excess = []
    for number in range(BLOCK):
        rng = random.Random(f"several vehicles {block} {number}")
        joint = random_joint(rng, scarce=number == 0, ticks=TICKS)
        first, *more = islice(ever_better(joint), ROUNDS)
        last = [first, *more][-1]
        _check_rules(joint, last)
        enough = last.least_money - NEAR
        best = cheapest_together(joint, HIGHS_SECONDS, last.plans, enough)
        if best is None:
            assert last.shortages_kwh[0][1] > 0
            continue
        if last.shortages_kwh[0][1] > slack_kwh(joint.vehicles[0], 1e-5):
            continue  # the needs are so tight that no whole ticks were found that meet them
        # HiGHS allows these plans, for what they cost; and none costs less than they say.
        assert money_in_ticks_of(joint, last.plans) <= last.money + NEAR
        assert last.money >= best.least_money - NEAR
        assert last.least_money <= best.money + NEAR
        if best.is_known:  # a busy machine may not let HiGHS finish in time
            cost = sum(abs(plan.cost) for plan in first.plans)
            excess.append((first.money - best.least_money) / cost)
    # The median of the few that a busy machine solves is that of the easiest or the hardest.
    assert len(excess) <= BLOCK // 2 or median(excess) <= MEDIAN_EXCESS


def _check_rules(joint: JointProblem, found: JointPlan) -> None:
    assert fits(joint, currents_of(joint, found.plans))
    total = sum(objective(p, plan) for p, plan in zip(joint.vehicles, found.plans, strict=True))
    if found.shortages_kwh[0][1] == 0:
        assert found.money == pytest.approx(total)
    reached = with_needs_met(joint, Plans.of(joint, found.plans))
    for problem, plan in zip(reached.vehicles, found.plans, strict=True):
        assert faults_of(problem, plan.amps.tolist(), plan.share.tolist()) == []


def test_plans_that_fit_alone_are_the_cheapest() -> None:
    """Two that need 10 A each in the cheap hours behind 40 A need no joint plan."""
    found = list(ever_better(_behind(40.0, _night(10.0, 4.0), _night(10.0, 4.0))))
    assert len(found) == 1
    assert found[0].is_proven
    assert found[0].gap == 0.0


def test_one_round_of_prices_proves_what_several_vehicles_share() -> None:
    """The first prices are nearly right: from none at all, one round proved 25 percent."""
    rates = np.repeat(np.linspace(0.1, 0.4, 12), 2)
    changes = {"rates_per_kwh": rates, "min_run": 2, "start_cost": 0.02}
    three = [_night(32.0, hours, **changes) for hours in (4.0, 5.0, 3.0)]
    _, second = islice(ever_better(_behind(50.0, *three)), 2)
    assert second.is_proven


def test_a_fraction_of_an_ampere_is_not_lost() -> None:
    """Beside a relay of 16 A, 16.7 A are left in the cheap hours, and all of it is needed."""
    relay = _night(16.0, 4.0, min_amps=None)
    other = _night(32.0, 4.0 * 16.7 / 32.0)
    last = _last(_behind(32.7, relay, other))
    assert sum(plan.cost for plan in last.plans) == pytest.approx(0.1 * 4 * 32.7 * 0.23)


def test_relays_that_cannot_be_on_together_take_turns() -> None:
    """Each needs half of the eight cheap half hours: none buys in a dear one."""
    relay = _night(16.0, 2.0, min_amps=None)
    last = _last(_behind(25.0, relay, relay))
    on = np.array([plan.on for plan in last.plans])
    assert on[:, 8:16].sum(axis=0).tolist() == [1] * 8
    assert on.sum() == 8
    assert last.is_proven


def test_currents_that_can_be_set_share_by_ampere() -> None:
    """Two of 20 A behind 25 A need 12 A each through all cheap hours, and get them.

    In turn, 20 A for the first would leave 5 A, which is too little to charge with.
    """
    car = _night(20.0, 2.4)
    last = _last(_behind(25.0, car, car))
    assert last.money == pytest.approx(0.10 * 2 * 2.4 * 4.6)


def test_a_vehicle_that_needs_nothing_leaves_all_to_the_other() -> None:
    """Behind 40 A the one that is hungry draws its 32 A, not a share of 20."""
    hungry, full = _night(32.0, 4.0), _night(32.0, 0.0)
    last = _last(_behind(40.0, hungry, full, safe_amps=(np.full(24, 20.0), np.full(24, 20.0))))
    assert last.plans[0].amps.max() == 32.0
    assert last.money == pytest.approx(0.10 * 4.0 * 7.36)


def test_equals_share_a_shortage() -> None:
    """Each needs 20 of 24 half hours, and only one may be on: each is 8 short."""
    relay = _night(16.0, 10.0, min_amps=None)
    tick_kwh = relay.model.gained_kw(relay.model.full_kw) * 0.5
    ((largest, total),) = _last(_behind(25.0, relay, relay)).shortages_kwh
    assert total == pytest.approx(16 * tick_kwh)
    assert largest == pytest.approx(8 * tick_kwh)


def test_a_priority_comes_before_everything() -> None:
    """The first takes its 20 half hours, whatever the second is short of."""
    relay = _night(16.0, 10.0, min_amps=None)
    tick_kwh = relay.model.gained_kw(relay.model.full_kw) * 0.5
    shortages = _last(_behind(25.0, relay, relay, priorities=(1, 0))).shortages_kwh
    assert shortages[0] == pytest.approx((0.0, 0.0))
    assert shortages[1] == pytest.approx((16 * tick_kwh, 16 * tick_kwh))


def test_a_lower_priority_does_not_stop_equals_from_sharing() -> None:
    """Only one of the first two may be on, and the third not beside the first."""
    vehicles = tuple(_night(amps, 10.0, min_amps=None) for amps in (10.0, 20.0, 16.0))
    limits = (
        SharedLimit((1.0, 1.0, 0.0), np.full(24, 26.0)),
        SharedLimit((1.0, 0.0, 1.0), np.full(24, 20.0)),
    )
    last = _last(JointProblem(vehicles, limits, priorities=(0, 0, 1)))
    # In turn, the second gets its 10 hours, the first only 2: 8 are missing.
    model = vehicles[0].model
    assert last.shortages_kwh[0][0] < 0.8 * 8.0 * model.gained_kw(model.full_kw)


@pytest.mark.parametrize("first", [0, 1])
def test_a_run_in_progress_goes_on_whoever_is_planned_first(first: int) -> None:
    """The relay must stay on for three more ticks, though the other could use all of the fuse."""
    relay = _night(10.0, 4.0, min_amps=None, min_run=4, before=SwitchingState(on=True, ticks=1))
    joint = _behind(32.0, relay, _night(32.0, 12.0))
    plan = in_turn(joint, (first, 1 - first)).plans[0]
    assert plan.on[:3].all()
    assert faults_of(relay, plan.amps.tolist(), plan.share.tolist()) == []


@pytest.mark.parametrize(
    ("amps", "min_amps", "fuse", "others", "allowed"),
    [
        (13.5, None, 29.9, 16.0, 13.5),  # a relay that fits is not rounded away
        (13.5, None, 29.4, 16.0, 0.0),
        (32.0, 6.0, 29.9, 16.0, 13.9),
        (32.0, 6.0, 29.9, 15.4, 13.9),
        (32.0, 6.5, 22.9, 16.2, 6.5),  # nor is the lowest current
    ],
)
def test_rounds_up_what_others_take(
    amps: float, min_amps: float | None, fuse: float, others: float, allowed: float
) -> None:
    """To whole amperes, where the current can be set and is not all that the vehicle takes."""
    joint = _behind(fuse, _night(others, 1.0), _night(amps, 1.0, min_amps=min_amps))
    taken = np.zeros((2, 24))
    taken[0] = others
    assert beside(joint, 1, taken).highest_amps == pytest.approx(np.full(24, allowed))


def test_solves_no_problem_twice() -> None:
    """Only what a vehicle may draw, and what that costs, differs from one to the next."""
    joint = _behind(25.0, _night(20.0, 2.0), _night(20.0, 2.0))
    lower = replace(joint.vehicles[0], highest_amps=np.full(24, 10.0))
    dearer = replace(lower, surcharges_per_kwh=np.full(24, 0.1))
    assert solved(joint, 0, replace(lower)) is solved(joint, 0, replace(lower))
    assert len({id(solved(joint, *each)) for each in ((0, lower), (1, lower), (0, dearer))}) == 3


@pytest.mark.parametrize("seed", range(6))
def test_a_shortage_is_near_the_least_there_can_be(seed: int) -> None:
    """Currents that can be set: at most a tick's energy more than a linear programme's bound."""
    rng = random.Random(f"scarce {seed}")
    drawn = random_joint(rng, scarce=True)
    cars = [replace(p, min_amps=6.0, min_run=1, min_rest=0, start_cost=0.0) for p in drawn.vehicles]
    joint = replace(drawn, vehicles=tuple(cars))
    largest = next(iter(ever_better(joint))).shortages_kwh[0][0]
    tick_kwh = max(p.model.gained_kw(p.model.full_kw) * p.tick_hours for p in cars)
    assert largest <= least_largest_shortage(joint) + tick_kwh


@pytest.mark.parametrize("seed", range(8))
def test_each_plan_is_no_worse_than_the_one_before(seed: int) -> None:
    """Neither in shortage nor in money; and the bound never falls."""
    found = list(islice(ever_better(random_joint(random.Random(f"better {seed}"))), ROUNDS))
    money = [each.money for each in found]
    bounds = [each.least_money for each in found]
    assert money == sorted(money, reverse=True)
    assert bounds == sorted(bounds)
    assert all(each.least_money <= each.money for each in found)


@pytest.mark.parametrize("seed", range(8))
def test_no_plan_is_worse_than_fixed_shares(seed: int) -> None:
    """Each alone within an equal part of the fuse: that is what a home without a joint plan has."""
    joint = random_joint(random.Random(f"shares {seed}"))
    total = sum(float(p.highest_amps[0]) for p in joint.vehicles)
    left = min(float(limit.left.min()) for limit in joint.limits[:1])
    shares = tuple(
        np.maximum(0.0, np.floor(p.highest_amps * min(1.0, left / total))) for p in joint.vehicles
    )
    shared = replace(joint, safe_amps=shares)
    limited = replace(joint, vehicles=tuple(map(_limited, joint.vehicles, shares)), limits=())
    fixed = next(iter(ever_better(limited)))
    first = next(iter(ever_better(shared)))
    assert first.shortages_kwh[0][0] <= fixed.shortages_kwh[0][0] + 1e-3
    if first.shortages_kwh[0][1] == pytest.approx(fixed.shortages_kwh[0][1], abs=1e-3):
        assert first.money <= fixed.money + 1e-6


def _limited(problem: PlanningProblem, amps: NDArray[np.float64]) -> PlanningProblem:
    if problem.min_amps is None:
        amps = np.where(amps < problem.highest_amps, 0.0, amps)
    return replace(problem, highest_amps=amps)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"vehicles": ()}, "vehicles: expected at least one"),
        ({"priorities": (1,)}, "priorities: expected one for each vehicle, or none"),
        ({"limits": (SharedLimit((1.0,), np.full(24, 40.0)),)}, "limits: expected a weight"),
        ({"limits": (SharedLimit((1.0, -1.0), np.full(24, 40.0)),)}, "limits: expected a weight"),
        ({"limits": (SharedLimit((1.0, 1.0), np.full(23, 40.0)),)}, "limits: expected 24 finite"),
        ({"limits": (SharedLimit((1.0, 1.0), np.full(24, np.nan)),)}, "limits: expected 24 finite"),
        ({"safe_amps": (np.full(24, 6.0),)}, "safe_amps: expected the ticks of each vehicle"),
        (
            {"vehicles": (_night(10.0, 1.0), _night(10.0, 1.0, tick_hours=0.25))},
            "vehicles: expected ticks of one length",
        ),
    ],
)
def test_a_problem_that_is_none_is_refused(changes: dict[str, object], message: str) -> None:
    """The message names the field and what was expected of it."""
    joint = replace(_behind(40.0, _night(10.0, 1.0), _night(10.0, 1.0)), **changes)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match=message):
        next(ever_better(joint))
