"""The dates of a tariff's special days and seasons against calendars that are not ours."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
from dateutil import easter as dateutil_easter

from config.calendar.date_sets import iso_weeks
from config.calendar.easter import easter_sunday

EPOCH = date(1970, 1, 1)


def test_easter_is_that_of_the_tables() -> None:
    """Published dates of Easter Sunday, and every year of two libraries' range.

    Dates: the table of the Book of Common Prayer and astronomical almanacs, from memory; the
    earliest (22 March) and the latest (25 April) there can be are among them. All years: the
    method `EASTER_WESTERN` of the library ``dateutil``.
    """
    published = [(1818, 3, 22), (1943, 4, 25), (2000, 4, 23), (2024, 3, 31), (2026, 4, 5)]
    assert [easter_sunday(year) for year, *_ in published] == [date(*each) for each in published]
    for year in range(1900, 2200):
        assert easter_sunday(year) == dateutil_easter.easter(year)


def test_weeks_are_those_of_iso_8601() -> None:
    """Every day of the century, against Python's own `date.isocalendar`.

    ISO 8601 gives 2005-01-01 as a day of week 53, and 2008-12-29 as one of week 1 (from memory).
    """
    days = np.arange((date(2000, 1, 1) - EPOCH).days, (date(2100, 1, 1) - EPOCH).days)
    theirs = [(EPOCH + timedelta(int(day))).isocalendar().week for day in days]
    assert iso_weeks(days).tolist() == theirs
    known = np.array([(date(2005, 1, 1) - EPOCH).days, (date(2008, 12, 29) - EPOCH).days])
    assert iso_weeks(known).tolist() == [53, 1]
