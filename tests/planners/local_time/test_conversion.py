"""Local time as arithmetic: both directions agree with `zoneinfo` and PEP 495."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.local_time.conversion import (
    EPOCH,
    MINUTE,
    clock_text,
    date_of,
    day_number,
    instant_of,
    instant_of_local,
    minute_of,
    nearest_minute,
)
from planners.local_time.zone_offsets import offsets_between

ZONES = [
    "Europe/London",
    "Australia/Lord_Howe",
    "Pacific/Chatham",
    "Antarctica/Troll",
    "America/Havana",
    "Asia/Kathmandu",
    "Africa/Casablanca",
    "Asia/Gaza",
]
instants = st.datetimes(datetime(2020, 1, 1), datetime(2034, 1, 1), timezones=st.just(UTC))  # noqa: DTZ001 - hypothesis adds the zone


def local_minute(naive: datetime) -> int:
    return (naive.replace(tzinfo=UTC) - EPOCH) // MINUTE


@given(instants, st.sampled_from(ZONES), st.integers(1, 900))
def test_utc_to_local_agrees_with_zoneinfo(instant: datetime, zone: str, days: int) -> None:
    """At every hour of a stretch of time the clock shows what `zoneinfo` says it shows."""
    first = minute_of(instant)
    last = first + days * 1440
    minutes = np.arange(first, last, 977)
    shown = offsets_between(ZoneInfo(zone), first, last).to_local(minutes)
    expected = [
        local_minute(instant_of(minute).astimezone(ZoneInfo(zone)).replace(tzinfo=None))
        for minute in minutes.tolist()
    ]
    assert shown.tolist() == expected


@given(instants, st.sampled_from(ZONES))
def test_local_to_utc_agrees_with_the_earlier_reading(instant: datetime, zone: str) -> None:
    """Every local minute of two days means what `fold=0` means, skipped and repeated ones too."""
    where = ZoneInfo(zone)
    first = minute_of(instant)
    offsets = offsets_between(where, first - 2880, first + 2880)
    local = local_minute(instant.astimezone(where).replace(tzinfo=None)) + np.arange(-1440, 1440, 7)
    expected = [
        minute_of(instant_of(minute).replace(tzinfo=where, fold=0).astimezone(UTC))
        for minute in local.tolist()
    ]
    assert offsets.to_utc(local).tolist() == expected


@pytest.mark.parametrize("day", [date(2026, 3, 29), date(2026, 10, 25)])
def test_local_to_utc_agrees_on_the_days_of_a_change(day: date) -> None:
    """All 1,440 local minutes of both days of change in London, one by one."""
    where = ZoneInfo("Europe/London")
    first = day_number(day) * 1440
    local = np.arange(first, first + 1440)
    expected = [
        minute_of(instant_of_local(day, time(*divmod(minute, 60)), where)) for minute in range(1440)
    ]
    assert offsets_between(where, first - 600, first + 2000).to_utc(local).tolist() == expected


def test_instants_within_a_minute_belong_to_it() -> None:
    """Minutes are rounded down, before 1970 too."""
    assert minute_of(EPOCH + timedelta(seconds=59.9)) == 0
    assert minute_of(EPOCH - timedelta(seconds=0.1)) == -1


@pytest.mark.parametrize("day", [date(1970, 1, 1), date(2028, 2, 29), date(1969, 12, 31)])
def test_days_are_counted_both_ways(day: date) -> None:
    """The number of a date leads back to it."""
    assert date_of(day_number(day)) == day


def test_a_local_time_is_the_first_of_two() -> None:
    """A time that says it is the second of two is still read as the first: rules, not chance."""
    where = ZoneInfo("Europe/London")
    found = instant_of_local(date(2026, 10, 25), time(1, 30, fold=1), where)
    assert found.isoformat() == "2026-10-25T00:30:00+00:00"


def test_local_times_become_instants_in_one_module() -> None:
    """Nothing but `conversion` puts a date, a local time and a zone together."""
    root = Path(__file__).parents[3]
    floors = ("config", "planners", "adapters", "daemon")
    modules = [path for floor in floors for path in (root / floor).rglob("*.py")]
    combining = [path for path in modules if "datetime.combine(" in path.read_text("utf-8")]
    assert combining == [root / "planners" / "local_time" / "conversion.py"]


@pytest.mark.parametrize(
    ("instant", "shown"),
    [
        ("2026-06-03T17:07:29.9", "2026-06-04T05:07:00+12:00"),
        ("2026-06-03T17:07:58", "2026-06-04T05:08:00+12:00"),
        ("2026-06-03T11:59:45", "2026-06-04T00:00:00+12:00"),  # the next day
        # Clocks go back from 03:00 to 02:00 at 14:00 UTC.
        ("2026-04-04T13:59:40", "2026-04-05T02:00:00+12:00"),
    ],
)
def test_people_are_shown_the_nearest_minute(instant: str, shown: str) -> None:
    at = datetime.fromisoformat(instant).replace(tzinfo=UTC)
    assert nearest_minute(at, ZoneInfo("Pacific/Auckland")).isoformat() == shown


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1)),  # noqa: DTZ001
    st.timedeltas(timedelta(0), timedelta(hours=2)),
)
def test_no_end_is_shown_before_its_start(start: datetime, span: timedelta) -> None:
    """Each is shown within half a minute of itself."""
    begins = start.replace(tzinfo=UTC)
    first, last = nearest_minute(begins, UTC), nearest_minute(begins + span, UTC)
    assert first <= last
    assert abs(first - begins) <= timedelta(seconds=30)


@pytest.mark.parametrize(
    ("instant", "text"),
    [
        ("2026-10-24T23:59:40", "Sun 00:00 (the first time)"),  # rounded up into the hour
        ("2026-10-25T00:30:00", "Sun 00:30 (the first time)"),
        ("2026-10-25T01:30:00", "Sun 00:30 (the second time)"),
        ("2026-10-25T01:59:40", "Sun 01:00"),
        ("2026-03-29T01:00:00", "Sun 01:00"),  # 00:00 to 01:00 is skipped
    ],
)
def test_a_time_that_the_clock_shows_twice_says_which(instant: str, text: str) -> None:
    """On the Azores the hour from midnight on comes twice on 25 October 2026."""
    at = datetime.fromisoformat(instant).replace(tzinfo=UTC)
    assert clock_text(at, ZoneInfo("Atlantic/Azores"), "%a %H:%M") == text
    assert "time" not in clock_text(at, ZoneInfo("Atlantic/Azores"), "%d %b"), "a day is shown once"
