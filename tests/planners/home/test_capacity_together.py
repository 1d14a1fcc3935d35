"""A capacity charge of a home with two cars: they keep to the best power together."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from planners.capacity.charge import CapacityPrice, PeriodPeaks
from planners.capacity.statement import CapacityProblem, CountingInterval, LikeNights
from planners.home.capacity_together import CapSearch
from planners.home.together import HomePlan, plan_together
from planners.joint.joint import ever_better
from planners.joint.problem import JointProblem
from planners.plan.plan import Plan
from planners.plan.planning import draft_plan
from planners.rates.prices import prices_of
from planners.solver.problem import LONG_AT_REST, Deadline, PlanningProblem
from tests.planners.capacity.reference import HIGHEST_KW
from tests.planners.home.test_together import EVENING, TwoCars
from tests.planners.households import band, bands
from tests.planners.joint.random_joint import random_joint
from tests.planners.solver.linear_model import LinearModel, minimised
from tests.planners.solver.reference import Case, night_model

PROBLEMS = max(6, int(os.environ.get("LULLWATT_PROBLEMS", "0")) // 100)
"""How many homes are drawn; `make prove` draws more."""

KW = 32 * 0.23
"""What one of the cars draws [kW]."""


def charged(**charge: object) -> dict[str, Any]:
    """Return a tariff of cheap nights and a capacity charge."""
    tariff = bands(band("night", "0.10", hours=["21:00-07:00"]), band("day", "0.30"))
    return tariff | {"capacity_charge": {"per": "month", "interval_minutes": 60} | charge}


def steps(*ends: tuple[float | None, float]) -> dict[str, Any]:
    """Return a charge by steps: the end of each [kW], and its amount."""
    rows = [{"charge": amount} | ({"up_to_kw": end} if end else {}) for end, amount in ends]
    return charged(steps=rows)


def planned(home: TwoCars, *socs: float | None) -> tuple[HomePlan, list[Plan]]:
    """Plan together, and then each car with what it is allotted."""
    file, situations = home.file(), home.situations(*socs, at=EVENING)
    prices = prices_of(file, {})
    *_, found = plan_together(file, prices, situations)
    plans = []
    for each in situations:
        spans = found.allotted[file.vehicles[each.departure.vehicle].charge_point]
        plans.append(draft_plan(file, prices, replace(each, allotted=spans, is_joint=True)).plan)
    return found, plans


def highest_kw(plans: list[Plan]) -> float:
    """Return the highest power of all plans together at any minute."""
    periods = [period for plan in plans for period in plan.periods]
    edges = sorted({period.start for period in periods})
    return max(sum(p.amps * 0.23 for p in periods if p.start <= at < p.end) for at in edges)


@pytest.mark.parametrize("switching", ["current", "on_off"])
def test_two_cars_take_turns_under_a_step(switching: str) -> None:
    """Each alone would stay under the step, both at a time would not; the energy costs the same."""
    points = {name: {"switching": switching} for name in ("driveway", "carport")}
    home = TwoCars(fuse=None, points=points, tariff=steps((8, 10), (None, 200)))
    free = replace(home, tariff=steps((30, 10), (None, 200)))
    found, plans = planned(home, 50, 50)
    usual, together = planned(free, 50, 50)
    assert highest_kw(together) > 8
    assert highest_kw(plans) <= 8
    assert sum(plan.cost for plan in plans) == pytest.approx(sum(p.cost for p in together))
    assert usual.kept is None
    assert found.kept is not None
    assert found.kept.cap_kw == pytest.approx(8)
    assert found.kept.spared == pytest.approx(190)
    assert found.kept.sentence("NZD") == (
        "Kept to 8.0 kW for the whole home, on average of each hour: above it the capacity charge"
        " of June would grow by NZD 190.00."
    )


def test_no_car_takes_more_than_the_plans_do_together() -> None:
    """Under the fuse one car would leave the other enough to charge at the same time."""
    home = TwoCars(fuse=63.0, tariff=steps((8, 10), (None, 200)))
    found, plans = planned(home, 50, 50)
    assert found.kept is None, "the plans take turns by chance, at no cost"
    assert highest_kw(plans) <= 8


def test_a_need_counts_more_than_the_charge() -> None:
    """Where the needs take both cars at a time, they charge at a time."""
    home = TwoCars(fuse=None, tariff=steps((8, 10), (None, 200)), needs=(100.0, 100.0))
    found, plans = planned(home, 5, 5)
    assert highest_kw(plans) > 8
    assert found.kept is None
    assert all(plan.shortfall is None for plan in plans)


def test_hours_that_do_not_count_are_free() -> None:
    """A charge for the day's hours alone caps nothing in the night."""
    home = TwoCars(fuse=None, tariff=charged(rate_per_kw=20, hours=["07:00-21:00"]))
    found, plans = planned(home, 50, 50)
    assert found.kept is None
    assert highest_kw(plans) == pytest.approx(2 * KW)


def by_highs(joint: JointProblem, capacity: CapacityProblem, rate_per_kw: float) -> float | None:
    """Return the least total on HiGHS: any tick's highest power is a variable, energy counts."""
    nights = capacity.like_nights[0].nights
    model, shorts, energies = LinearModel(), [], []
    for problem in joint.vehicles:
        model, short, energy, _on = night_model(_case(problem, nights), _need(problem), model)
        shorts.append(short)
        energies.append(energy)
    model.at_most([(short, 1.0) for short in shorts], 1e-9)
    peak = model.column(upper=HIGHEST_KW)
    model.charge([(peak, rate_per_kw)])
    for tick in range(joint.ticks):
        power = [(each[tick], -1 / joint.vehicles[0].tick_hours) for each in energies]
        model.at_least([(peak, 1.0), *power], 0)
    solver = model.highs()
    solver.setOptionValue("mip_rel_gap", 1e-5)
    return float(solver.getObjectiveValue()) if minimised(solver, model.cost) else None


