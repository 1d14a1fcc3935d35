"""Departures, nights and hours taken as plugged in."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.calendar.account_days import AccountChange, AccountDays
from planners.local_time.departures import (
    DepartureAt,
    assumed_plugged_in,
    departures_between,
    night_bounds,
    night_of,
    with_account_day,
)
from planners.local_time.wished_departures import next_departure
from tests.planners.households import household

WORKDAYS = ["mon", "tue", "wed", "thu", "fri"]
AUCKLAND = ZoneInfo("Pacific/Auckland")
NOONS = AccountDays(AUCKLAND)
ALWAYS = AccountChange(date.min, "midnight")
TO_MIDNIGHT = AccountChange(date(2026, 6, 10), "midnight")
TO_NOON = AccountChange(date(2026, 6, 10), "noon")
DAY = timedelta(days=1)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


def row(at: str = "07:20", need_percent: float = 60.0, **keys: object) -> dict[str, Any]:
    return {"vehicle": "hatchback", "at": at, "need_percent": need_percent, **keys}


def weekly(**keys: object) -> dict[str, Any]:
    return row() | {"days": WORKDAYS, **keys}


def test_the_next_departure_is_an_instant_with_its_margin() -> None:
    """Thursday 07:20 in Auckland's winter is Wednesday 19:20 UTC, ready a quarter hour before."""
    file = household(departures=[weekly(want_percent=80.0, max_rate=Decimal("0.20"))])
    assert next_departure(file, "hatchback", utc("2026-06-03T06:30")) == DepartureAt(
        vehicle="hatchback",
        instant=utc("2026-06-03T19:20"),
        ready_by=utc("2026-06-03T19:05"),
        need_percent=60.0,
        want_percent=80.0,
        max_rate=Decimal("0.20"),
    )


def test_a_departure_at_this_very_instant_has_left() -> None:
    """The one after it is the next."""
    file = household(departures=[weekly()])
    found = next_departure(file, "hatchback", utc("2026-06-03T19:20"))
    assert found is not None
    assert found.instant == utc("2026-06-04T19:20")


def test_a_departure_within_its_margin_is_still_the_next() -> None:
    """Between the time to be ready and the departure itself, the vehicle has not left."""
    file = household(departures=[weekly()])
    found = next_departure(file, "hatchback", utc("2026-06-03T19:19:59"))
    assert found is not None
    assert found.instant == utc("2026-06-03T19:20")


def test_days_without_a_row_are_passed_over() -> None:
    """After Friday's departure the next one is on Monday."""
    file = household(departures=[weekly()])
    found = next_departure(file, "hatchback", utc("2026-06-05T12:00"))
    assert found is not None
    assert found.instant == utc("2026-06-07T19:20")


def test_a_single_trip_replaces_the_row_of_its_day() -> None:
    """On 24 December the trip at 05:30 stands in for 07:20, and no other day changes."""
    trip = row("05:30", 100.0, date=date(2026, 12, 24), margin_minutes=30)
    file = household(departures=[weekly(), trip])
    found = departures_between(file, "hatchback", utc("2026-12-22T12:00"), utc("2026-12-25T12:00"))
    assert [(each.instant, each.need_percent) for each in found] == [
        (utc("2026-12-22T18:20"), 60.0),
        (utc("2026-12-23T16:30"), 100.0),
        (utc("2026-12-24T18:20"), 60.0),
    ]
    assert found[1].ready_by == utc("2026-12-23T16:00")


@pytest.mark.parametrize(("max_rate", "wants"), [(None, [60.0, 100.0]), ("0.20", [80.0, 100.0])])
def test_what_is_wanted_where_the_file_does_not_say(
    max_rate: str | None, wants: list[float]
) -> None:
    """The need; with a highest rate the everyday limit, 80 %, if that is more."""
    limit = {} if max_rate is None else {"max_rate": Decimal(max_rate)}
    trip = row("05:30", 100.0, date=date(2026, 6, 5), **limit)
    file = household(departures=[weekly(**limit), trip])
    found = departures_between(file, "hatchback", utc("2026-06-03T12:00"), utc("2026-06-05T12:00"))
    assert [each.want_percent for each in found] == wants


def test_each_vehicle_has_its_own_departures() -> None:
    """The hatchback's rows say nothing of the van."""
    file = household(departures=[weekly()])
    assert next_departure(file, "van", utc("2026-06-03T06:30")) is None


