"""Returns, energy of trips, and which departures can be planned together."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.local_time.wished_departures import (
    Wish,
    coming_departures,
    departures_to_plan,
    next_departure,
    ready_by_of,
)
from tests.planners.households import household
from tests.planners.planned import EVERY_DAY, DemoHousehold, minutes, utc

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile

CAR = "hatchback"
DAY = timedelta(days=1)


def row(at: str = "07:20", **keys: object) -> dict[str, Any]:
    days = {} if "date" in keys else {"days": EVERY_DAY}
    return {"vehicle": CAR, "at": at, "need_percent": 60.0, **days, **keys}


def returned(file: HouseholdFile, after: str) -> datetime | None:
    departure = next_departure(file, CAR, utc(after))
    assert departure is not None
    return departure.returns


@pytest.mark.parametrize(
    ("at", "returns", "instant"),
    [
        ("07:20", "18:10", "2026-06-03T18:10"),
        ("07:20", "07:21", "2026-06-03T07:21"),
        ("07:20", "07:20", "2026-06-04T07:20"),
        ("19:00", "02:30", "2026-06-04T02:30"),
        ("07:20", "00:00", "2026-06-04T00:00"),
    ],
)
def test_a_return_is_the_next_time_the_clock_shows_it(at: str, returns: str, instant: str) -> None:
    """After the departure on the same local day, at or before it on the next."""
    file = household("UTC", departures=[row(at, returns=returns)])
    assert returned(file, "2026-06-03T05:00") == utc(instant)


@pytest.mark.parametrize(
    ("day", "at", "returns", "instant"),
    [
        (date(2026, 9, 26), "20:00", "02:30", "2026-09-26T14:30"),  # 02:30 is skipped
        (date(2026, 4, 4), "20:00", "02:30", "2026-04-04T13:30"),  # 02:30 comes twice
        (date(2026, 9, 26), "07:20", "18:10", "2026-09-26T06:10"),  # still winter time, UTC+12
        (date(2026, 9, 27), "07:20", "18:10", "2026-09-27T05:10"),  # summer time, UTC+13
    ],
)
def test_a_return_on_the_day_of_a_clock_change(
    day: date, at: str, returns: str, instant: str
) -> None:
    """RFC 5545, section 3.3.5, for returns as for departures; Auckland in 2026."""
    file = household(departures=[row(at, date=day, returns=returns)])
    assert returned(file, "2026-04-01T00:00") == utc(instant)


def test_nobody_is_back_before_leaving() -> None:
    """02:30 is skipped and means 03:30 in Auckland, so 03:10 is past already on that day."""
    file = household(departures=[row("02:30", date=date(2026, 9, 27), returns="03:10")])
    departure = next_departure(file, CAR, utc("2026-09-26T00:00"))
    assert departure is not None
    assert departure.returns == departure.instant == utc("2026-09-26T14:30")


@pytest.mark.parametrize(
    ("at", "instant"),
    [
        ("07:20", "2026-06-03T18:30"),
        ("18:29", "2026-06-03T18:30"),
        ("18:30", "2026-06-04T18:30"),
        ("22:00", "2026-06-04T18:30"),
    ],
)
def test_plugged_in_hours_tell_the_return(at: str, instant: str) -> None:
    """If a row has no return, the vehicle is back when plugged_in hours next begin."""
    file = household("UTC", departures=[row(at)], plugged_in="18:30-07:30")
    assert returned(file, "2026-06-03T05:00") == utc(instant)


def test_a_rows_own_return_comes_first() -> None:
    """A row that gives its return is not overruled by the plugged_in hours."""
    file = household("UTC", departures=[row(returns="16:00")], plugged_in="18:30-07:30")
    assert returned(file, "2026-06-03T05:00") == utc("2026-06-03T16:00")


def test_a_return_that_nothing_tells_is_not_known() -> None:
    """Without `returns` and `plugged_in`, the return is unknown."""
    assert returned(household("UTC", departures=[row()]), "2026-06-03T05:00") is None


@pytest.mark.parametrize(
    ("car", "trip", "used"),
    [
        ({}, {"uses_kwh": 11.0}, 11.0),
        ({"km_per_kwh": 5.0}, {"uses_km": 60.0}, 12.0),
        ({"km_per_kwh": 5.0, "daily_distance_km": 45.0}, {"uses_km": 60.0}, 12.0),
        ({"km_per_kwh": 5.0, "daily_distance_km": 45.0}, {"uses_kwh": 0.0}, 0.0),
        ({"km_per_kwh": 5.0, "daily_distance_km": 45.0}, {}, 9.0),
        ({"km_per_kwh": 5.0}, {}, None),
        ({}, {}, None),
    ],
)
def test_what_a_trip_uses(car: dict[str, Any], trip: dict[str, Any], used: float | None) -> None:
    """Energy as given, or by the distance, or by the day's distance, or not known [kWh]."""
    departure = next_departure(
        DemoHousehold(car=car, leaves=trip).file(), CAR, utc("2026-06-03T05:00")
    )
    assert departure is not None
    assert departure.uses_kwh == (None if used is None else pytest.approx(used))


