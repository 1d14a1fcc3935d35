"""What a home is expected to draw, learned from the highest load of past hours."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest

from planners.home.allotments import shares_by_plan
from planners.home.learned_load import (
    COVERED_MINUTES,
    LEAST_WEEKS,
    WEEKS,
    HourInProgress,
    learned_load,
    with_reading,
)
from planners.local_time.conversion import minute_of
from planners.power.home_load import home_load
from planners.power.live_load import LoadHour
from tests.daemon.worlds import kowhai

AUCKLAND = ZoneInfo("Pacific/Auckland")
HOUR = timedelta(hours=1)
WEEK = timedelta(weeks=1)
MONDAY = datetime(2026, 8, 3, 6, tzinfo=UTC)
"""18:00 in Auckland, on a Monday long after the clock has changed."""
ONE = {"L1": 63.0}


def weeks(*amps: float, until: datetime = MONDAY) -> list[LoadHour]:
    """List the same hour of consecutive weeks, the last a week before an instant."""
    return [
        LoadHour(until - number * WEEK, (each,))
        for number, each in zip(range(len(amps), 0, -1), amps, strict=True)
    ]


def expected(hours: list[LoadHour], fuses: dict[str, float] | None = None) -> list[float]:
    return [each.amps for each in learned_load(hours, MONDAY, AUCKLAND, fuses or ONE)]


@pytest.mark.parametrize(
    ("amps", "found"),
    [
        ((), []),
        ((20.0,) * (LEAST_WEEKS - 1), []),
        ((4.0, 3.2, 2.0, 1.0), [4.0]),
        ((1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0, 9.0, 50.0), [9.0]),
        ((5.0, 5.0, 5.0, 5.1), [6.0]),
        ((0.0, 0.0, 0.0, 0.0), []),
        ((70.0, 70.0, 70.0, 70.0), [63.0]),
    ],
    ids=["none", "too few weeks", "the highest of few", "9 of 10", "whole", "nothing", "the fuse"],
)
def test_nine_of_ten_hours_do_not_draw_more(amps: tuple[float, ...], found: list[float]) -> None:
    """By hand: of ten sorted values the ninth; of fewer than ten the highest, rounded up."""
    assert expected(weeks(*amps)) == found


def test_older_weeks_and_other_supplies_do_not_count() -> None:
    """Weeks before the last twelve, and rows with another number of phases, are left out."""
    old = weeks(50.0, 50.0, 50.0, 50.0, until=MONDAY - WEEKS * WEEK)
    assert expected(old) == []
    assert expected([*old, *weeks(7.0, 7.0, 7.0, 7.0)]) == [7.0]
    assert expected(weeks(7.0, 7.0, 7.0, 7.0), {"L1": 40.0, "L2": 40.0}) == []


def test_hours_are_those_of_the_local_clock() -> None:
    """Across the change of 5 April 2026, 18:00 stays the same hour of the week."""
    autumn = datetime(2026, 4, 20, 6, tzinfo=UTC)  # 18:00 NZST; before 5 April it was 05:00 UTC
    changed = 2 * WEEK
    ago = (WEEK, 2 * WEEK, 3 * WEEK, 4 * WEEK)
    starts = (autumn - each - (each > changed) * HOUR for each in ago)
    hours = [LoadHour(start, (9.0,)) for start in starts]
    [item] = learned_load(hours, autumn, AUCKLAND, ONE)
    assert ([str(each) for each in item.hours], item.days) == (["18:00-19:00"], ("mon",))


def test_what_is_learned_is_the_known_load_of_each_hour() -> None:
    """A whole week on three phases: each hour of each phase has the load that was seen."""
    fuses = {"L1": 40.0, "L2": 40.0, "L3": 40.0}
    hours = [
        LoadHour(MONDAY - week * WEEK + number * HOUR, _load(number))
        for week in range(1, LEAST_WEEKS + 1)
        for number in range(168)
    ]
    learned = learned_load(hours, MONDAY, AUCKLAND, fuses)
    file = kowhai().file
    home = file.household.model_copy(
        update={"known_load": learned, "main_fuse_amps": tuple(fuses.values())}
    )
    file = file.model_copy(update={"household": home})
    first = minute_of(MONDAY)
    for place, phase in enumerate(fuses):
        found = home_load(file, first, first + 168 * 60, phase)[30::60]
        assert found.tolist() == [_load(number)[place] for number in range(168)]
    # The highest load is 11 A: 32 A fit beside it at any time, whatever all the hours add up to.
    assert not shares_by_plan(file)


def _load(number: int) -> tuple[float, float, float]:
    return float(number % 24 // 6), 5.0 if number > 100 else 0.0, float(number % 12)


def read(*readings: tuple[float, float], fuse: float = 40.0) -> list[LoadHour]:
    """Take up readings at minutes after the hour; list the hours that ended."""
    hour, found = None, []
    for minute, amps in readings:
        now = MONDAY + timedelta(minutes=minute)
        hour, ended = with_reading(hour, (amps,), now, AUCKLAND, (fuse,))
        found += [] if ended is None else [ended]
    return found


def test_an_hour_ends_with_its_highest_load() -> None:
    """The first reading of the next hour ends it, if enough of its minutes were read."""
    covered = [(float(minute), 3.0) for minute in range(COVERED_MINUTES - 1)]
    peak = (COVERED_MINUTES - 0.5, 17.25)
    assert read(*covered, peak, (60.0, 1.0)) == [LoadHour(MONDAY, (17.25,))]
    assert read(*covered, (60.0, 1.0)) == []


def test_a_reading_that_no_fuse_carries_is_not_learned() -> None:
    """Twice the fuse and more is a fault of the meter; its minute is not read."""
    minutes = [(float(minute), 3.0) for minute in range(COVERED_MINUTES)]
    assert read((50.0, 81.0), *[], fuse=40.0) == []
    assert read(*minutes, (50.0, 81.0), (60.0, 1.0)) == [LoadHour(MONDAY, (3.0,))]


def test_another_number_of_phases_begins_the_hour_anew() -> None:
    """A file that declares another supply in the middle of an hour leaves no mixed row."""
    hour = HourInProgress(MONDAY, (30.0,), frozenset(range(50)))
    after, ended = with_reading(
        hour, (1.0, 2.0, 3.0), MONDAY + timedelta(minutes=55), AUCKLAND, (40.0,) * 3
    )
    assert ended is None
    assert after == HourInProgress(MONDAY, (1.0, 2.0, 3.0), frozenset({55}))
