"""The calendars of public holidays against lists and laws that are not ours.

Lists and their sources: `tests/data/outside_holidays.json`. Where a holiday falls on a weekend,
some laws name the day in lieu only; our calendars hold that weekend day as well.
"""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest

from config.fields.public_holidays import holiday_dates

CASES: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "data" / "outside_holidays.json").read_text(encoding="utf-8")
)
DAY = timedelta(days=1)
MON, THU, FRI, SAT, SUN = 0, 3, 4, 5, 6


def nth(year: int, month: int, count: int, weekday: int) -> date:
    """Return the first, second, ... such weekday of a month; -1 is the last one."""
    days = [date(year, month, 1) + i * DAY for i in range(31)]
    return [day for day in days if day.month == month and day.weekday() == weekday][
        count - 1 if count > 0 else count
    ]


def easter(year: int) -> date:
    """Compute Easter Sunday by the anonymous Gregorian algorithm (Meeus/Jones/Butcher)."""
    # As in New Scientist, 30 March 1961 (from memory).
    a, (b, c) = year % 19, divmod(year, 100)
    d, e = divmod(b, 4)
    g = (8 * b + 13) // 25
    h = (19 * a + b - d - g + 15) % 30
    i, k = divmod(c, 4)
    j = (32 + 2 * e + 2 * i - h - k) % 7
    m = (a + 11 * h + 19 * j) // 433
    month = (h + j - 7 * m + 90) // 25
    return date(year, month, (h + j - 7 * m + 33 * month + 19) % 32)


@pytest.mark.parametrize(
    ("year", "month", "day"),
    [(1818, 3, 22), (1943, 4, 25), (1991, 3, 31), (2000, 4, 23), (2038, 4, 25)],
)
def test_easter_is_that_of_the_tables(year: int, month: int, day: int) -> None:
    """The earliest and the latest date there are, and others (from memory)."""
    assert easter(year) == date(year, month, day)


@pytest.mark.parametrize(
    ("code", "after_easter"),
    [("GB-ENG", (-2, 1)), ("GB-SCT", (-2,)), ("NZ", (-2, 1)), ("DE", (-2, 1, 39, 50))],
)
def test_movable_holidays_follow_easter(code: str, after_easter: tuple[int, ...]) -> None:
    """Good Friday, Easter Monday, Ascension Day and Whit Monday, by a separate algorithm."""
    for year in range(2000, 2100):
        assert {easter(year) + days * DAY for days in after_easter} <= holiday_dates(code, year)


@pytest.mark.parametrize(
    ("code", "year", "listed"),
    [*CASES["bank_holidays"], *CASES["bank_holidays_from_memory"]],
    ids=lambda value: str(value) if not isinstance(value, list) else "",
)
def test_bank_holidays_are_those_that_gov_uk_lists(code: str, year: int, listed: list[str]) -> None:
    """Each date listed, substitute days included; beyond them only the weekend days they stand for.

    The lists of 2025 to 2027 are from memory.
    """
    published = {date.fromisoformat(text) for text in listed}
    ours = holiday_dates(code, year)
    assert published <= ours
    assert {day.weekday() for day in ours - published} <= {SAT, SUN}


def test_matariki_is_on_the_dates_of_its_act() -> None:
    """Te Kahui o Matariki Public Holiday Act 2022, Schedule: 31 Fridays in June and July.

    Auckland's calendar has no other Friday of a June or July among its holidays.
    """
    scheduled = [date.fromisoformat(text) for text in CASES["matariki"]]
    assert [day.year for day in scheduled] == list(range(2022, 2053))
    for day in scheduled:
        found = holiday_dates("NZ-AUK", day.year)
        assert [d for d in found if d.month in {6, 7} and d.weekday() == FRI] == [day]


def federal_holidays(year: int) -> set[date]:
    """List the holidays of 5 U.S.C. 6103(a) as that law words them."""
    days = {
        date(year, 1, 1),
        nth(year, 1, 3, MON),  # Birthday of Martin Luther King, Jr.
        nth(year, 2, 3, MON),  # Washington's Birthday
        nth(year, 5, -1, MON),  # Memorial Day
        date(year, 7, 4),
        nth(year, 9, 1, MON),  # Labor Day
        nth(year, 10, 2, MON),  # Columbus Day
        date(year, 11, 11),
        nth(year, 11, 4, THU),  # Thanksgiving Day
        date(year, 12, 25),
    }
    return days | {date(year, 6, 19)} if year >= 2021 else days  # Juneteenth


def observed(day: date) -> date:
    """Return the day off: 5 U.S.C. 6103(b)(1) for Saturdays, E.O. 11582 for Sundays."""
    return day + {SAT: -DAY, SUN: DAY}.get(day.weekday(), timedelta(0))


@pytest.mark.parametrize("year", range(2015, 2041))
def test_federal_holidays_are_those_of_the_us_code(year: int) -> None:
    """5 U.S.C. 6103, with the Friday before a Saturday and the Monday after a Sunday."""
    around = federal_holidays(year) | federal_holidays(year + 1)
    days = federal_holidays(year) | {observed(day) for day in around}
    assert holiday_dates("US", year) == {day for day in days if day.year == year}


@pytest.mark.parametrize("year", range(2018, 2041))
def test_german_holidays_are_the_nine_of_all_states(year: int) -> None:
    """The nine that every state has (from memory); 3 October by the Einigungsvertrag, article 2."""
    fixed = {date(year, 1, 1), date(year, 5, 1), date(year, 10, 3)}
    christmas = {date(year, 12, 25), date(year, 12, 26)}
    movable = {easter(year) + days * DAY for days in (-2, 1, 39, 50)}
    assert holiday_dates("DE", year) == fixed | christmas | movable


@pytest.mark.parametrize("year", range(2023, 2041))
def test_new_zealand_holidays_are_those_of_the_holidays_act(year: int) -> None:
    """Holidays Act 2003, sections 44 to 45A (from memory): twelve days, moved from weekends."""
    monday_of = {SAT: 2 * DAY, SUN: DAY}
    singles = [date(year, 2, 6), date(year, 4, 25)]
    pairs = [date(year, 1, 1), date(year, 1, 2), date(year, 12, 25), date(year, 12, 26)]
    days = {day + monday_of.get(day.weekday(), timedelta(0)) for day in singles}
    # Of two days on end, each moves by two: Saturday to Monday, Sunday to Tuesday.
    days |= {day + (2 * DAY if day.weekday() >= SAT else timedelta(0)) for day in pairs}
    days |= {easter(year) - 2 * DAY, easter(year) + DAY}
    days |= {nth(year, 6, 1, MON), nth(year, 10, 4, MON)}
    days |= {day for day in map(date.fromisoformat, CASES["matariki"]) if day.year == year}
    ours = holiday_dates("NZ", year)
    assert days <= ours
    assert {day.weekday() for day in ours - days} <= {SAT, SUN}
