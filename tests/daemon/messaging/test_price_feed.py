"""A feed's prices, each sorted to the tariff of its own day."""

from __future__ import annotations

from datetime import date, datetime, timedelta
from decimal import Decimal
from zoneinfo import ZoneInfo

import pytest

from adapters.contract.messages import PriceFeed, PriceStart
from config.files.price_series import PricePoint
from daemon.messaging.price_feed import SortedFeed, sort_feed
from planners.rates.prices import Prices, prices_of
from tests.daemon.worlds import HOUR, utc
from tests.planners.households import band, bands, household, series

AUCKLAND = "Pacific/Auckland"
CHANGE = date(2026, 10, 1)
MIDNIGHT = utc("2026-09-30T11:00")
"""When 1 October 2026 begins in Auckland, where summer time has begun."""


def two_series() -> Prices:
    """One price series until the end of September, another from October on."""
    tariffs = [
        series(name="Old", valid_from=date(2026, 4, 1)),
        series(name="New", valid_from=CHANGE),
    ]
    return prices_of(household(AUCKLAND, tariffs), {})


def feed(*starts: datetime, rate: str = "0.2") -> PriceFeed:
    return PriceFeed(rates=tuple(PriceStart(start=at, rate=Decimal(rate)) for at in starts))


def starts_of(found: SortedFeed) -> dict[str, list[datetime]]:
    return {
        name: [point.start for point in points.values()] for name, points in found.by_tariff.items()
    }


def test_the_midnight_is_auckland_s() -> None:
    """The instant that these tests use is local midnight."""
    assert MIDNIGHT.astimezone(ZoneInfo(AUCKLAND)).isoformat() == "2026-10-01T00:00:00+13:00"


def test_each_price_is_for_the_tariff_of_its_own_day() -> None:
    """Across a change of tariff the last hour of a day is the old one's, the next the new one's."""
    found = sort_feed(two_series(), feed(MIDNIGHT - HOUR, MIDNIGHT, MIDNIGHT + HOUR))
    assert starts_of(found) == {"Old": [MIDNIGHT - HOUR], "New": [MIDNIGHT, MIDNIGHT + HOUR]}
    assert not found.ignored


def test_prices_for_days_of_bands_are_counted_and_named() -> None:
    """Bands until September: today's prices are for no tariff, tomorrow's are for the series."""
    tariffs = [bands(band("all"), name="Flat"), series(name="New", valid_from=CHANGE)]
    prices = prices_of(household(AUCKLAND, tariffs), {})
    found = sort_feed(prices, feed(MIDNIGHT - 2 * HOUR, MIDNIGHT - HOUR, MIDNIGHT))
    assert starts_of(found) == {"New": [MIDNIGHT]}
    assert found.why() == "2 on days of Flat, which has bands"


@pytest.mark.parametrize(
    ("start", "why"),
    [
        ("2026-09-30T11:00:30", "1 that start within a minute"),
        ("2026-09-30T11:00:00.5", "1 that start within a minute"),
        ("2026-03-31T10:59:00", "1 on days before the first tariff"),
        ("1999-12-31T23:00:00", "1 outside the years 2000 to 2099"),
        ("2100-01-01T00:00:00", "1 outside the years 2000 to 2099"),
        ("0001-01-01T00:00:00", "1 outside the years 2000 to 2099"),
        ("9999-12-31T23:00:00", "1 outside the years 2000 to 2099"),
    ],
)
def test_what_is_for_no_tariff_says_why(start: str, why: str) -> None:
    """Prices off the minute, before all tariffs, or of another age are ignored, never fatal."""
    found = sort_feed(two_series(), feed(utc(start), MIDNIGHT))
    assert starts_of(found) == {"New": [MIDNIGHT]}
    assert found.why() == why


def test_several_reasons_are_told_together() -> None:
    """One sentence for all that was ignored."""
    found = sort_feed(
        two_series(),
        feed(MIDNIGHT + timedelta(seconds=1), utc("2026-01-01T00:00"), utc("2026-01-01T01:00")),
    )
    assert found.why() == "1 that start within a minute; 2 on days before the first tariff"


def test_of_two_prices_for_one_start_the_last_counts() -> None:
    """A message that contradicts itself gives the same result each time it comes."""
    message = PriceFeed(
        rates=tuple(PriceStart(start=MIDNIGHT, rate=Decimal(rate)) for rate in ("0.1", "0.3"))
    )
    found = sort_feed(two_series(), message)
    assert list(found.by_tariff["New"].values()) == [PricePoint(MIDNIGHT, Decimal("0.3"))]
