"""The German day-ahead prices of 2018 (source: head of `tests/data/day_ahead_2018.csv`) by nights.

Hours are counted from the first of the year in Berlin.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from functools import cache
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from config.files.price_series import PricePoint
from config.household.household_file import HouseholdFile
from planners.rates.prices import RateGrid, prices_of
from tests.planners.households import household, series

FILE = Path(__file__).parents[1] / "data" / "day_ahead_2018.csv"
BERLIN = ZoneInfo("Europe/Berlin")
HOUR, DAY = timedelta(hours=1), timedelta(days=1)
FIRST_DAY, DAYS = date(2018, 1, 1), 365

MOST_NIGHTS = 3
"""The longest horizon that is looked at."""

DAYS_KNOWN = 8
"""Days before the evening whose prices an estimate is given; it looks at no more than seven."""


def local(day: date, hour: int = 0) -> datetime:
    """Return the instant of a full hour in Berlin, in UTC."""
    return datetime.combine(day, time(hour), tzinfo=BERLIN).astimezone(UTC)


FIRST = local(FIRST_DAY)


@cache
def hours_of_days() -> dict[date, tuple[Decimal, ...]]:
    """Read the prices of each local day, in order of time [EUR/MWh]."""
    lines = FILE.read_text(encoding="utf-8").splitlines()
    rows = (line.split(",") for line in lines if not line.startswith("#"))
    return {
        date.fromisoformat(day): tuple(Decimal(price) for price in prices) for day, *prices in rows
    }


@cache
def price_points() -> tuple[PricePoint, ...]:
    """Return the year's prices by instant [EUR/MWh]."""
    return tuple(
        PricePoint(local(day) + k * HOUR, price)
        for day, prices in hours_of_days().items()
        for k, price in enumerate(prices)
    )


@dataclass(frozen=True)
class Night:
    """A night at home, 18:00 to 07:00, in hours of the year.

    Attributes
    ----------
    start, end : int
        Its first hour, and the first after it.
    known : int
        The first hour whose price is not known at 18:00: the next day's prices are published at
        about 13:00, so that all are known to the end of the next day.
    """

    start: int
    end: int
    known: int


def _hour(day: date, hour: int = 0) -> int:
    return (local(day, hour) - FIRST) // HOUR


NIGHTS = tuple(
    Night(_hour(day, 18), _hour(day + DAY, 7), _hour(day + 2 * DAY))
    for day in (FIRST_DAY + i * DAY for i in range(DAYS - 1))
)
"""All nights of which every price is in the file: 364."""


@cache
def _berlin() -> HouseholdFile:
    return household("Europe/Berlin", [series(multiply=Decimal("0.001"))])  # EUR/MWh to EUR/kWh


def rates_at(start: int, end: int, points: tuple[PricePoint, ...]) -> RateGrid:
    """Return Lullwatt's rates for the hours from `start` until `end`, given some prices."""
    file = _berlin()
    prices = prices_of(file, {file.tariffs[0].name: points})
    return prices.grid(FIRST + start * HOUR, end - start, 60)


@cache
def true_rates() -> NDArray[np.float64]:
    """Return the true rate of each hour of the year [EUR/kWh]."""
    return rates_at(0, len(price_points()), price_points()).rates


@cache
def expected(night: int) -> RateGrid:
    """Return the rates of the nights to come as expected at 18:00, estimates included."""
    now, last = NIGHTS[night], NIGHTS[min(night + MOST_NIGHTS, len(NIGHTS)) - 1]
    known = price_points()[max(0, now.start - DAYS_KNOWN * 24) : now.known]
    return rates_at(now.start, last.end, known)


ExpectedRates = Callable[[int, int], NDArray[np.float64]]
"""Rates of the hours of a night (its number) and after it, until before an hour [EUR/kWh]."""


def foresight(night: int, end: int) -> NDArray[np.float64]:
    """Return the true rates, as `ExpectedRates` does."""
    return true_rates()[NIGHTS[night].start : end]


def forecast(night: int, end: int) -> NDArray[np.float64]:
    """Return the known rates and estimates of the others, as `ExpectedRates` does."""
    return expected(night).rates[: end - NIGHTS[night].start]
