"""Mean powers of whole intervals, from readings as a meter sends them."""

from __future__ import annotations

from datetime import timedelta

import pytest

from planners.home.interval_means import (
    QUARTER,
    IntervalInProgress,
    IntervalMeans,
    with_power,
)
from tests.planners.planned import utc

START = utc("2026-06-03T07:00:00")
MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)


def ended(*readings: tuple[timedelta, float]) -> list[IntervalMeans]:
    """Take up readings, each some time after the start of a quarter-hour."""
    quarter: IntervalInProgress | None = None
    found = []
    for after, watts in readings:
        quarter, done = with_power(quarter, (watts,), START + after)
        found += [] if done is None else [done]
    return found


def test_a_mean_is_weighted_by_time() -> None:
    """By hand: 10 min of 3 kW and 5 of 6 kW have a mean of 4 kW."""
    readings = [(n * 10 * SECOND, 3000.0 if n < 60 else 6000.0) for n in range(91)]
    (found,) = ended(*readings)
    assert found.start == START
    assert found.watts == pytest.approx((4000.0,))


def test_a_reading_counts_across_the_end_of_a_quarter_hour() -> None:
    """Sent at 30 s past each minute: the last 30 s have the reading before them."""
    readings = [(n * MINUTE + 30 * SECOND, 1000.0 if n < 15 else 5000.0) for n in range(-1, 31)]
    first, second = ended(*readings)[-2:]
    assert first.watts == pytest.approx((1000.0,))
    # 30 s at 1 kW, then 14.5 min at 5 kW: 4866.7 W by hand.
    assert second.start == START + QUARTER
    assert second.watts == pytest.approx((4866.7,), abs=0.1)


@pytest.mark.parametrize(("silence", "is_stored"), [(3, True), (5, False)])
def test_too_long_a_silence_leaves_a_quarter_hour_out(silence: int, *, is_stored: bool) -> None:
    """Less than 12 of its 15 minutes were read; a reading counts one minute."""
    minutes = [n for n in range(16) if not 5 <= n < 5 + silence]
    found = ended(*((n * MINUTE, 1000.0) for n in minutes))
    assert len(found) == is_stored


def test_readings_that_go_back_are_left_out() -> None:
    """The wall clock was set back."""
    readings = [(n * MINUTE, 1000.0) for n in range(15)]
    (found,) = ended(*readings, (5 * MINUTE, 9000.0), (15 * MINUTE, 1000.0))
    assert found.watts == pytest.approx((1000.0,))


def test_powers_are_averaged_side_by_side() -> None:
    """Three minutes of import, two of export, in an interval of 5 minutes."""
    interval, found = None, None
    for minute in range(6):
        watts = (2000.0, 0.0) if minute < 3 else (0.0, 1500.0)
        at = START + minute * MINUTE
        interval, found = with_power(interval, watts, at, 5 * MINUTE)
    assert found is not None
    assert found.watts == pytest.approx((1200.0, 600.0))
