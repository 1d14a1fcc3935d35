"""Times as people write them."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.calendar.words import WEEKDAY_NAMES
from planners.local_time.conversion import instants_of_local, wall_time
from planners.local_time.time_words import (
    DURATION_EXAMPLES,
    EXAMPLES,
    LONGEST,
    ReadTime,
    UnclearTime,
    read_duration,
    read_time,
)

LONDON = ZoneInfo("Europe/London")
SATURDAY_NOON = datetime(2026, 11, 28, 12, tzinfo=UTC)
LEAVES = datetime(2026, 11, 30, 7, 20, tzinfo=UTC)

ZONES = st.sampled_from(
    [
        "Europe/London",
        "Pacific/Auckland",
        "Australia/Lord_Howe",
        "Africa/Casablanca",
        "Asia/Kathmandu",
    ]
).map(ZoneInfo)
INSTANTS = st.datetimes(datetime(2020, 1, 1), datetime(2030, 1, 1)).map(  # noqa: DTZ001
    lambda at: at.replace(second=0, microsecond=0, tzinfo=UTC)
)
TIMES = st.times().map(lambda at: at.replace(second=0, microsecond=0))


def monday(day: date) -> datetime | None:
    """Leave at 07:20 on 30 November 2026 alone."""
    return LEAVES if day == LEAVES.date() else None


def read(text: str, now: datetime = SATURDAY_NOON, zone: ZoneInfo = LONDON) -> ReadTime:
    return read_time(text, now, zone, monday)


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("14:00", "2026-11-28T14:00"),
        ("12:00", "2026-11-29T12:00"),  # that is now; the next one is meant
        ("6:30", "2026-11-29T06:30"),
        ("sat 14:00", "2026-11-28T14:00"),
        ("sat 08:00", "2026-12-05T08:00"),
        ("Saturday  08:00", "2026-12-05T08:00"),
        ("thurs 23:59", "2026-12-03T23:59"),
        ("2026-11-30", "2026-11-30T07:20"),
        ("2026-11-30 18:05", "2026-11-30T18:05"),
        ("2026-11-30T18:05", "2026-11-30T18:05"),
        ("2026-11-30T18:05:00", "2026-11-30T18:05"),
        (" 2026-11-01 00:00 ", "2026-11-01T00:00"),
    ],
)
def test_a_time_in_words(text: str, instant: str) -> None:
    """It is Saturday, 12:00 in London, which is on UTC."""
    assert read(text) == ReadTime(datetime.fromisoformat(instant).replace(tzinfo=UTC))


@pytest.mark.parametrize(
    "text",
    ["", "soon", "25:00", "24:00", "8", "08.00", "foo 08:00", "sat", "sa 08:00", "2026-13-01 08:00",
     "2026-11-00", "30-11-2026", "0000-01-01 08:00", "2026-11-30 08:00:30", "sat 2026-11-30 08:00",
     "14:00 sat", "\u0661\u0664:\u0660\u0660"],
)  # fmt: skip
def test_what_is_no_time_is_answered_with_an_example_of_each_form(text: str) -> None:
    with pytest.raises(UnclearTime) as raised:
        read(text)
    assert str(raised.value) == f"{EXAMPLES}; got {text!r}"


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("2026-11-31", "31 November"),
        ("2026-02-30 08:00", "30 February"),
        ("2026-02-29", "29 February 2026"),
        ("2026-12-45T08:00", "45 December"),
    ],
)
def test_a_day_that_does_not_exist_is_named(text: str, name: str) -> None:
    with pytest.raises(UnclearTime) as raised:
        read(text)
    assert str(raised.value) == f"there is no {name}: {EXAMPLES}; got {text!r}"


def test_the_examples_are_times() -> None:
    """Each example without an offset can be read as it stands."""
    for text in ("14:00", "sat 08:00", "2026-11-30 08:00", "2026-11-30"):
        assert text in EXAMPLES
        read(text)
    for text in ("90min", "1h", "1h30"):
        assert text in DURATION_EXAMPLES
        read_duration(text)


def test_a_date_without_a_departure_asks_for_a_time() -> None:
    with pytest.raises(UnclearTime) as raised:
        read("2026-12-01")
    assert str(raised.value) == (
        "no departure is declared for Tuesday 2026-12-01: add a time, such as '2026-12-01 08:00'"
    )


@pytest.mark.parametrize(
    ("text", "now", "instant", "remark"),
    [
        (
            "01:30", "2026-10-24T12:00", "2026-10-25T00:30",
            ("The clock shows 01:30 on Sunday 2026-10-25 twice: the first one is taken. The other"
            " is 2026-10-25T01:30:00+00:00."),
        ),
        (
            "01:30", "2026-10-25T00:45", "2026-10-25T01:30",  # the first has passed
            ("The clock shows 01:30 on Sunday 2026-10-25 twice: the second one is taken. The other"
            " is 2026-10-25T01:30:00+01:00."),
        ),
        (
            "sun 01:30", "2027-03-27T12:00", "2027-03-28T01:30",
            "The clock never shows 01:30 on Sunday 2027-03-28: 02:30 is taken instead.",
        ),
        (
            "2027-03-28 01:30", "2026-10-25T00:45", "2027-03-28T01:30",
            "The clock never shows 01:30 on Sunday 2027-03-28: 02:30 is taken instead.",
        ),
    ],
)  # fmt: skip
def test_a_time_that_the_clock_shows_twice_or_never_is_resolved_and_said(
    text: str, now: str, instant: str, remark: str
) -> None:
    at, expected = (datetime.fromisoformat(each).replace(tzinfo=UTC) for each in (now, instant))
    assert read(text, at) == ReadTime(expected, remark)


@given(INSTANTS, TIMES, ZONES, st.sampled_from(["", *WEEKDAY_NAMES]))
def test_the_next_time_of_day_is_the_next(
    now: datetime, at: time, zone: ZoneInfo, weekday: str
) -> None:
    """The clock shows it then, unless it never does; and not once between now and then."""
    found = read(f"{weekday} {at:%H:%M}", now, zone)
    assert now < found.instant <= now + timedelta(days=8 if weekday else 2)
    shown = wall_time(found.instant, zone)
    assert not weekday or "never" in found.remark or WEEKDAY_NAMES[shown.weekday()] == weekday
    assert shown.time() == at or "never" in found.remark
    days = ((shown + timedelta(days=back)).date() for back in range(-9, 1))
    days_meant = (day for day in days if not weekday or WEEKDAY_NAMES[day.weekday()] == weekday)
    before = [each for day in days_meant for each in instants_of_local(day, at, zone)]
    assert not [each for each in before if now < each < found.instant]


@given(INSTANTS, INSTANTS, ZONES)
def test_a_local_time_is_read_back(now: datetime, instant: datetime, zone: ZoneInfo) -> None:
    """What the clock shows at an instant stands for it, or for the same time an hour before."""
    shown = wall_time(instant, zone)
    found = read(f"{shown:%Y-%m-%d %H:%M}", now, zone)
    assert wall_time(found.instant, zone) == shown
    assert found.instant == instant or "twice: the first one is taken" in found.remark


@given(st.text(max_size=25), INSTANTS, ZONES)
def test_any_text_is_a_time_or_unclear(text: str, now: datetime, zone: ZoneInfo) -> None:
    """No other error comes out of it."""
    try:
        found = read(text, now, zone)
    except UnclearTime as error:
        assert repr(text) in str(error) or "no departure" in str(error)  # noqa: PT017 - either way
    else:
        assert found.instant.tzinfo is UTC


@given(st.integers(0, 2000), st.integers(0, 5000))
def test_hours_and_minutes_add_up(hours: int, minutes: int) -> None:
    duration = timedelta(hours=hours, minutes=minutes)
    texts = [f"{hours}h{minutes}", f"{hours} h {minutes} min", f"{hours}H{minutes}m"]
    if minutes == 0:
        texts.append(f"{hours}h")
    if hours == 0:
        texts.append(f"{minutes}min")
    for text in texts:
        if timedelta(0) < duration <= LONGEST:
            assert read_duration(text) == duration
        else:
            with pytest.raises(UnclearTime):
                read_duration(text)


@pytest.mark.parametrize("text", ["", "1", "90", "h", "soon", "-1h", "1.5h", "0min", "9999h", "1d"])
def test_what_is_no_duration_is_answered_with_examples(text: str) -> None:
    with pytest.raises(UnclearTime) as raised:
        read_duration(text)
    assert str(raised.value) == f"{DURATION_EXAMPLES}; got {text!r}"
