"""How long a price holds where the file does not say, and the bounds of a rate."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from itertools import pairwise

import pytest

from config.files.price_series import PricePoint
from planners.rates.prices import Prices, prices_of
from tests.planners.households import household, series

MINUTE = timedelta(minutes=1)
HOUR = 60 * MINUTE
DAY = 24 * HOUR
START = datetime(2026, 6, 1, tzinfo=UTC)


def prices(starts: list[datetime], **keys: object) -> Prices:
    """Give prices 1, 2, 3 and so on in Berlin; without steps, unless they are among the keys."""
    points = [PricePoint(start, Decimal(i)) for i, start in enumerate(starts, start=1)]
    tariff = series(**{"step_minutes": None, **keys})
    return prices_of(household("Europe/Berlin", [tariff]), {"Series": points})


def holding(asked: Prices, starts: list[datetime]) -> list[float]:
    """Tell how long each price holds, be it until the next one or until nothing is known [min]."""
    following = [*starts[1:], datetime.max.replace(tzinfo=UTC)]
    held = []
    for start, after in zip(starts, following, strict=True):
        until = asked.known_until(start)
        assert until is not None
        held.append((min(until, after) - start) / MINUTE)
    return held


@pytest.mark.parametrize(
    ("starts", "held"),
    [
        pytest.param([0], [60], id="a single price"),
        pytest.param([0, 90], [90, 90], id="two: no gap to compare with"),
        pytest.param([0, 15, 30], [15, 15, 15], id="quarter hours"),
        pytest.param([0, 60, 180, 240], [60, 60, 60, 60], id="an hour missing"),
        pytest.param([0, 15, 60, 75], [15, 15, 15, 15], id="two quarters missing"),
        pytest.param([0, 60, 75, 90, 105], [15, 15, 15, 15, 15], id="first gap longer: a hole"),
        pytest.param([0, 60, 120, 135, 150], [60, 60, 15, 15, 15], id="hours, then quarters"),
        pytest.param([0, 15, 30, 90, 150], [15, 15, 60, 60, 60], id="quarters, then hours"),
        pytest.param(
            [0, 60, 180, 240, 255, 270, 315, 330],
            [60, 60, 60, 15, 15, 15, 15, 15],
            id="holes in either part",
        ),
        pytest.param(
            [0, 60, 150, 165, 180], [60, 60, 15, 15, 15], id="a hole where the step changes"
        ),
        pytest.param([0, 15, 30, 1470], [15, 15, 15, 15], id="a lone price a day later"),
        pytest.param([0, 1440, 2880], [1440, 1440, 1440], id="one a day"),
        pytest.param([0, 10080, 20160], [1440, 1440, 1440], id="one a week: a day at the most"),
        pytest.param([0, 120, 240, 300], [120, 120, 60, 60], id="gaps alike are no holes"),
    ],
)
def test_a_price_holds_as_long_as_its_neighbours(starts: list[int], held: list[float]) -> None:
    """Until the next start, unless that gap is longer than both beside it; the last as before."""
    instants = [START + minutes * MINUTE for minutes in starts]
    assert holding(prices(instants), instants) == held


def test_a_step_that_is_given_means_what_it_says() -> None:
    """With step_minutes a price holds at most that long, whatever the gaps are."""
    instants = [START, START + HOUR, START + 2 * HOUR]
    assert holding(prices(instants, step_minutes=30), instants) == [30, 30, 30]


def test_the_market_that_went_from_hours_to_quarter_hours() -> None:
    """European day-ahead prices, hourly to 30 September 2025 and by the quarter from 1 October.

    The date is that of the single day-ahead coupling's change of its market time unit, as the
    exchanges announced it (delivery day 1 October 2025). The midnight is that of Berlin.
    """
    change = datetime(2025, 9, 30, 22, tzinfo=UTC)
    hours = [change - DAY + i * HOUR for i in range(24)]
    quarters = [change + i * 15 * MINUTE for i in range(96)]
    asked = prices([*hours, *quarters])
    assert asked.known_until(hours[0]) == change + DAY
    assert holding(asked, [*hours, *quarters]) == [60] * 24 + [15] * 96

    gone = {hours[5], hours[6], quarters[10], quarters[11], quarters[50]}
    left = [start for start in [*hours, *quarters] if start not in gone]
    asked = prices(left)
    assert holding(asked, left) == [60] * 22 + [15] * 93
    whole = asked.spans(hours[0], change + DAY)
    estimated = [(span.start, span.end) for span in whole if span.estimated]
    assert estimated[0] == (hours[5], hours[7])
    assert estimated[-1] == (quarters[50], quarters[51])


def rates(asked: Prices, count: int) -> list[Decimal]:
    return [asked.rate_at(START + i * HOUR).rate for i in range(count)]


@pytest.mark.parametrize(
    ("keys", "expected"),
    [
        ({}, ["1.5", "2.5", "3.5", "4.5"]),
        ({"at_most": Decimal("2.5")}, ["1.5", "2.5", "2.5", "2.5"]),
        ({"at_least": Decimal(3)}, ["3", "3", "3.5", "4.5"]),
        ({"at_least": Decimal(2), "at_most": Decimal(4)}, ["2", "2.5", "3.5", "4"]),
        ({"at_least": Decimal(3), "at_most": Decimal(3)}, ["3", "3", "3", "3"]),
        ({"at_most": Decimal(2), "tax_percent": Decimal(50)}, ["2.25", "3.00", "3.00", "3.00"]),
    ],
)
def test_a_rate_has_bounds_before_tax(keys: dict[str, Decimal], expected: list[str]) -> None:
    """at_least and at_most bound multiply x price + add; the tax comes on top of what is left."""
    instants = [START + i * HOUR for i in range(4)]
    asked = prices(instants, add=Decimal("0.5"), **keys)
    assert rates(asked, 4) == list(map(Decimal, expected))


def test_a_negative_price_can_be_held_at_nothing() -> None:
    """Suppliers that pay nobody for taking energy: at_least 0."""
    asked = prices([START], add=Decimal(-9), at_least=Decimal(0))
    assert asked.rate_at(START).rate == 0


def test_an_estimate_is_the_mean_of_what_would_have_been_paid() -> None:
    """Seven days at 1 to 7, at most 4 each: the eighth is expected at 22 / 7, not at 4."""
    asked = prices([START + i * DAY for i in range(7)], at_most=Decimal(4))
    span = asked.rate_at(START + 7 * DAY)
    assert (span.rate, span.estimated) == (Decimal(22) / 7, True)


def test_spans_of_a_series_without_steps_leave_nothing_out() -> None:
    """Whatever the holes, the spans of a day follow one another."""
    instants = [START + minutes * MINUTE for minutes in (0, 60, 75, 90, 600, 615, 900)]
    spans = prices(instants).spans(START, START + DAY)
    assert (spans[0].start, spans[-1].end) == (START, START + DAY)
    assert all(before.end == after.start for before, after in pairwise(spans))
