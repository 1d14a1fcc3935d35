"""The current that a surplus feeds, reading by reading."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, datetime, timedelta

import pytest

from daemon.surplus.following import (
    FORGOTTEN_AFTER,
    PointLimits,
    SurplusReading,
    followed_amps,
    with_reading,
)

START = datetime(2026, 6, 3, 1, tzinfo=UTC)
SECOND, MINUTE = timedelta(seconds=1), timedelta(minutes=1)
VOLTS = 230.0
LIMITS = PointLimits(6.0, 16.0, VOLTS, 10 * MINUTE, "pause")


def read(*amps: float, every: timedelta = 10 * SECOND) -> tuple[SurplusReading, ...]:
    """Take readings in a row, given by the current that each would feed."""
    readings: tuple[SurplusReading, ...] = ()
    for place, each in enumerate(amps):
        readings = with_reading(readings, SurplusReading(START + place * every, each * VOLTS))
    return readings


def followed(
    readings: tuple[SurplusReading, ...],
    commanded: float,
    lasted: timedelta = 60 * MINUTE,
    limits: PointLimits = LIMITS,
) -> float | None:
    now = readings[-1].at
    return followed_amps(readings, now, commanded, now - lasted if commanded else None, limits)


@pytest.mark.parametrize(
    ("surplus", "commanded", "amps"),
    [
        (9.9, 0.0, 9.0),  # a start takes whole amperes
        (9.9, 8.0, 9.0),  # a step up, with more than half an ampere to spare
        (9.4, 8.0, 8.0),  # too little to spare
        (7.9, 8.0, 7.0),  # down at once
        (40.0, 8.0, 16.0),  # no more than the vehicle takes
        (5.0, 0.0, 0.0),
        (5.0, 8.0, 0.0),  # for minutes below the least current
    ],
)
def test_a_steady_surplus(surplus: float, commanded: float, amps: float) -> None:
    """What five minutes of the same surplus lead to."""
    assert followed(read(*[surplus] * 40), commanded) == amps


def test_a_cloud_does_not_pause_it() -> None:
    """A minute below the least current lowers it to that; five pause it."""
    assert followed(read(*[12.0] * 34, *[2.0] * 6), 12.0) == 6.0
    assert followed(read(*[12.0] * 10, *[2.0] * 30), 6.0) == 0.0


def test_a_gap_in_the_clouds_does_not_start_it() -> None:
    """A minute of sun is too little; minutes of it are not."""
    assert followed(read(*[1.0] * 34, *[9.0] * 6), 0.0) == 0.0
    assert followed(read(*[1.0] * 10, *[9.0] * 30), 0.0) == 9.0


def test_the_shortest_run_is_kept() -> None:
    """A run of eight minutes stays at the least current, where ten are the shortest."""
    dull = read(*[2.0] * 40)
    assert followed(dull, 6.0, 8 * MINUTE) == 6.0
    assert followed(dull, 6.0, 10 * MINUTE) == 0.0


def test_going_on_with_the_grid() -> None:
    """Where the household says so, it never goes below the least current."""
    limits = replace(LIMITS, when_too_little="go_on")
    assert followed(read(*[1.0] * 40), 0.0, limits=limits) == 6.0
    assert followed(read(*[1.0] * 40), 9.0, limits=limits) == 6.0


def test_silence() -> None:
    """What was read before a gap of minutes counts no longer."""
    readings = read(*[9.0] * 10)
    late = readings[-1].at + FORGOTTEN_AFTER + SECOND
    assert followed_amps(readings, late, 9.0, START, LIMITS) is None
    assert followed_amps((), START, 0.0, None, LIMITS) is None
    assert with_reading(readings, SurplusReading(late, 0.0)) == (SurplusReading(late, 0.0),)


def test_readings_out_of_order() -> None:
    """One that is not newer than the last is left out; those too old to count go."""
    readings = read(*[9.0] * 10)
    assert with_reading(readings, SurplusReading(START, 5.0)) == readings
    assert len(read(*[9.0] * 500)) <= 32
