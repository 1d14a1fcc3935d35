"""A register that leaps up and comes back down: which readings are dropped."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from planners.accounts.register import RegisterReading
from planners.accounts.register_leaps import without_leaps

START = datetime(2026, 6, 3, 6, 0, tzinfo=UTC)


@pytest.mark.parametrize(
    ("shown_wh", "dropped"),
    [
        ([], []),
        ([0], []),
        ([0, 6_000], []),
        ([0, 100, 200], []),
        ([0, 6_000, 120, 180], [6_000]),
        ([0, 100, 6_000, 100], [6_000]),  # back to where it was
        ([0, 6_000, 120, 6_060, 240], [6_000, 6_060]),  # the two passes of an hour
        ([0, 100, 50, 200], []),  # possible in a minute: the last digit slipped
        ([0, 6_000, 6_000, 6_100], []),  # a jump that stays
        ([1_000, 6_000, 10, 110], []),  # a meter that began again
        ([500, 500, 400], []),
    ],
)
def test_a_leap_that_comes_back_is_dropped(shown_wh: list[int], dropped: list[int]) -> None:
    """In a minute 7.36 kW deliver 135 Wh: what rises by more, and falls back, was not shown."""
    readings = [
        RegisterReading(START + timedelta(minutes=minute), wh) for minute, wh in enumerate(shown_wh)
    ]
    kept = without_leaps(readings, 7.36)
    assert kept == tuple(each for each in readings if each.register_wh not in dropped)