def _need(problem: PlanningProblem) -> float:
    return max(0.0, problem.deadlines[0].need_kwh - problem.stored_kwh) / problem.model.efficiency


def _case(problem: PlanningProblem, nights: float) -> Case:
    """Write a vehicle's night for the reference, for so many nights; energies are metered."""
    kwh_per_amp = problem.model.kw_per_amp * problem.tick_hours
    return Case(
        rates=tuple(nights * rate for rate in problem.rates_per_kwh.tolist()),
        tick_kwh=float(problem.highest_amps[0]) * kwh_per_amp,
        need_kwh=_need(problem),
        want_kwh=_need(problem),
        max_rate=0.0,
        start_cost=nights * problem.start_cost,
        min_run=problem.min_run,
        min_rest=problem.min_rest,
        on_before=False,
        ticks_before=100,
        least_kwh=None if problem.min_amps is None else problem.min_amps * kwh_per_amp,
    )


def random_home(rng: random.Random) -> tuple[JointProblem, CapacityProblem, float]:
    """Draw two or three vehicles without a fuse, and a charge by the kilowatt."""
    drawn = random_joint(rng, vehicles=(2, 3), ticks=(14, 18), tick_hours=0.5)
    ticks = min(each.ticks for each in drawn.vehicles)
    vehicles = []
    for each in drawn.vehicles:
        reach = each.model.efficiency * float(each.highest_amps[0]) * each.model.kw_per_amp * 0.5
        need = each.stored_kwh + rng.uniform(0.15, 0.4) * reach * ticks
        vehicles.append(
            replace(
                each,
                rates_per_kwh=each.rates_per_kwh[:ticks],
                highest_amps=each.highest_amps[:ticks],
                deadlines=(Deadline(ticks, need, need, 0.0),),
                before=LONG_AT_REST,
                # The reference has runs of a current that can be set in any length.
                min_run=each.min_run if each.min_amps is None else 1,
                min_rest=each.min_rest if each.min_amps is None else 0,
            )
        )
    joint = JointProblem(tuple(vehicles), ())
    rate_per_kw = rng.choice([0.2, 1.0, 5.0])
    nights = rng.choice([1, 5, 20])
    capacity = CapacityProblem(
        problem=vehicles[0],
        intervals=tuple(CountingInterval(i, i + 1, 0.5, 0.0, 0) for i in range(ticks)),
        periods=(PeriodPeaks(CapacityPrice(rate_per_kw), (0.0,), ((0, (0,)),)),),
        like_nights=(LikeNights(nights, (0,)),),
    )
    return joint, capacity, rate_per_kw


@pytest.mark.parametrize("seed", range(PROBLEMS))
def test_the_total_is_near_that_of_a_reference_solver(seed: int) -> None:
    """The plan under the cap is no cheaper than the optimum, and nearly as cheap.

    It may be dearer by a tenth, and by the charge for an ampere of each vehicle: caps are sums of
    whole amperes, and a tick of half an hour that is cut short counts as whole.
    """
    joint, capacity, rate_per_kw = random_home(random.Random(seed))
    search = CapSearch(joint, capacity, [True] * len(joint.vehicles))
    cap = search.best()
    *_, plan = ever_better(search.limited(cap))
    total = capacity.like_nights[0].nights * plan.money + search.charge_with(plan)
    least = by_highs(joint, capacity, rate_per_kw)
    assert least is not None
    amperes = sum(each.model.kw_per_amp for each in joint.vehicles)
    assert least - 1e-4 * abs(least) <= total <= 1.1 * least + rate_per_kw * amperes


def test_what_a_meter_of_its_own_takes_does_not_count() -> None:
    """The car on the circuit of its own draws all it can, beside the one that keeps to the step."""
    own = bands(band("all", "0.05"), name="Own")
    home = TwoCars(
        fuse=63.0,
        points={"carport": {"tariff": "Own"}},
        tariff=steps((4, 10), (None, 200)),
        own_tariffs=(own,),
    )
    found, plans = planned(home, 50, 50)
    amps = {plan.charge_point: max(p.amps for p in plan.periods) for plan in plans}
    assert amps["driveway"] * 0.23 <= 4
    assert amps["carport"] == pytest.approx(31, abs=1)
    assert [plan.cost / plan.energy_kwh for plan in plans] == pytest.approx([0.10, 0.05])
    assert set(found.allotted) == {"driveway", "carport"}


def test_the_sun_is_on_top_of_the_cap_and_raises_no_peak() -> None:
    """With 3 kW of sun, 5 kW of import are 8 kW of charging, and what is charged for is import."""
    joint, capacity, _rate = random_home(random.Random(2))
    sun, rates = np.full(joint.ticks, 3.0), np.zeros(joint.ticks)
    vehicles = tuple(
        replace(each, surplus_kw=sun, export_rates_per_kwh=rates) for each in joint.vehicles
    )
    counts = [True] * len(vehicles)
    sunny = CapSearch(replace(joint, vehicles=vehicles), capacity, counts)
    assert sunny.limit(5.0).left == pytest.approx(np.full(joint.ticks, 8.0), abs=0.03)
    *_, plan = ever_better(sunny.limited(5.0))
    metered = sum(each.metered_kwh for each in plan.plans) / 0.5
    imported = max(0.0, float(np.max(metered)) - 3.0)
    paid = capacity.charge(np.array([[imported]]))
    assert sunny.charge_with(plan) == pytest.approx(float(paid[0]))
