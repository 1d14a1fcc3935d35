"""The settlement grid, against the published counts of half-hours in a day."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from planners.local_time.settlement import half_hours


@pytest.mark.parametrize(
    ("zone", "day", "count"),
    [
        # Half-hour settlement (Elexon): 48 / 46 / 50 periods of local time.
        ("Europe/London", date(2026, 6, 3), 48),
        ("Europe/London", date(2026, 3, 29), 46),
        ("Europe/London", date(2026, 10, 25), 50),
        # IANA 2026f, computed: Lord Howe changes by half an hour, Chatham at 02:45.
        ("Australia/Lord_Howe", date(2026, 4, 5), 49),
        ("Australia/Lord_Howe", date(2026, 10, 4), 47),
        ("Pacific/Chatham", date(2026, 4, 5), 50),
        ("Pacific/Chatham", date(2026, 9, 27), 46),
        ("Pacific/Auckland", date(2026, 9, 27), 46),
    ],
)
def test_a_day_has_as_many_half_hours_as_its_clock_shows(zone: str, day: date, count: int) -> None:
    """Without a hole, each of 30 minutes."""
    grid = list(half_hours(day, day, ZoneInfo(zone)))
    assert len(grid) == count
    assert all(end - start == timedelta(minutes=30) for start, end in grid)
    assert all(earlier[1] == later[0] for earlier, later in pairwise(grid))


def test_published_settlement_periods_of_the_changes_of_the_clock() -> None:
    """Elexon: period 3 of the short day is 02:00 BST; of the long, 5 is 01:00 GMT, 50 23:30."""
    zone = ZoneInfo("Europe/London")
    short = [start for start, _ in half_hours(date(2026, 3, 29), date(2026, 3, 29), zone)]
    assert f"{short[2].astimezone(zone):%H:%M %Z}" == "02:00 BST"
    long = [start for start, _ in half_hours(date(2026, 10, 25), date(2026, 10, 25), zone)]
    assert f"{long[4].astimezone(zone):%H:%M %Z}" == "01:00 GMT"
    assert f"{long[49].astimezone(zone):%H:%M %Z}" == "23:30 GMT"