WORKING = row(returns="18:10", uses_kwh=8.0)


def ready(file: HouseholdFile, now: str, until: str) -> list[str]:
    """List the times to be ready by, as day and time of day, UTC."""
    return [
        f"{each.ready_by:%d %H:%M}" for each in departures_to_plan(file, CAR, utc(now), utc(until))
    ]


def test_departures_are_followed_until_the_horizon() -> None:
    """Those to be ready by the last instant, and not the one a microsecond later."""
    file = household("UTC", departures=[WORKING])
    assert ready(file, "2026-06-03T18:30", "2026-06-06T07:05") == [
        "04 07:05",
        "05 07:05",
        "06 07:05",
    ]
    assert ready(file, "2026-06-03T18:30", "2026-06-06T07:04:59.999999") == ["04 07:05", "05 07:05"]


def test_the_margin_decides_what_is_within_the_horizon() -> None:
    """A departure after the horizon counts where its charge is to be done before."""
    early = row(date=date(2026, 6, 5), margin_minutes=600, returns="18:10", uses_kwh=8.0)
    file = household("UTC", departures=[WORKING, early])
    assert ready(file, "2026-06-03T18:30", "2026-06-04T22:00") == ["04 07:05", "04 21:20"]


def test_the_next_departure_is_there_however_far_off() -> None:
    """It is planned for whatever the horizon, within the 370 days of `next_departure`."""
    file = household("UTC", departures=[row(date=date(2026, 12, 24))])
    assert ready(file, "2026-06-03T18:30", "2026-06-04T00:00") == ["24 07:05"]
    assert departures_to_plan(file, CAR, utc("2026-12-24T07:20"), utc("2027-12-24T00:00")) == ()
    assert departures_to_plan(file, "van", utc("2026-06-03T18:30"), utc("2026-06-10T00:00")) == ()


@pytest.mark.parametrize("known", [{"returns": "18:10"}, {"uses_kwh": 8.0}, {}])
def test_a_trip_that_is_not_known_ends_the_chain(known: dict[str, Any]) -> None:
    """Thursday's trip has no return or no energy, so nothing past it is planned."""
    trip = row(date=date(2026, 6, 4), **known)
    file = household("UTC", departures=[WORKING, trip])
    assert ready(file, "2026-06-02T18:30", "2026-06-10T00:00") == ["03 07:05", "04 07:05"]


@pytest.mark.parametrize(
    ("returns", "days"),
    [("07:04", ["04 07:05", "05 07:05", "06 07:05"]), ("07:05", ["04 07:05"])],
)
def test_a_return_too_late_for_the_next_departure_ends_the_chain(
    returns: str, days: list[str]
) -> None:
    """A day's trip that is back at or after the time to be ready leaves no time to charge."""
    trip = row(date=date(2026, 6, 4), returns=returns, uses_kwh=8.0)
    file = household("UTC", departures=[WORKING, trip])
    assert ready(file, "2026-06-03T18:30", "2026-06-06T12:00") == days