def test_departures_are_listed_from_the_start_until_before_the_end() -> None:
    """Half-open, like every stretch of time: neighbours neither repeat nor lose a departure."""
    file = household(departures=[weekly()])
    start, end = utc("2026-06-03T19:20"), utc("2026-06-04T19:20")
    found = departures_between(file, "hatchback", start, end)
    assert [each.instant for each in found] == [start]
    assert departures_between(file, "hatchback", end, end) == ()
    assert departures_between(file, "hatchback", end, start) == ()


@pytest.mark.parametrize(("days", "found"), [(370, True), (371, False)])
def test_a_departure_is_looked_for_a_little_more_than_a_year_ahead(
    days: int, *, found: bool
) -> None:
    """370 days: a trip beyond that is not the next departure yet."""
    after = utc("2026-06-03T12:00")
    file = household("UTC", departures=[row("12:00", date=(after + days * DAY).date())])
    assert (next_departure(file, "hatchback", after) is not None) is found


@pytest.mark.parametrize(
    ("day", "instant"),
    [
        (date(2026, 9, 27), "2026-09-26T14:30"),  # 02:30 is skipped: the offset before the gap
        (date(2026, 4, 5), "2026-04-04T13:30"),  # 02:30 comes twice: the first
    ],
)
def test_a_departure_in_the_hour_of_a_clock_change(day: date, instant: str) -> None:
    """RFC 5545, section 3.3.5, on both nights of 2026 in Auckland."""
    file = household(departures=[row("02:30", date=day)])
    found = next_departure(file, "hatchback", utc("2026-04-01T00:00"))
    assert found is not None
    assert found.instant == utc(instant)


def test_a_departure_in_a_skipped_hour_is_found_from_the_next_date() -> None:
    """Nuuk skips 23:00 to midnight on 28 March 2026: 23:30 is 01:30 UTC, 00:30 on the 29th."""
    file = household("America/Nuuk", departures=[row("23:30", date=date(2026, 3, 28))])
    found = departures_between(file, "hatchback", utc("2026-03-29T01:15"), utc("2026-03-29T02:00"))
    assert [each.instant for each in found] == [utc("2026-03-29T01:30")]


@given(
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC)),  # noqa: DTZ001 - hypothesis adds the zone
    st.sampled_from(["Pacific/Auckland", "Australia/Lord_Howe", "America/Havana", "UTC"]),
)
def test_the_next_departure_is_the_first_of_the_list(after: datetime, zone: str) -> None:
    """Asking one by one and asking for a stretch of time give the same departures."""
    file = household(zone, departures=[weekly(), row("00:10", days=["sun"])])
    listed = departures_between(file, "hatchback", after, after + 7 * DAY)
    one_by_one: list[DepartureAt] = []
    instant = after - datetime.resolution
    while (found := next_departure(file, "hatchback", instant)) and found.instant < after + 7 * DAY:
        one_by_one.append(found)
        instant = found.instant
    assert tuple(one_by_one) == listed
    assert 5 <= len(listed) <= 7


def test_the_next_departure_does_not_hang_on_what_was_asked_before() -> None:
    """The clock may be put back: each instant has its own next departure, in any order."""
    rows = [weekly(), row("00:10", days=["sun"])]
    instants = [utc("2026-06-01T00:00") + hours * timedelta(hours=7) for hours in range(40)]
    alone = [next_departure(household(departures=rows), "hatchback", each) for each in instants]
    assert len({each and each.instant for each in alone}) > 5
    file = household(departures=rows)
    for order in (instants, instants[::-1], instants[::3] + instants[1::2]):
        found = {each: next_departure(file, "hatchback", each) for each in order}
        assert found == {each: alone[instants.index(each)] for each in order}


@pytest.mark.parametrize(
    ("instant", "night"),
    [
        ("2026-06-03T00:00", date(2026, 6, 3)),
        ("2026-06-02T23:59:59.999999", date(2026, 6, 2)),
        ("2026-06-03T19:20", date(2026, 6, 3)),
        ("2026-06-03T12:00", date(2026, 6, 3)),
    ],
)
def test_a_night_runs_from_noon_to_noon(instant: str, night: date) -> None:
    """Noon in Auckland in June is midnight UTC; the night is named by the date it begins on."""
    assert night_of(utc(instant), NOONS) == night


