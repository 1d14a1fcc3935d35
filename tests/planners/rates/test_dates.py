"""Rates on special days and in seasons, instant by instant against the dates in plain Python."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from planners.rates.prices import Prices, prices_of
from tests.planners.households import band, bands, household

EVERY_HOUR = ["00:00-24:00"]
SEASONS = [{"name": "summer", "weeks": ["14 to 39"]}]
SPECIAL = [
    {"name": "quiet", "dates": ["12-24 to 12-26"], "easter": [-2, 1]},
    {"name": "market day", "dates": ["2026-06-06"]},
]
BANDS = (
    band("quiet", "0.10", hours=EVERY_HOUR, days=["quiet", "holiday"]),
    band("market", "0.50", hours=["08:00-12:00"], days=["market day"], months=["summer"]),
    band("sun", "0.15", hours=["11:00-16:00"], days=["mon", "sat", "sun"], months=["summer"]),
    band("dark", "0.40", hours=["16:00-20:00"], days=["mon", "tue"], months=["jan", "feb", 12]),
    band("rest", "0.25"),
)


def expected(at: datetime) -> str:
    """Say by hand which band holds at a local time."""
    day, week = at.date(), at.isocalendar().week
    quiet = {(12, 24), (12, 25), (12, 26)}
    if (day.month, day.day) in quiet or day in (date(2026, 4, 3), date(2026, 4, 6)):
        return "quiet"
    if day == date(2026, 6, 6):
        return "market" if 8 <= at.hour < 12 else "rest"
    # German public holidays of 2026 (from memory), Easter's apart.
    if (day.month, day.day) in {(1, 1), (5, 1), (5, 14), (5, 25), (10, 3)}:
        return "quiet"
    summer = 14 <= week <= 39
    if summer and at.weekday() in (0, 5, 6) and 11 <= at.hour < 16:
        return "sun"
    if not summer and at.month in (1, 2, 12) and at.weekday() in (0, 1) and 16 <= at.hour < 20:
        return "dark"
    return "rest"


@pytest.fixture(scope="module")
def prices() -> Prices:
    tariff = bands(*BANDS, seasons=SEASONS, special_days=SPECIAL)
    return prices_of(household("Europe/Berlin", [tariff], public_holidays="DE"), {})


def test_every_hour_of_a_year(prices: Prices) -> None:
    """Weeks, yearly and single dates, Easter, holidays and months, as the rules in words say."""
    start = datetime(2026, 1, 1, tzinfo=UTC) - timedelta(hours=1)
    wrong = []
    spans = prices.spans(start, start + timedelta(days=365))
    for span in spans:
        at = span.start
        while at < span.end:
            if span.band != expected(at.astimezone(prices.zone)):
                wrong.append((at, span.band))
            at += timedelta(hours=1)
    assert wrong == []


def test_a_component_of_its_own_dates_and_a_percentage_by_season() -> None:
    """Each component has the special days that it names; a percentage holds in a season."""
    tariff = {
        "name": "Composed",
        "seasons": SEASONS,
        "special_days": SPECIAL[:1],
        "components": [
            {"name": "energy", "rate": Decimal("0.10")},
            {"name": "network", "bands": [band("quiet", "0", hours=EVERY_HOUR, days=["quiet"]),
                                          band("usual", "0.05")]},
        ],
        "percentages": [{"name": "VAT", "percent": Decimal(20), "months": ["summer"]}],
    }  # fmt: skip
    made = prices_of(household("Europe/Berlin", [tariff]), {})
    rates = {
        day: made.rate_at(datetime.fromisoformat(f"{day}T12:00+00:00")).rate
        for day in ("2026-03-27", "2026-04-03", "2026-04-07", "2026-12-24")
    }
    assert list(map(float, rates.values())) == [0.15, 0.12, 0.18, 0.1]
