"""Whole years of nights at the German day-ahead prices of 2018 (source: head of the data file).

The costs of the rules that plan are what this simulation computed, to the cent. What stands beside
them is independent of the planner: the order of prices within a night, and the year as a linear
programme.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from itertools import pairwise

import numpy as np
import pytest

from planners.power.charging import ChargeModel
from planners.solver.exact import solve
from planners.solver.problem import Deadline, PlanningProblem
from tests.outside.day_ahead_2018 import (
    DAYS,
    NIGHTS,
    expected,
    forecast,
    foresight,
    hours_of_days,
    price_points,
    rates_at,
    true_rates,
)
from tests.outside.year_of_nights import Car, at_once, cheapest, rolling, whole_year

CAR = Car()
DAILY_KWH = CAR.uses_kwh / CAR.efficiency


def test_the_year_is_read_as_published() -> None:
    """8,760 hours from -76.01 to 128.26 EUR/MWh, 134 of them negative; 23 and 25 on two days."""
    prices = [point.rate for point in price_points()]
    assert len(prices) == 8760
    assert (min(prices), max(prices)) == (Decimal("-76.01"), Decimal("128.26"))
    assert sum(price < 0 for price in prices) == 134
    odd = {day: len(hours) for day, hours in hours_of_days().items() if len(hours) != 24}
    assert odd == {date(2018, 3, 25): 23, date(2018, 10, 28): 25}
    starts = [point.start for point in price_points()]
    assert {(after - start).total_seconds() for start, after in pairwise(starts)} == {3600}


def test_twenty_kwh_a_night_cost_what_was_computed_elsewhere() -> None:
    """20 kWh at 7.4 kW from 18:00 to 07:00, 364 nights: 399.89 EUR at once, 238.64 at the least.

    The figures were computed independently, for energy that can be divided at will. For the
    planner the current can be set from a 37th part up: 20 kWh are two whole hours and 26 parts.
    """
    model = ChargeModel(amps=7400 / 230, phases=1, volts=230, usable_kwh=52, efficiency=1.0)
    rates, cost = true_rates(), 0.0
    for night in NIGHTS:
        hours = night.end - night.start
        amps, deadline = np.full(hours, model.amps), Deadline(hours, 20.0, 20.0)
        tonight = rates[night.start : night.end]
        least = model.amps / 37
        cost += solve(
            PlanningProblem(tonight, amps, 1.0, model, 0.0, (deadline,), min_amps=least)
        ).cost
    assert len(NIGHTS) == DAYS - 1
    assert round(at_once(20.0, 7.4, rates), 2) == 399.89
    assert round(cost, 2) == 238.64


def test_what_is_known_at_six_in_the_evening_reaches_to_the_end_of_the_next_day() -> None:
    """Tonight is known and tomorrow's evening; of the next nights the rest is estimated.

    An estimate looks at the last seven days known, so eight days of prices serve it as well as all.
    """
    night = NIGHTS[200]
    seen = expected(200)
    tonight, tomorrow, after = (NIGHTS[i] for i in range(200, 203))
    hours = np.arange(night.start, after.end)
    assert np.array_equal(seen.estimated, hours >= tomorrow.end - 7)
    known = ~seen.estimated
    assert seen.rates[known] == pytest.approx(true_rates()[hours[known]], abs=1e-12)
    history = rates_at(tonight.start, after.end, price_points()[: night.known])
    assert np.array_equal(seen.rates, history.rates)
    # At 06:00 on the day after tomorrow: the mean of 06:00 on the seven days up to tomorrow.
    at_six = [night.known - 18 - 24 * k for k in range(7)]
    assert seen.rates[night.known + 6 - night.start] == pytest.approx(
        true_rates()[at_six].mean(), abs=1e-12
    )


def test_a_year_costs_less_where_plans_see_several_nights() -> None:
    """15 kWh a day at up to 32 A: what each rule costs [EUR], and saves against charging at once.

    At once it is the same to replace each night what was used and to charge to the limit. The
    cheapest hours of one night that replace just what was used cost 197.57; the planner, which may
    go on to the limit where a price is negative, pays less. Knowing more need not cost less in
    every year, but in this one it does, except that a third night of estimates is no better.
    """
    rates = true_rates()
    arrival = at_once(DAILY_KWH, CAR.model.full_kw, rates)
    accounts = {
        "one night": rolling(CAR, 1, foresight),
        "two nights, estimates": rolling(CAR, 2, forecast),
        "three nights, estimates": rolling(CAR, 3, forecast),
        "two nights, foresight": rolling(CAR, 2, foresight),
        "three nights, foresight": rolling(CAR, 3, foresight),
    }
    costs = {rule: account.cost for rule, account in accounts.items()}
    one, bound = cheapest(DAILY_KWH, CAR.model.full_kw, rates), whole_year(CAR, rates)
    assert {rule: round(cost, 2) for rule, cost in costs.items()} == {
        "one night": 193.00,
        "two nights, estimates": 183.96,
        "three nights, estimates": 184.54,
        "two nights, foresight": 175.87,
        "three nights, foresight": 171.15,
    }
    assert [round(cost, 2) for cost in (arrival, one, bound)] == [335.84, 197.57, 171.05]
    saved = [100 * (1 - cost / arrival) for cost in (one, *costs.values())]
    assert [round(percent, 1) for percent in saved] == [41.2, 42.5, 45.2, 45.1, 47.6, 49.0]

    alone, two, three, two_seen, three_seen = costs.values()
    assert bound <= three_seen <= two_seen <= two <= alone <= one <= arrival
    assert three_seen <= three <= alone
    for account in accounts.values():
        assert account.metered_kwh == pytest.approx(len(NIGHTS) * DAILY_KWH)
        assert min(account.leaves_kwh) >= CAR.need_kwh - 1e-6
        assert max(account.leaves_kwh) <= CAR.want_kwh + 1e-6
        assert account.leaves_kwh[-1] == pytest.approx(CAR.need_kwh)


def test_a_surcharge_leaves_the_saving_and_shrinks_its_share() -> None:
    """With 0.20 EUR/kWh of taxes and fees on top nearly as many euros are saved, out of more.

    The hours stay in the same order, so that one night's choice is the same. Over several nights
    the euros differ a little: with the surcharge nothing is ever bought for being paid to take it.
    """
    rates = true_rates() + 0.20
    arrival = at_once(DAILY_KWH, CAR.model.full_kw, rates)
    one = cheapest(DAILY_KWH, CAR.model.full_kw, rates)
    two = rolling(CAR, 2, forecast, surcharge=0.20).cost
    assert (round(arrival, 2), round(one, 2), round(two, 2)) == (1549.18, 1410.90, 1398.29)
    assert arrival - one == pytest.approx(335.842 - 197.567, abs=0.001)
    assert arrival - two == pytest.approx(335.842 - 183.964, abs=1.01)


def test_at_half_the_power_there_is_less_to_choose() -> None:
    """At up to 16 A the same day's use takes 4.5 hours: 35.5 % saved in one night, 38.5 in two."""
    car = replace(CAR, amps=16.0)
    rates = true_rates()
    arrival = at_once(DAILY_KWH, car.model.full_kw, rates)
    one = cheapest(DAILY_KWH, car.model.full_kw, rates)
    two = rolling(car, 2, forecast).cost
    assert (round(arrival, 2), round(one, 2), round(two, 2)) == (316.80, 204.32, 194.96)
    assert whole_year(car, rates) <= two <= one <= arrival
