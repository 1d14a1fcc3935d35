"""The cheapest hours of each local day, as a contract prices them."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from pydantic import ValidationError

from config.files.price_series import PricePoint
from config.tariffs.tariff import Tariff
from planners.rates.prices import Prices, prices_of
from tests.outside.day_ahead_2018 import price_points
from tests.planners.households import household

OSLO = ZoneInfo("Europe/Oslo")
HOUR = timedelta(hours=1)


def series(contract: dict[str, Any], **keys: object) -> dict[str, Any]:
    return {"name": "Series", "prices": {"file": "p.csv", "cheapest_hours": contract}, **keys}


def prices(contract: dict[str, Any], points: list[PricePoint], **keys: object) -> Prices:
    return prices_of(household("Europe/Oslo", [series(contract, **keys)]), {"Series": points})


def day(*rates: float, step: timedelta = HOUR) -> list[PricePoint]:
    """Make prices from the midnight of 2 June 2026 in Oslo on."""
    first = datetime(2026, 6, 2, tzinfo=OSLO).astimezone(UTC)
    return [PricePoint(first + n * step, Decimal(str(rate))) for n, rate in enumerate(rates)]


def rates_of(made: Prices, hours: int = 24) -> list[float]:
    first = datetime(2026, 6, 2, tzinfo=OSLO)
    return [float(made.rate_at(first + n * HOUR).rate) for n in range(hours)]


def test_the_cheapest_have_a_rate_of_their_own_and_equal_ones_the_earlier() -> None:
    """Three of 0.1, 0.1, 0.2, 0.2 and so on: both tenths, and the first of the fifths."""
    points = day(0.3, 0.1, 0.2, 0.2, 0.1, *[0.4] * 19)
    made = prices({"hours": 3, "rate": Decimal("0.05")}, points, tax_percent=Decimal(20))
    assert rates_of(made, 6) == [0.36, 0.06, 0.06, 0.24, 0.06, 0.48]
    less = prices({"hours": 1, "add": Decimal("-0.04")}, points)
    assert rates_of(less, 5) == [0.3, 0.06, 0.2, 0.2, 0.1]
    flat = prices({"hours": 2, "rate": Decimal(0), "other_rate": Decimal("0.25")}, points)
    assert rates_of(flat) == [0.25, 0, 0.25, 0.25, 0, *[0.25] * 19]


def test_quarter_hours_add_up_to_hours() -> None:
    """One hour is four quarter-hours, not next to each other if they are not the cheapest so."""
    points = day(*[0.1, 0.3, 0.1, 0.3] * 24, step=HOUR / 4)
    made = prices({"hours": 1, "rate": Decimal(0)}, points)
    spans = made.spans(points[0].start, points[0].start + 24 * HOUR)
    free = [span for span in spans if span.rate == 0]
    assert [(span.start - points[0].start) / HOUR for span in free] == [0, 0.5, 1, 1.5]


def test_a_year_of_published_prices() -> None:
    """Each local day of 2018 has its four cheapest hours, also the two with a clock change.

    Prices: the German day-ahead series of 2018 (Bundesnetzagentur | SMARD.de, CC BY 4.0). The four
    hours are found here by sorting each day's prices.
    """
    points = list(price_points())
    made = prices({"hours": 4, "rate": Decimal(0), "other_rate": Decimal(1)}, points)
    by_day: dict[object, list[PricePoint]] = {}
    for point in points:
        by_day.setdefault(point.start.astimezone(OSLO).date(), []).append(point)
    grid = made.grid(points[0].start, len(points), 60)
    free = {point.start for point, rate in zip(points, grid.rates, strict=True) if rate == 0}
    for known in by_day.values():
        cheapest = sorted(known, key=lambda point: (point.rate, point.start))[:4]
        assert {point.start for point in cheapest} == free & {point.start for point in known}


@pytest.mark.parametrize(
    "contract", [{"hours": 4}, {"hours": 4, "rate": 1, "add": 1}, {"hours": 24, "rate": 1}]
)
def test_contracts_that_are_none(contract: dict[str, Any]) -> None:
    """A rate or an addition, not both; and not the whole day."""
    with pytest.raises(ValidationError, match="expected"):
        Tariff.model_validate(series(contract))
