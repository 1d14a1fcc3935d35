"""A year at the German day-ahead prices of 2018 (source: head of `tests/data/day_ahead_2018.csv`).

What a choice costs that plans with what is known each day, recomputed by plain lists: until when
prices are known, what is expected of those that are not, and which hours are the cheapest.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import UTC, datetime, time, timedelta
from decimal import Decimal
from functools import cache
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from planners.appraisal.choice_case import Case, case_of
from planners.year.driving_days import driving_of
from planners.year.windows import NightWindows
from tests.outside.day_ahead_2018 import price_points
from tests.planners.appraised import choice, choices_file, point, price_series

if TYPE_CHECKING:
    from planners.year.driving_days import DrivingYear
    from planners.year.results import YearResults

BERLIN = ZoneInfo("Europe/Berlin")
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
NEWS = time(14)
LAST_DAYS = 7
TICK_KWH, EFFICIENCY, WANT_KWH = 7.36, 0.9, 0.8 * 52
KWH_A_DAY = 90 * 0.165
DRIVING = {
    "trips": [
        {"days": ["mon", "tue", "thu"], "distance": "90 km", "returns": "12:30"},
        {"days": ["wed", "fri"], "distance": "90 km"},
    ],
    "leaves": "07:20",
    "returns": "18:10",
    "margin_minutes": 20,
}
"""Back at noon, when the night's prices are not known yet, or before a weekend."""


def rate_of(price: Decimal) -> float:
    return float(price) * 0.001 + 0.04


@cache
def rates() -> dict[datetime, float]:
    return {point.start: rate_of(point.rate) for point in price_points()}


def expected(hour: datetime, known_until: datetime) -> float:
    """Return an hour's known price, or the mean of that time on the last seven days known."""
    if hour < known_until and hour in rates():
        return rates()[hour]
    local = hour.astimezone(BERLIN).replace(tzinfo=None)
    earlier: list[float] = []
    days = 0
    while len(earlier) < LAST_DAYS and days < 2 * LAST_DAYS:
        days += 1
        then = (local - days * DAY).replace(tzinfo=BERLIN).astimezone(UTC)
        if then < known_until and then in rates():
            earlier.append(rates()[then])
    return sum(earlier) / len(earlier)


def known_until(now: datetime) -> datetime:
    """Return the end of the local day, or of the next one from 14:00 on."""
    local = now.astimezone(BERLIN)
    days = 2 if local.time() >= NEWS else 1
    midnight = datetime.combine(local.date() + days * DAY, time(0), BERLIN)
    return midnight.astimezone(UTC)


def cheapest(
    hours: list[datetime], prices: list[float], missing_kwh: float
) -> dict[datetime, float]:
    """Try every hour as the last one, which is cut, beside the cheapest of those before it."""
    count = math.ceil(missing_kwh / TICK_KWH - 1e-9)
    if count > len(hours):
        return dict.fromkeys(hours, TICK_KWH)
    rest = missing_kwh - (count - 1) * TICK_KWH
    plans: list[tuple[float, list[int], int]] = []
    for last in range(count - 1, len(hours)) if count > 0 else ():
        before = sorted(range(last), key=lambda i: prices[i])[: count - 1]
        plans.append(
            (TICK_KWH * sum(prices[i] for i in before) + rest * prices[last], before, last)
        )
    if not plans:
        return {}
    _, before, last = min(plans)
    return {hours[i]: TICK_KWH for i in before} | {hours[last]: rest}


def night(hours: list[datetime], stored: float, *, foresight: bool) -> dict[datetime, float]:
    """Plan at the first hour, and again whenever prices arrive; keep the hours already past."""
    drawn: dict[datetime, float] = {}
    news = [h for h in hours if h.astimezone(BERLIN).time() == NEWS] if not foresight else []
    for now, until in pairwise([hours[0], *(h for h in news if h > hours[0]), hours[-1] + HOUR]):
        known = hours[-1] + DAY if foresight else known_until(now)
        left = [hour for hour in hours if hour >= now]
        missing = max(0.0, WANT_KWH - stored) / EFFICIENCY
        plan = cheapest(left, [expected(hour, known) for hour in left], missing)
        kept = {hour: kwh for hour, kwh in plan.items() if hour < until}
        drawn |= kept
        stored += EFFICIENCY * sum(kept.values())
    return drawn


