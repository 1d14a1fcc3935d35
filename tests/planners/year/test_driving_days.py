"""The trips of a year, from a distance, a list, or a household's own record."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from config.files.errors import UsageError
from planners.year.driving_days import TripDay, driving_of
from planners.year.trip_draws import draw_trips
from tests.planners.appraised import DAILY, choice, choices_file

AUCKLAND = ZoneInfo("Pacific/Auckland")
ONE = choice("One")
DAY = timedelta(days=1)
RECORD = {"leaves": "07:20", "returns": "18:10", "ledger": {"path": "l.sqlite3", "vehicle": "car"}}


def listed(*trips: dict[str, Any], **keys: object) -> dict[str, Any]:
    return {"leaves": "07:20", "returns": "18:10", "trips": list(trips), **keys}


def local(day: date, clock: str) -> datetime:
    return datetime.fromisoformat(f"{day}T{clock}").replace(tzinfo=AUCKLAND).astimezone(UTC)


def test_a_distance_is_spread_evenly_over_its_days_and_its_clock_is_local() -> None:
    """2027 has 261 working days, through two changes of the clock."""
    days = ["mon", "tue", "wed", "thu", "fri"]
    driving = driving_of(choices_file(ONE, driving=DAILY | {"days": days}))
    assert len(driving.trips) == 261
    assert sum(trip.kwh for trip in driving.trips) == pytest.approx(15000 * 0.165)
    assert len({trip.kwh for trip in driving.trips}) == 1
    for trip in driving.trips:
        assert trip.day.weekday() < 5
        assert trip.leaves == local(trip.day, "07:20")
        assert trip.returns == local(trip.day, "18:10")
    # 1 January 2028 is a Saturday: the next trip is on Monday the 3rd.
    assert driving.next_leaves == local(date(2028, 1, 3), "07:20")


def test_a_leap_year_has_a_trip_more() -> None:
    """2028 has 366 days, one of them 29 February."""
    driving = driving_of(choices_file(ONE, year=2028))
    assert len(driving.trips) == 366
    assert date(2028, 2, 29) in {trip.day for trip in driving.trips}


def test_a_dated_trip_takes_the_place_of_the_weekly_one() -> None:
    """Christmas Eve 2027 is a Friday: its trip is longer, and back at half past eleven."""
    file = choices_file(
        ONE,
        driving=listed(
            {"days": ["fri"], "distance": "50 km"},
            {"date": date(2027, 12, 24), "distance": "100 miles", "returns": "23:30"},
            {"date": date(2027, 6, 1), "distance": "20 km", "leaves": "09:00"},
        ),
    )
    trips = {trip.day: trip for trip in driving_of(file).trips}
    assert len(trips) == 54
    eve, other = trips[date(2027, 12, 24)], trips[date(2027, 6, 1)]
    assert eve.kwh == pytest.approx(160.9344 * 0.165)
    assert (eve.leaves, eve.returns) == (local(eve.day, "07:20"), local(eve.day, "23:30"))
    assert other.leaves == local(other.day, "09:00")
    assert trips[date(2027, 1, 1)].kwh == pytest.approx(50 * 0.165)


def test_a_trip_that_returns_at_or_before_leaving_is_back_on_the_next_day() -> None:
    """Out at ten in the evening, back at six, or a full day later."""
    for returns in ("06:00", "22:00"):
        driving = listed({"days": ["tue"], "distance": "30 km"}, leaves="22:00", returns=returns)
        first = driving_of(choices_file(ONE, driving=driving)).trips[0]
        assert first.day == date(2027, 1, 5)
        assert first.returns == local(first.day + DAY, returns)


def used(first: date, days: int) -> dict[date, int]:
    """Return a different amount for each day, but none for every fifth, like a ledger [Wh]."""
    return {first + n * DAY: 5000 + 10 * n for n in range(days) if n % 5}


def trips_of(record: dict[date, int], year: int = 2027) -> dict[date, TripDay]:
    file = choices_file(ONE, driving=RECORD, year=year)
    return {trip.day: trip for trip in driving_of(file, record).trips}


def test_a_record_is_used_day_by_day_and_stretched_by_its_weekdays() -> None:
    """Days in the record are as they were, 0 included; the others take its like days in turn.

    What was metered reaches the battery at the vehicle's 90 %.
    """
    record = used(date(2027, 3, 1), 60)
    trips = trips_of(record)
    begins, ends = min(record), max(record)
    inside = [begins + n * DAY for n in range((ends - begins).days + 1)]
    for day in inside:
        kwh = trips[day].kwh if day in trips else 0.0
        assert kwh == pytest.approx(0.9 * record.get(day, 0) / 1000)
    for weekday in range(7):
        like = [record.get(day, 0) for day in inside if day.weekday() == weekday]
        days = [date(2027, 1, 1) + n * DAY for n in range(365)]
        outside = [d for d in days if d.weekday() == weekday and not begins <= d <= ends]
        for place, day in enumerate(outside):
            kwh = trips[day].kwh if day in trips else 0.0
            assert kwh == pytest.approx(0.9 * like[place % len(like)] / 1000)
    driving = driving_of(choices_file(ONE, driving=RECORD), record)
    assert driving.recorded_days == len(inside)


def test_a_record_of_another_year_serves_by_weekdays_alone() -> None:
    """None of its dates lies in the year."""
    record = used(date(2026, 3, 2), 70)
    driving = driving_of(choices_file(ONE, driving=RECORD), record)
    assert driving.recorded_days == 0
    assert {round(trip.kwh / 0.9 * 1000) for trip in driving.trips} <= {*record.values()}


@pytest.mark.parametrize(("days", "got"), [(0, 0), (27, 26)])
def test_too_short_a_record_is_refused_and_so_is_none(days: int, got: int) -> None:
    """A record must span four weeks; that of 27 days lacks its first, since it begins with 0."""
    with pytest.raises(UsageError, match=f"at least 28 days, got {got}$"):
        trips_of(used(date(2027, 3, 1), days))


def test_a_record_of_28_days_will_do() -> None:
    """The least there may be."""
    assert trips_of({date(2027, 3, 1): 4000, date(2027, 3, 28): 5000})


def test_a_year_without_a_trip_is_refused() -> None:
    """A record in which nothing was ever used has no trip."""
    with pytest.raises(UsageError, match="at least one trip in 2027, got none"):
        trips_of({date(2027, 3, 1) + n * DAY: 0 for n in range(40)})


def test_draws_are_repeated_by_their_seed_and_scatter_as_they_should() -> None:
    """Factors have mean 1 and the spread as deviation, each within five standard errors.

    The standard error of a sample's deviation is that of its fourth moment, which the sample tells.
    """
    trips = np.array([10.0, 20.0, 5.0, 0.5])
    drawn = draw_trips(trips, 40.0, 20_000, seed=3)
    factors = (drawn / trips).ravel()
    count = len(factors)
    centred = factors - factors.mean()
    fourth = float((centred**4).mean())
    assert abs(factors.mean() - 1) < 5 * 0.4 / count**0.5
    assert abs(factors.var() - 0.16) < 5 * ((fourth - 0.16**2) / count) ** 0.5
    assert factors.min() > 0
    # Log-normal: the logarithm is symmetric about its median, which is that of mean 1.
    assert np.median(np.log(factors)) == pytest.approx(-np.log(1.16) / 2, abs=0.01)
    assert np.array_equal(drawn, draw_trips(trips, 40.0, 20_000, seed=3))
    assert not np.array_equal(drawn, draw_trips(trips, 40.0, 20_000, seed=4))
    assert np.array_equal(draw_trips(trips, 0.0, 2, seed=1), np.vstack((trips, trips)))