@pytest.mark.parametrize("known", [{"uses_kwh": 8.0}, {}])
def test_wishes_within_a_trip_begin_it_later(known: dict[str, Any]) -> None:
    """The vehicle stays until the last of them, which is back as the trip is, if that is known."""
    file = household("UTC", departures=[row(returns="18:10", **known)])
    wishes = [Wish(str(hour), CAR, utc(f"2026-06-04T{hour}:30"), 90.0) for hour in (12, 10, 20)]
    found = departures_to_plan(
        file, CAR, utc("2026-06-03T18:30"), utc("2026-06-05T12:00"), wishes[:2]
    )
    back = utc("2026-06-04T18:10")
    told = [(f"{each.instant:%d %H:%M}", each.returns, each.uses_kwh) for each in found]
    margins = [(each.instant - each.ready_by) / minutes(1) for each in found]
    assert margins[:3] == [0, 0, 15], "it has a margin before it leaves, and none while it stays"
    assert told[:3] == [
        ("04 07:20", None, None),
        ("04 10:30", None, None),
        ("04 12:30", back, known.get("uses_kwh")),
    ]
    assert len(told) == (4 if known else 3)
    alone = departures_to_plan(
        file, CAR, utc("2026-06-03T18:30"), utc("2026-06-05T12:00"), wishes[2:]
    )
    assert alone[0].returns == back  # at 20:30 it is back


def test_a_wish_has_the_margin_of_its_departure_or_the_usual_one() -> None:
    """A departure that it moves keeps the margin of the file; one that it adds has 15 minutes."""
    file = household("UTC", departures=[row(margin_minutes=40)])
    for by, margin in (("07:20", 40), ("07:45", 40), ("06:30", 40), ("05:00", 15), ("12:00", 15)):
        wish = Wish("1", CAR, utc(f"2026-06-04T{by}"), 90.0)
        until = wish.by + minutes(1)
        (found,) = coming_departures(file, CAR, wish.by, until, [wish])
        assert found.ready_by == wish.by - minutes(margin)
        assert ready_by_of(file, CAR, wish.by) == found.ready_by


def test_a_departure_within_its_margin_is_the_first() -> None:
    """It has not left, though its time to be ready has passed."""
    file = household("UTC", departures=[WORKING])
    assert ready(file, "2026-06-04T07:10", "2026-06-05T12:00") == ["04 07:05", "05 07:05"]


clock = st.times().map(lambda time: f"{time:%H:%M}")
trips = st.fixed_dictionaries(
    {"at": clock},
    optional={
        "returns": clock,
        "uses_kwh": st.floats(0, 30),
        "margin_minutes": st.integers(0, 1440),
    },
)


@given(
    st.lists(trips, min_size=7, max_size=7),
    st.datetimes(datetime(2026, 1, 1), datetime(2027, 12, 31), timezones=st.just(UTC)),  # noqa: DTZ001 - hypothesis adds the zone
    st.sampled_from(["Pacific/Auckland", "Australia/Lord_Howe", "America/Havana", "UTC"]),
    st.integers(0, 10_000),
    st.sampled_from([None, "18:30-07:30"]),
)
def test_a_chain_can_be_followed(
    week: list[dict[str, Any]], now: datetime, zone: str, horizon: int, plugged_in: str | None
) -> None:
    """Each departure's vehicle is back before the next is to be ready, with a known charge."""
    rows = [row(**trip) | {"days": [day]} for trip, day in zip(week, EVERY_DAY, strict=True)]
    file = household(zone, departures=rows, plugged_in=plugged_in)
    until = now + minutes(horizon)
    chain = departures_to_plan(file, CAR, now, until)
    assert chain[0] == next_departure(file, CAR, now)
    for before, after in pairwise(chain):
        assert before.uses_kwh is not None
        assert before.returns is not None
        assert before.instant <= before.returns < after.ready_by <= until
        assert after == next_departure(file, CAR, before.instant)