def second_opinion(driving: DrivingYear, *, foresight: bool = False) -> dict[datetime, float]:
    """Return the energy drawn in each hour of the year [kWh]."""
    drawn: dict[datetime, float] = {}
    stored = WANT_KWH
    leaves = [*(trip.leaves for trip in driving.trips[1:]), driving.next_leaves]
    for trip, until in zip(driving.trips, leaves, strict=True):
        stored -= KWH_A_DAY
        first = datetime.fromtimestamp(math.ceil(trip.returns.timestamp() / 3600) * 3600, UTC)
        hours = [first + n * HOUR for n in range((until - timedelta(minutes=20) - first) // HOUR)]
        tonight = night(hours, stored, foresight=foresight)
        drawn |= tonight
        stored += EFFICIENCY * sum(tonight.values())
    return drawn


def year(planner: str) -> tuple[Case, DrivingYear]:
    tariff = price_series(multiply=Decimal("0.001"), add=Decimal("0.04"))
    one = choice(planner, tariff, charge_point=point(), planner=planner, need_percent=80.0)
    file = choices_file(
        one, driving=DRIVING, year=2018, timezone="Europe/Berlin", currency="EUR", tick_minutes=60
    )
    driving = driving_of(file)
    return case_of(file, file.choices[0], driving, price_points()), driving


def simulated(case: Case, driving: DrivingYear) -> YearResults:
    return case.simulate(np.array([[trip.kwh for trip in driving.trips]]))


def all_known(case: Case) -> Case:
    windows = NightWindows(case.windows.first, case.windows.end)
    return replace(case, windows=windows, groups=windows.groups(case.year))


@pytest.fixture(scope="module")
def exact() -> tuple[Case, DrivingYear]:
    return year("exact")


@pytest.mark.parametrize("foresight", [False, True])
def test_a_year_of_prices_costs_what_a_plain_loop_says(
    exact: tuple[Case, DrivingYear], *, foresight: bool
) -> None:
    """They agree to a millionth: both add up the same prices, in another order."""
    case, driving = exact
    ours = simulated(all_known(case) if foresight else case, driving)
    drawn = second_opinion(driving, foresight=foresight)
    end = max(rates()) + HOUR
    cost = sum(kwh * expected(hour, end) for hour, kwh in drawn.items())
    assert len(driving.trips) == 261
    assert ours.energy_kwh[0] == pytest.approx(sum(drawn.values()), abs=1e-6)
    assert ours.cost[0] == pytest.approx(cost, abs=1e-6)
    beyond = sum(kwh for hour, kwh in drawn.items() if hour >= end)
    assert ours.estimated_kwh[0] == pytest.approx(beyond, abs=1e-6)
    assert ours.nights_short[0] == 0


def test_what_is_known_a_day_ahead_costs_more_than_foresight_and_less_than_at_once(
    exact: tuple[Case, DrivingYear],
) -> None:
    """Every plan charges to 80 %, so that foresight is never dearer, to a rounding of 1e-9.

    The same energy is bought by each.
    """
    case, driving = exact
    known, foreseen = simulated(case, driving), simulated(all_known(case), driving)
    arrival, timer = (simulated(*year(planner)) for planner in ("at_once", "timer"))
    assert foreseen.cost[0] <= known.cost[0] + 1e-9
    assert foreseen.cost[0] < known.cost[0] - 1.0  # knowing less does cost something here
    assert known.cost[0] < timer.cost[0] < arrival.cost[0]
    for one in (known, timer, arrival):
        assert one.energy_kwh[0] == pytest.approx(foreseen.energy_kwh[0])
