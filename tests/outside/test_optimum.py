"""Least costs against sources named in `tests/data/outside_optimum.json`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from planners.plan.plan import Plan
from planners.power.charging import ChargeModel
from planners.solver.exact import solve
from planners.solver.problem import Deadline, PlanningProblem
from planners.solver.solution import Solution
from tests.planners.households import band, bands
from tests.planners.planned import DemoHousehold

CASES: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "outside_optimum.json").read_text(encoding="utf-8")
)


def two_rate_night(kw: float, kwh: float) -> Plan:
    """Plan `kwh` at the meter from 18:00 to 07:00, 7 p from 23:30 to 05:30 and 25 p otherwise."""
    # A lossless battery of 100 kWh: percent of charge are kilowatt-hours at the meter.
    tariff = bands(band("low", "0.07", hours=["23:30-05:30"]), band("high", "0.25"))
    given = DemoHousehold(
        home={"timezone": "Europe/London", "currency": "GBP", "tick_minutes": 30},
        tariffs=[tariff],
        point={"max_amps": kw * 1000 / 230, "switching": "on_off"},
        car={"usable_kwh": 100.0, "charging_efficiency_percent": 100.0},
        leaves={"at": "07:00", "margin_minutes": 0, "need_percent": kwh, "want_percent": kwh},
    )
    return given.plan(0.0, "2026-01-15T18:00:00")


@pytest.mark.parametrize(("kw", "kwh", "pence"), CASES["two_rates"])
def test_a_two_rate_night_costs_the_least_that_divisible_energy_can(
    kw: float, kwh: float, pence: float | None
) -> None:
    """Whole half hours, the last in time cut short, cost what freely divisible energy costs.

    The source lets every half hour be cut. We cut only the last one in time; since dear hours lie
    after the cheap ones as well as before, the dear remainder can always be that last one, and
    where cheap hours suffice the remainder is a cheap one. 30 kWh at 2.3 kW do not fit into 13 h:
    null in the source, a shortfall of 0.1 kWh here.
    """
    plan = two_rate_night(kw, kwh)
    if pence is None:
        assert plan.shortfall is not None
        assert plan.shortfall.kwh == pytest.approx(0.1)
        assert plan.energy_kwh == pytest.approx(29.9)
    else:
        assert plan.shortfall is None
        assert 100 * plan.cost == pytest.approx(pence)


@pytest.mark.parametrize(("kw", "kwh", "pence"), CASES["two_rates"])
def test_a_current_that_can_be_set_reaches_the_least_cost_of_divisible_energy(
    kw: float, kwh: float, pence: float | None
) -> None:
    """The same night with any current from 6 A on: no dearer than energy that is freely divisible.

    Solved for exact currents; a plan rounds them to what hardware can be told.
    """
    amps = kw * 1000 / 230
    rates = np.repeat([25.0, 7.0, 25.0], [11, 12, 3])
    solution = solve(
        PlanningProblem(
            rates_per_kwh=rates,
            highest_amps=np.full(len(rates), amps),
            tick_hours=0.5,
            model=ChargeModel(amps=amps, phases=1, volts=230, usable_kwh=100, efficiency=1.0),
            stored_kwh=0.0,
            deadlines=(Deadline(len(rates), kwh, kwh),),
            min_amps=6.0,
        )
    )
    assert solution.reaches_kwh[-1] == pytest.approx(29.9 if pence is None else kwh)
    assert pence is None or solution.cost == pytest.approx(pence)


@pytest.mark.parametrize(
    ("kw", "kwh", "half_hours", "bought", "pence"), CASES["two_rates_whole_half_hours"]
)
def test_a_two_rate_night_in_whole_half_hours_costs_what_was_computed(
    kw: float, kwh: float, half_hours: int, bought: float, pence: float
) -> None:
    """The source buys whole half hours only, so somewhat more than is wanted.

    Asked for just that energy, the planner uses as many half hours at the same cost; asked for
    what is wanted it cuts the last one, and costs no more.
    """
    whole = two_rate_night(kw, bought)
    assert whole.energy_kwh == pytest.approx(half_hours * kw / 2)
    assert 100 * whole.cost == pytest.approx(pence)
    assert 100 * two_rate_night(kw, kwh).cost < pence


def knapsack(
    rates: list[float], highest_amps: list[float], capacity: float, min_amps: float | None = None
) -> Solution:
    """Buy `capacity` kWh in ticks of 1 kWh an ampere, no losses, at the least cost."""
    return solve(
        PlanningProblem(
            rates_per_kwh=np.array(rates),
            highest_amps=np.array(highest_amps, dtype=np.float64),
            tick_hours=1.0,
            model=ChargeModel(
                amps=max(highest_amps), phases=1, volts=1000, usable_kwh=10_000, efficiency=1.0
            ),
            stored_kwh=0.0,
            deadlines=(Deadline(len(rates), capacity, capacity),),
            min_amps=min_amps,
        )
    )


@pytest.mark.parametrize("name", CASES["knapsack"])
def test_the_cheapest_ticks_fill_a_knapsack_whose_items_may_be_cut(name: str) -> None:
    """Burkardt P01 to P07: the continuous relaxation, each item cut into pieces of unit weight.

    Energy in ticks of equal power is a knapsack of divisible items: an item of weight w and
    profit v is w ticks of 1 kWh, each of which pays v/w, and the capacity is the energy wanted.
    The best profit with items cut is at least the published one with whole items.
    """
    capacity, weights, profits, whole, relaxed = CASES["knapsack"][name]
    pays = [-profit / weight for weight, profit in zip(weights, profits, strict=True)]
    rates = np.repeat(np.array(pays), weights).tolist()
    solution = knapsack(rates, [1.0] * len(rates), capacity)
    assert solution.metered_kwh.sum() == pytest.approx(capacity)
    assert -solution.cost == pytest.approx(relaxed, abs=1e-6)
    assert -solution.cost >= whole


@pytest.mark.parametrize("name", CASES["knapsack"])
def test_a_current_that_can_be_set_fills_a_knapsack_item_by_item(name: str) -> None:
    """Burkardt P01 to P07, the continuous relaxation: one tick an item, its weight the current.

    Every current from 1 A on can be set, and weights are whole, so each item can be cut anywhere
    that matters: the profit is the relaxation's, whatever the order in time.
    """
    capacity, weights, profits, _whole, relaxed = CASES["knapsack"][name]
    pays = [-profit / weight for weight, profit in zip(weights, profits, strict=True)]
    for order in (slice(None), slice(None, None, -1)):
        solution = knapsack(pays[order], weights[order], capacity, min_amps=1.0)
        assert solution.metered_kwh.sum() == pytest.approx(capacity)
        assert -solution.cost == pytest.approx(relaxed, abs=1e-6)


@pytest.mark.parametrize("name", CASES["knapsack"])
def test_on_off_fills_a_knapsack_between_whole_items_and_cut_ones(name: str) -> None:
    """Burkardt P01 to P07: on/off, one tick an item, only the last in time may be cut.

    The profit lies between the published one of whole items and the relaxation's. With the best
    item first in time the item that the relaxation cuts (Dantzig's rule) is the last one bought,
    and the profit is the relaxation's.
    """
    capacity, weights, profits, whole, relaxed = CASES["knapsack"][name]
    items = [(-p / w, float(w)) for w, p in zip(weights, profits, strict=True)]
    as_published = knapsack([rate for rate, _ in items], [w for _, w in items], capacity)
    assert whole - 1e-6 <= -as_published.cost <= relaxed + 1e-6
    items.sort()
    best_first = knapsack([rate for rate, _ in items], [w for _, w in items], capacity)
    assert -best_first.cost == pytest.approx(relaxed, abs=1e-6)
