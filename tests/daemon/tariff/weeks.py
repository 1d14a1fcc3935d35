"""Weeks of rates for the tests: bands, series, changing tariffs."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

from config.files.price_series import PricePoint
from daemon.tariff.days import days_of
from planners.rates.prices import prices_of
from tests.planners.households import band, bands, household, series
from tests.planners.planned import THREE_BANDS

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile
    from daemon.tariff.days import Day
    from planners.rates.prices import Prices

WEEKDAYS = ["mon", "tue", "wed", "thu", "fri"]
HOLIDAYS = bands(
    band("free", "0.10", hours=["00:00-24:00"], days=["holiday"]),
    band("work", "0.40", hours=["08:00-18:00"], days=WEEKDAYS),
    band("rest", "0.20"),
)
SERIES = series(name="Day-ahead", step_minutes=30, valid_from=date(2026, 10, 1))


@dataclass(frozen=True)
class Week:
    """A household, its rates, and some of its days."""

    file: HouseholdFile
    prices: Prices
    days: tuple[Day, ...]


def week_of(  # noqa: PLR0917 - what a test changes of the demo, rarely more than two
    first: str,
    count: int,
    tariffs: list[dict[str, Any]] | None = None,
    zone: str = "Pacific/Auckland",
    points: tuple[PricePoint, ...] = (),
    public_holidays: str | None = None,
) -> Week:
    """Return some days of a household with the demo's bands or other tariffs."""
    tariffs = tariffs or [THREE_BANDS]
    file = household(zone, tariffs, public_holidays=public_holidays)
    prices = prices_of(file, {tariff["name"]: points for tariff in tariffs if "prices" in tariff})
    return Week(file, prices, days_of(file, prices, date.fromisoformat(first), count))


def half_hours(start: str, *rates: str) -> tuple[PricePoint, ...]:
    """Return half-hourly prices from a UTC instant on."""
    first = datetime.fromisoformat(start).replace(tzinfo=UTC)
    return tuple(
        PricePoint(first + place * timedelta(minutes=30), Decimal(rate))
        for place, rate in enumerate(rates)
    )
