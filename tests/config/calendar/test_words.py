"""Parts of the calendar are put into the words of a supplier's papers."""

from __future__ import annotations

import re
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from config.calendar.day_kinds import DAY_KINDS
from config.calendar.tables import Calendar, calendar_mask
from config.calendar.words import (
    days_in_words,
    hours_of_week,
    months_in_words,
    parts_in_words,
)
from config.tariffs.bands import band_table
from config.tariffs.tariff import Tariff

WEEK: list[str] = list(DAY_KINDS[:7])
WORKDAYS = [*WEEK[:5], "holiday"]


def words(*, holidays: bool = False, **band: object) -> list[str]:
    (made,) = (
        Tariff.model_validate({"name": "t", "bands": [{"name": "b", "rate": 1, **band}]}).bands
        or ()
    )
    return parts_in_words(calendar_mask(made), Calendar(holidays=holidays))


@pytest.mark.parametrize(
    ("band", "phrase"),
    [
        ({"hours": ["21:00-07:00"]}, "21:00 to 07:00 every day"),
        ({"hours": ["00:00-24:00"]}, "at all hours"),
        ({"hours": ["06:00-06:00"]}, "at all hours"),
        ({"hours": ["00:00-07:00", "21:00-24:00"]}, "21:00 to 07:00 every day"),
        ({"hours": ["00:00-07:00"]}, "00:00 to 07:00 every day"),
        ({"hours": ["23:59-24:00"]}, "23:59 to 24:00 every day"),
        ({"hours": ["00:00-24:00"], "days": ["sat", "sun"]}, "all day, Saturday and Sunday"),
        (
            {"hours": ["07:00-11:00", "17:00-21:00"], "days": WEEK[:5]},
            "07:00 to 11:00 and 17:00 to 21:00, Monday to Friday",
        ),
        # Days are those of the instant itself (design, section 3): no night of a Friday is meant.
        ({"hours": ["21:00-07:00"], "days": ["fri"]}, "00:00 to 07:00 and 21:00 to 24:00, Friday"),
        (
            {"hours": ["01:00-02:00", "03:00-04:00", "05:00-06:00"], "months": [12, 2, 1]},
            "01:00 to 02:00, 03:00 to 04:00 and 05:00 to 06:00 every day in December to February",
        ),
        ({"hours": ["00:00-24:00"], "months": [7]}, "at all hours in July"),
    ],
)
def test_a_band_in_words(band: dict[str, Any], phrase: str) -> None:
    """Hours, then days, then months; a night is one stretch where every day has it."""
    assert words(**band) == [phrase]


@pytest.mark.parametrize(
    ("kinds", "phrase"),
    [
        ([0], "Monday"),
        ([0, 1], "Monday and Tuesday"),
        ([0, 1, 2], "Monday to Wednesday"),
        ([0, 2, 3, 4, 6], "Monday, Wednesday to Friday and Sunday"),
        ([0, 5, 6], "Saturday to Monday"),
        ([5, 6, 7], "Saturday, Sunday and public holidays"),
        ([7], "public holidays"),
        (list(range(7)), "every day but public holidays"),
        (list(range(8)), "every day"),
    ],
)
def test_days_in_words(kinds: list[int], phrase: str) -> None:
    """Three days in a row are a run, two are named, and a week is a circle."""
    assert days_in_words(kinds, Calendar(holidays=True)) == phrase


@pytest.mark.parametrize(
    ("months", "phrase"),
    [
        ([5, 6, 7], "June to August"),
        ([0, 1, 10, 11], "November to February"),
        ([0, 11], "January and December"),
        ([0, 1, 2, 6], "January to March and July"),
    ],
)
def test_months_in_words(months: list[int], phrase: str) -> None:
    """Months are named; a run may go over the new year."""
    assert months_in_words(months) == phrase


def test_the_rest_is_told_for_each_kind_of_day() -> None:
    """What other bands leave over differs by days; the sums of a week come to 168 hours."""
    tariff = Tariff.model_validate(
        {
            "name": "t",
            "bands": [
                {"name": "night", "rate": 1, "hours": ["21:00-07:00"]},
                {"name": "peak", "rate": 1, "hours": ["07:00-11:00"], "days": WORKDAYS},
                {"name": "day", "rate": 1},
            ],
        }
    )  # fmt: skip
    table = band_table(tariff)
    assert parts_in_words(table == 2, tariff.calendar) == [
        "11:00 to 21:00, Monday to Friday and public holidays",
        "07:00 to 21:00, Saturday and Sunday",
    ]
    assert [hours_of_week(table == band, tariff.calendar) for band in range(3)] == [
        "70 of the 168 hours of a week",
        "20 of the 168 hours of a week",
        "78 of the 168 hours of a week",
    ]


def test_hours_of_a_week_that_differ_by_month() -> None:
    """The least and the most of any month; minutes as parts of an hour."""
    (band,) = (
        Tariff.model_validate(
            {
                "name": "t",
                "bands": [{"name": "b", "rate": 1, "hours": ["00:00-00:30"], "months": [6]}],
            }
        ).bands
        or ()
    )
    assert (
        hours_of_week(calendar_mask(band), Calendar())
        == "0 to 3.5 of the 168 hours of a week, by month"
    )


def test_nothing_has_no_words() -> None:
    """An empty part of the calendar has no words."""
    assert parts_in_words(np.zeros((12, 8, 1440), np.bool_), Calendar(holidays=True)) == []


@given(
    st.lists(st.tuples(st.integers(0, 1438), st.integers(1, 1439)), min_size=1, max_size=4),
    st.sets(st.sampled_from(WEEK), min_size=1),
    st.sets(st.integers(1, 12), min_size=1),
)
def test_words_tell_the_very_minutes(
    stretches: list[tuple[int, int]], days: set[str], months: set[int]
) -> None:
    """The hours read back from the words are the minutes that the band holds."""
    hours = [f"{a // 60:02d}:{a % 60:02d}-{b // 60:02d}:{b % 60:02d}" for a, b in stretches]
    chosen = sorted(days, key=WEEK.index)
    (phrase,) = words(hours=hours, days=chosen, months=sorted(months))
    held = np.zeros(1440, np.bool_)
    for start, end in re.findall(r"(\d\d:\d\d) to (\d\d:\d\d)", phrase):
        first, last = (int(text[:2]) * 60 + int(text[3:]) for text in (start, end))
        held[np.arange(first, last if first < last else last + 1440) % 1440] = True
    if phrase.startswith(("all day", "at all hours")):
        held[:] = True
    expected = np.zeros(1440, np.bool_)
    for a, b in stretches:
        for minute in range(a, b if a < b else b + 1440):
            expected[minute % 1440] = True
    assert (held == expected).all()
