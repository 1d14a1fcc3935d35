"""The German day-ahead prices of 2018, from the file as published to rates per kWh.

Source: `tests/data/day_ahead_2018_raw.txt`. Minimum, maximum and the number of negative hours are
those of the published series.
"""

from __future__ import annotations

from collections import Counter
from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from config.files.price_series import load_prices
from planners.rates.prices import Prices, prices_of
from tests.outside.day_ahead_2018 import BERLIN, price_points
from tests.outside.raw_day_ahead_2018 import MISSING, raw_rows, raw_text, series_csv
from tests.planners.households import household, series

if TYPE_CHECKING:
    from pathlib import Path

    from config.files.price_series import PricePoint

HOUR = timedelta(hours=1)
PER_KWH = Decimal("0.001")


@pytest.fixture(name="points")
def _points(tmp_path: Path) -> tuple[PricePoint, ...]:
    path = tmp_path / "prices.csv"
    path.write_text(series_csv(), encoding="utf-8")
    return load_prices(path)


def rates_of(points: tuple[PricePoint, ...]) -> Prices:
    file = household("Europe/Berlin", [series(multiply=PER_KWH)])
    return prices_of(file, {"Series": points})


def test_the_file_has_its_documented_quirks() -> None:
    """A byte order mark, semicolons, two columns of which one is empty, days of 23 and 25 rows."""
    assert raw_text().startswith("\ufeffDate;Time of day;Germany/Luxembourg[€/MWh];")
    rows = raw_rows()
    assert rows[0] == ("Jan 1, 2018", "12:00 AM", "-5.27", MISSING)
    assert rows[-1] == ("Dec 31, 2018", "11:00 PM", MISSING, "30.31")
    assert {(old == MISSING) + (new == MISSING) for *_, old, new in rows} == {1}
    odd = {day: count for day, count in Counter(row[0] for row in rows).items() if count != 24}
    assert odd == {"Mar 25, 2018": 23, "Oct 28, 2018": 25}
    twice = [time for day, time, *_ in rows if day == "Oct 28, 2018"]
    assert twice[:5] == ["12:00 AM", "1:00 AM", "2:00 AM", "2:00 AM", "3:00 AM"]


def test_the_series_is_read_to_its_published_figures(points: tuple[PricePoint, ...]) -> None:
    """8,760 hours on end, from -76.01 to 128.26 EUR/MWh, 134 of them negative."""
    prices = [point.rate for point in points]
    assert len(prices) == 8760
    assert (min(prices), max(prices)) == (Decimal("-76.01"), Decimal("128.26"))
    assert sum(price < 0 for price in prices) == 134
    assert {later.start - point.start for point, later in pairwise(points)} == {HOUR}
    assert points[0].start.astimezone(BERLIN).isoformat() == "2018-01-01T00:00:00+01:00"


def test_rates_per_kwh_are_the_prices_to_the_last_digit(points: tuple[PricePoint, ...]) -> None:
    """`multiply: 0.001` gives exactly a thousandth at each hour, and nothing is estimated."""
    prices = rates_of(points)
    spans = prices.spans(points[0].start, points[-1].start + HOUR)
    assert (min(s.rate for s in spans), max(s.rate for s in spans)) == (
        Decimal("-0.07601"),
        Decimal("0.12826"),
    )
    assert not any(span.estimated for span in spans)
    hourly = [span.rate for span in spans for _ in range((span.end - span.start) // HOUR)]
    assert hourly == [point.rate * PER_KWH for point in points]
    assert sum(rate < 0 for rate in hourly) == 134
    assert prices.known_until(points[0].start) == points[-1].start + HOUR


def test_both_copies_of_the_year_say_the_same(points: tuple[PricePoint, ...]) -> None:
    """The trimmed copy that the year of nights rests on has the price of each hour."""
    assert points == price_points()
