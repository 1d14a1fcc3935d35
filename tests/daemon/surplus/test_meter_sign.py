"""A grid meter that is the wrong way round is found by the steps of the charging."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from daemon.surplus.meter_sign import MeterSign, with_step

START = datetime(2026, 6, 3, 1, tzinfo=UTC)


def after(*readings: tuple[float, float], every: float = 30.0) -> MeterSign:
    """Take up readings of the grid and of the charging in a row [W]."""
    sign = MeterSign()
    for place, (grid, own) in enumerate(readings):
        sign = with_step(sign, START + timedelta(seconds=place * every), grid, own)
    return sign


@pytest.mark.parametrize(
    ("readings", "is_reversed"),
    [
        # The home takes 300 W, and charging 2.3 kW, three times on or off.
        ([(300, 0), (2600, 2300), (300, 0), (2600, 2300)], False),
        ([(-300, 0), (-2600, 2300), (-300, 0), (-2600, 2300)], True),
        ([(-300, 0), (-2600, 2300), (-300, 0)], False),  # two steps may be a chance
        ([(-300, 0), (-2600, 2300), (-300, 0), (2000, 2300), (-300, 0), (-2600, 2300)], False),
        ([(-300, 0), (-900, 700), (-300, 0), (-900, 700)], False),  # too small to tell
        ([(-300, 0), (-1000, 2300), (-300, 0), (-1000, 2300)], False),  # less than half is seen
    ],
)
def test_three_steps_the_wrong_way(
    readings: list[tuple[float, float]], *, is_reversed: bool
) -> None:
    """One that is seen the right way makes up for those before."""
    assert after(*readings).is_reversed == is_reversed


def test_readings_far_apart_say_nothing() -> None:
    """In three minutes the sun may have come out."""
    readings = [(-300.0, 0.0), (-2600.0, 2300.0), (-300.0, 0.0), (-2600.0, 2300.0)]
    assert not after(*readings, every=180.0).is_reversed
