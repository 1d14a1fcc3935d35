"""Standard time at an instant; `tests/outside/test_standard_time.py` checks every zone."""

from __future__ import annotations

from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.local_time.conversion import instant_of, minute_of
from planners.local_time.standard_time import standard_offsets_between

ZONES = [
    "Europe/London",
    "Europe/Dublin",
    "Africa/Casablanca",
    "America/Vancouver",
    "America/Nuuk",
    "Pacific/Auckland",
    "Australia/Lord_Howe",
    "Asia/Amman",
]
FIRST, LAST = (minute_of(datetime(year, 1, 1, tzinfo=UTC)) for year in (2019, 2032))


def minute(text: str) -> int:
    return minute_of(datetime.fromisoformat(text).replace(tzinfo=UTC))


@pytest.mark.parametrize(
    ("zone", "year", "offset"),
    [
        ("Europe/Dublin", 2026, 0),
        ("Pacific/Auckland", 2026, 720),
        ("Antarctica/Troll", 2026, 0),
        ("Asia/Kathmandu", 2026, 345),
        ("Asia/Pyongyang", 2017, 510),
        ("Asia/Pyongyang", 2019, 540),
    ],
)
def test_standard_time_holds_all_year(zone: str, year: int, offset: int) -> None:
    """On both hemispheres, with and without daylight saving."""
    first = minute(f"{year}-01-01")
    found = standard_offsets_between(ZoneInfo(zone), first, minute(f"{year}-12-31"))
    assert found.starts.tolist() == [first]
    assert found.minutes.tolist() == [offset]


def test_standard_time_changes_when_the_law_changes_it() -> None:
    """Pyongyang's clocks moved at 23:30 on 4 May 2018 (IANA 2026f)."""
    change = minute("2018-05-04T15:00")
    found = standard_offsets_between(ZoneInfo("Asia/Pyongyang"), change - 10, change + 10)
    assert found.to_local(np.array([change - 1, change])).tolist() == [
        change - 1 + 510,
        change + 540,
    ]


@given(st.sampled_from(ZONES), st.integers(FIRST, LAST), st.integers(0, 3 * 366 * 1440))
def test_standard_time_depends_on_the_instant_alone(zone: str, first: int, length: int) -> None:
    """It is the same however long before or after it is looked for."""
    where = ZoneInfo(zone)
    last = first + length
    found = standard_offsets_between(where, first, last)
    at_first, at_last = (standard_offsets_between(where, each, each) for each in (first, last))
    assert found.minutes[0] == at_first.minutes[0]
    assert found.minutes[-1] == at_last.minutes[0]


@given(st.sampled_from(ZONES), st.integers(FIRST, LAST))
def test_the_local_clock_shows_standard_time_within_a_year(zone: str, instant: int) -> None:
    """Standard time is an offset that the zone really has, near that instant."""
    where = ZoneInfo(zone)
    found = int(standard_offsets_between(where, instant, instant).minutes[0])
    year = range(instant - 366 * 1440, instant + 366 * 1440, 5 * 1440)
    offsets = {instant_of(each).astimezone(where).utcoffset() for each in year}
    assert found in {offset.total_seconds() / 60 for offset in offsets if offset is not None}
