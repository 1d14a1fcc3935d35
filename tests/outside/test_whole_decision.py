"""The whole decision of an invented household, recomputed by hand: rates, worth today, a break.

Arithmetic of its own, with nothing of Lullwatt in it: a socket and a charge point, a flat and a
night tariff, a grant, maintenance, 4 % interest and prices that grow by 2 %.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from planners.appraisal.appraising import appraise
from tests.planners.appraised import choice, choices_file, point, socket

if TYPE_CHECKING:
    from planners.appraisal.appraisal import Appraisal

INTEREST, GROWTH, YEARS = 1.04, 1.02, 10
WEEKDAYS, SATURDAYS = 261, 52
"""Of 2027."""
TRIPS_KWH = (WEEKDAYS * 95 + SATURDAYS * 40) * 0.17
METERED_KWH = TRIPS_KWH / 0.88
BY_DAY, AT_NIGHT, FLAT = 0.39, 0.17, 0.34
DIFFERENCES = 365 * (10 * BY_DAY + 2 * AT_NIGHT - 12 * FLAT) + 365 * 0.15
"""What the rest of the home and the standing charge cost more with the night tariff, a year."""
ALL_YEARS = sum(GROWTH ** (year - 1) / INTEREST**year for year in range(1, YEARS + 1))
INSPECTIONS = sum(80 * GROWTH ** (year - 1) / INTEREST**year for year in (5, 10))
ONCE = 1450 - 300 / INTEREST + INSPECTIONS


@pytest.fixture(scope="module")
def found() -> Appraisal:
    flat = {
        "name": "Flat",
        "standing_charge": Decimal("0.70"),
        "bands": [{"name": "all", "rate": Decimal("0.34")}],
    }
    night = {
        "name": "Night",
        "standing_charge": Decimal("0.85"),
        "bands": [
            {"name": "night", "rate": Decimal("0.17"), "hours": ["23:00-07:00"]},
            {"name": "day", "rate": Decimal("0.39")},
        ],
    }
    installed: dict[str, Any] = {
        "charge_point": point(switching="current"),
        "outlay": Decimal(1450),
        "grants": [{"amount": Decimal(300), "after_years": 1}],
        "maintenance": [{"amount": Decimal(80), "every_years": 5}],
    }
    needs: dict[str, Any] = {"need_percent": 80.0}
    file = choices_file(
        choice("Socket, flat", flat, charge_point=socket(), planner="at_once", **needs),
        choice("Socket, night", night, charge_point=socket(), **needs),
        choice("Charge point, night", night, **needs | installed),
        vehicle={"usable_kwh": 58.0, "charging_efficiency_percent": 88.0, "kwh_per_100km": 17.0},
        driving={
            "leaves": "07:30",
            "returns": "18:00",
            "trips": [
                {"days": ["mon", "tue", "wed", "thu", "fri"], "distance": "95 km"},
                {"days": ["sat"], "distance": "40 km"},
            ],
        },
        home_use=[
            {"kwh_per_day": 10.0, "hours": "07:00-23:00"},
            {"kwh_per_day": 2.0, "hours": "23:00-07:00"},
        ],
        timezone="Europe/Dublin",
        currency="EUR",
        tick_minutes=15,
        keep_years=10.0,
        interest_percent=4.0,
        price_growth={
            "energy_percent": 2.0,
            "standing_charge_percent": 2.0,
            "maintenance_percent": 2.0,
        },
    )
    return appraise(file, {})


def test_totals_are_those_of_the_hand(found: Appraisal) -> None:
    """15,577.09, 8,787.04 and 10,084.34: every kWh of both sockets is at the rate of its tariff."""
    totals = [each.total_over_years for each in found.choices]
    night = METERED_KWH * AT_NIGHT + DIFFERENCES
    assert totals == pytest.approx(
        [ALL_YEARS * METERED_KWH * FLAT, ALL_YEARS * night, ALL_YEARS * night + ONCE], abs=0.01
    )


def test_the_charge_point_is_paid_back_when_the_hand_says(found: Appraisal) -> None:
    """After 1.58 years, by adding up what each year saves against the flat tariff."""
    a_year = METERED_KWH * (FLAT - AT_NIGHT) - DIFFERENCES
    first = a_year / INTEREST + 300 / INTEREST
    second = a_year * GROWTH / INTEREST**2
    years = found.choices[2].discounted_payback_years
    assert years == pytest.approx(1 + (1450 - first) / second)
    assert years == pytest.approx(1.58, abs=0.005)


def test_the_charge_point_wins_from_the_distance_of_the_hand(found: Appraisal) -> None:
    """Where hours by day, for what eight of a night at 2.3 kW do not hold, cost what it costs."""
    low, high = 1.0, 2.0
    for _ in range(60):
        times = (low + high) / 2
        by_day_kwh = WEEKDAYS * max(0.0, 95 * times * 0.17 / 0.88 - 8 * 2.3)
        low, high = (times, high) if ALL_YEARS * by_day_kwh * 0.22 < ONCE else (low, times)
    even = found.break_even
    assert even is not None
    above = next(each for each in even.distance_per_year if each.at and each.at > each.now)
    assert above.rival == "Charge point, night"
    assert above.at == pytest.approx(low * TRIPS_KWH / 0.17, rel=1e-3)