def test_a_naive_time_has_no_night() -> None:
    """A time without an offset is not taken for the machine's local time."""
    with pytest.raises(ValueError, match="2026-06-03T12:00:00 is no instant"):
        night_of(utc("2026-06-03T12:00").replace(tzinfo=None), NOONS)


@pytest.mark.parametrize(
    ("night", "hours"), [(date(2026, 4, 4), 25), (date(2026, 9, 26), 23), (date(2026, 6, 3), 24)]
)
def test_a_night_of_a_clock_change_is_longer_or_shorter(night: date, hours: int) -> None:
    """From noon to noon there are 25 hours when the clocks go back, 23 when they go forward."""
    start, end = night_bounds(night, NOONS)
    assert end - start == timedelta(hours=hours)


@given(
    st.datetimes(datetime(2020, 1, 1), datetime(2034, 1, 1), timezones=st.just(UTC)),  # noqa: DTZ001 - hypothesis adds the zone
    st.sampled_from(["Pacific/Auckland", "Pacific/Chatham", "Antarctica/Troll", "UTC"]),
)
def test_every_instant_lies_in_its_own_night(instant: datetime, zone: str) -> None:
    """Nights cover all of time without overlap."""
    for changes in ((), (ALWAYS,), (TO_MIDNIGHT,), (ALWAYS, TO_NOON)):
        days = AccountDays(ZoneInfo(zone), changes)
        start, end = night_bounds(night_of(instant, days), days)
        assert start <= instant < end


@pytest.mark.parametrize(
    ("changes", "night", "begins", "hours"),
    [
        ((ALWAYS,), date(2026, 6, 3), "2026-06-02T12:00", 24),
        ((ALWAYS,), date(2026, 4, 5), "2026-04-04T11:00", 25),
        ((TO_MIDNIGHT,), date(2026, 6, 9), "2026-06-09T00:00", 24),
        ((TO_MIDNIGHT,), date(2026, 6, 10), "2026-06-10T00:00", 12),
        ((TO_MIDNIGHT,), date(2026, 6, 11), "2026-06-10T12:00", 24),
        ((ALWAYS, TO_NOON), date(2026, 6, 9), "2026-06-08T12:00", 24),
        ((ALWAYS, TO_NOON), date(2026, 6, 10), "2026-06-09T12:00", 36),
        ((ALWAYS, TO_NOON), date(2026, 6, 11), "2026-06-11T00:00", 24),
    ],
)
def test_a_change_of_the_account_makes_one_longer_or_shorter_day(
    changes: tuple[AccountChange, ...], night: date, begins: str, hours: int
) -> None:
    """Each day begins where the one before it ends: at noon or at midnight by the home's clock."""
    start, end = night_bounds(night, AccountDays(AUCKLAND, changes))
    assert (start, end - start) == (utc(begins), timedelta(hours=hours))


def test_the_day_in_progress_ends_as_it_was_to_end() -> None:
    """A change counts from the next day on; one that is taken back in time leaves nothing."""
    morning = utc("2026-06-09T20:00")  # 10 June, 08:00, in the night of the 9th
    days = with_account_day(NOONS, "midnight", morning)
    assert days == AccountDays(AUCKLAND, (TO_MIDNIGHT,))
    assert with_account_day(days, "midnight", morning) == days
    assert with_account_day(days, "noon", morning) == NOONS
    in_june = utc("2026-06-20T00:00")
    back = with_account_day(days, "noon", in_june).changes
    assert back == (TO_MIDNIGHT, AccountChange(date(2026, 6, 21), "noon"))


@pytest.mark.parametrize(
    ("local", "plugged"),
    [
        ("18:29", False),
        ("18:30", True),
        ("23:59", True),
        ("00:00", True),
        ("07:29", True),
        ("07:30", False),
    ],
)
def test_hours_taken_as_plugged_in_run_past_midnight(local: str, *, plugged: bool) -> None:
    """18:30-07:30 holds from the first minute until before the last."""
    point = household(plugged_in="18:30-07:30").charge_points["driveway"]
    instant = datetime.fromisoformat(f"2026-06-03T{local}:45").replace(tzinfo=AUCKLAND)
    assert assumed_plugged_in(point, instant.astimezone(UTC), AUCKLAND) is plugged


def test_without_hours_nothing_is_taken_as_plugged_in() -> None:
    """A charge point that declares no hours is asked, not guessed."""
    point = household().charge_points["driveway"]
    assert assumed_plugged_in(point, utc("2026-06-03T12:00"), AUCKLAND) is False
