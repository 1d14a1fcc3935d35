"""Charging by plain rules, and its cost."""

from __future__ import annotations

import random
from datetime import timedelta
from decimal import Decimal

import pytest

from config.files.price_series import PricePoint
from planners.plan.baselines import at_once, timer
from planners.plan.window import window_of
from planners.power.charging import ChargeModel
from planners.rates.prices import prices_of
from tests.planners.households import band, band_prices, household, series
from tests.planners.planned import NIGHT_RATE, PEAK_RATE, DemoHousehold, always, utc

MODEL = ChargeModel(amps=10, phases=1, volts=100, usable_kwh=100, efficiency=1.0)
"""One kilowatt, without losses."""

PRICES = band_prices(
    "Pacific/Auckland", band("low", "0.10", hours=["21:00-00:00"]), band("high", "0.40")
)
WINDOW = window_of(PRICES, utc("2026-06-03T06:40"), utc("2026-06-03T19:00"), 30, always(10))
"""From 18:40 to 07:00, cheap from 21:00 to midnight."""


@pytest.mark.parametrize(
    ("kwh", "cost"),
    [
        (0, 0),
        (1, 0.4),
        (7 / 3, 7 / 3 * 0.4),
        (4, 7 / 3 * 0.4 + 5 / 3 * 0.1),
        (99, 12.333333 * 0.4 - 0.9),
    ],
)
def test_at_once_charges_from_now_until_the_target(kwh: float, cost: float) -> None:
    """It begins in this very minute, fragment included, whatever the hours cost."""
    outcome = at_once(WINDOW, MODEL, 1.0, 1.0 + kwh)
    assert outcome.energy_kwh == pytest.approx(min(kwh, 12 + 1 / 3))
    assert outcome.cost == pytest.approx(cost, abs=1e-6)


@pytest.mark.parametrize(("kwh", "bought"), [(0, 0), (2.2, 2.2), (3, 3), (5, 3)])
def test_a_timer_charges_in_the_cheapest_hours_only(kwh: float, bought: float) -> None:
    """Three cheap hours give three kilowatt-hours, however much is wanted."""
    outcome = timer(WINDOW, MODEL, 1.0, 1.0 + kwh)
    assert outcome.energy_kwh == pytest.approx(bought)
    assert outcome.cost == pytest.approx(0.1 * bought)


def test_a_timer_waits_for_the_lowest_of_several_rates() -> None:
    """Hours that cost a little more than the cheapest are not the cheapest."""
    prices = band_prices(
        "Pacific/Auckland",
        band("low", "0.10", hours=["21:00-00:00"]),
        band("nearly", "0.11", hours=["00:00-05:00"]),
        band("high", "0.40"),
    )
    window = window_of(prices, utc("2026-06-03T06:40"), utc("2026-06-03T19:00"), 30, always(10))
    assert timer(window, MODEL, 0.0, 9.0).energy_kwh == pytest.approx(3)


def test_without_time_there_is_nothing_to_compare() -> None:
    """A window without ticks costs nothing by any rule."""
    empty = window_of(PRICES, utc("2026-06-03T06:40"), utc("2026-06-03T06:40"), 30, always(10))
    for rule in (at_once, timer):
        outcome = rule(empty, MODEL, 0.0, 10.0)
        assert (outcome.energy_kwh, outcome.cost) == (0, 0)


@pytest.mark.parametrize("case", range(40))
def test_no_rule_beats_the_plan_for_the_same_energy(case: int) -> None:
    """At once costs at least as much as the plan if both buy the same energy."""
    rng = random.Random(f"baselines {case}")
    given = DemoHousehold(point={"max_amps": rng.choice([10.0, 16.0, 32.0])})
    plan = given.plan(
        rng.uniform(0, 80), f"2026-06-03T{rng.randint(5, 12):02d}:{rng.choice(['00', '30'])}:00"
    )
    for outcome in (plan.at_once, plan.timer):
        if outcome.energy_kwh == pytest.approx(plan.energy_kwh):
            assert outcome.cost >= plan.cost - 1e-9
        else:
            assert outcome.energy_kwh < plan.energy_kwh
    assert NIGHT_RATE * plan.energy_kwh - 1e-9 <= plan.cost <= PEAK_RATE * plan.energy_kwh + 1e-9


def test_a_timer_on_a_price_series_runs_through_the_cheapest_stretch() -> None:
    """Without bands it is set to the uninterrupted run that costs least, and no run costs less."""
    rng = random.Random("series timer")
    for _ in range(30):
        rates = [round(rng.uniform(0.05, 0.5), 3) for _ in range(24)]
        start = utc("2026-06-03T06:00")
        points = [
            PricePoint(start + timedelta(hours=i), Decimal(str(rate)))
            for i, rate in enumerate(rates)
        ]
        prices = prices_of(household(tariffs=[series()]), {"Series": points})
        window = window_of(prices, start, start + timedelta(hours=12), 60, always(10))
        kwh = rng.choice([0, 1, 2.5, 7, 12, 20])
        outcome = timer(window, MODEL, 1.0, 1.0 + kwh)
        bought = min(kwh, 12)
        shares = [1.0] * int(bought) + ([bought % 1] if bought % 1 else [])
        by_hand = min(
            sum(share * rates[first + i] for i, share in enumerate(shares))
            for first in range(12 - len(shares) + 1)
        )
        assert outcome.energy_kwh == pytest.approx(bought)
        assert outcome.cost == pytest.approx(by_hand)
