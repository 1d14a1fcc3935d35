"""Lay hours, days and months over a table of all the minutes that a calendar can have.

There are no time zones here. Every date has one month or season, and one kind of day. So a table of
12 months, 8 kinds of day and 1,440 minutes covers all dates of all years, which one leap year would
not. Each season that a tariff declares is a row after the months, and each special day a kind of
day after the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from functools import lru_cache
from typing import TYPE_CHECKING, Protocol

import numpy as np

from config.calendar.date_sets import FIRST_DAY, LAST_DAY
from config.calendar.day_kinds import DAY_KINDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from config.calendar.date_sets import DateSet
    from config.fields.value_types import Hours

HOLIDAY = DAY_KINDS.index("holiday")
"""Place of public holidays among the kinds of day, after Monday to Sunday."""

MONTH_COUNT = 12
_MINUTES = 1440
_EPOCH = date(1970, 1, 1)


class Timed(Protocol):
    """Anything that holds in some hours, days and months; None means all."""

    @property
    def hours(self) -> tuple[Hours, ...] | None:
        """Hours of the local clock; without any it holds at no minute of the calendar."""

    @property
    def days(self) -> Sequence[str] | None:
        """Days on which the hours hold, by kind of day or name of a special day."""

    @property
    def months(self) -> Sequence[int | str] | None:
        """Months in which the hours hold, 1 to 12, or names of seasons."""


@dataclass(frozen=True, slots=True)
class Calendar:
    """What tells the dates of a tariff apart.

    Attributes
    ----------
    seasons : tuple of DateSet
        A date in one of them is in no month; of several the first counts.
    special_days : tuple of DateSet
        A date in one of them is neither a weekday nor a public holiday; of several the first
        counts.
    holidays : bool
        Whether public holidays are a kind of day of their own.
    """

    seasons: tuple[DateSet, ...] = ()
    special_days: tuple[DateSet, ...] = ()
    holidays: bool = False

    @property
    def shape(self) -> tuple[int, int, int]:
        """Months and seasons, kinds of day, and minutes of the local day."""
        return MONTH_COUNT + len(self.seasons), len(DAY_KINDS) + len(self.special_days), _MINUTES


PLAIN = Calendar()
"""A calendar of months, weekdays and public holidays."""


def calendar_of(
    parts: Iterable[Timed], seasons: Iterable[DateSet], special_days: Iterable[DateSet]
) -> Calendar:
    """Return the calendar of some parts: what none of them names tells no dates apart.

    Parameters
    ----------
    parts : iterable of Timed
        The bands of one tariff, or of a component of it.
    seasons, special_days : iterable of DateSet
        What the tariff declares.

    Returns
    -------
    Calendar
        Of those that a part names.
    """
    parts = tuple(parts)
    days = {day for part in parts for day in part.days or ()}
    months = {month for part in parts for month in part.months or ()}
    return Calendar(
        tuple(each for each in seasons if each.name in months),
        tuple(each for each in special_days if each.name in days),
        "holiday" in days,
    )


def any_holiday(parts: Iterable[Timed]) -> bool:
    """Tell whether any of the parts names public holidays."""
    return any("holiday" in (part.days or ()) for part in parts)


def calendar_mask(part: Timed, calendar: Calendar = PLAIN) -> NDArray[np.bool_]:
    """Return whether a band or a load holds in each month, kind of day and minute.

    Parameters
    ----------
    part : Timed
        A band, or a known load.
    calendar : Calendar
        What tells its dates apart.

    Returns
    -------
    ndarray of bool, of the calendar's shape
        By month (0 is January) and season, kind of day (Monday to Sunday, then public holidays and
        special days) and minute of the local day.
    """
    rows, kinds, _minutes_of_day = calendar.shape
    seasons = {each.name: MONTH_COUNT + n for n, each in enumerate(calendar.seasons)}
    special = {each.name: len(DAY_KINDS) + n for n, each in enumerate(calendar.special_days)}
    kind_places: dict[str, int] = {day: n for n, day in enumerate(DAY_KINDS)}
    kind_places |= special
    months = [m - 1 if isinstance(m, int) else seasons[m] for m in part.months or ()]
    days = [kind_places[day] for day in part.days or ()]
    minutes = np.zeros(_MINUTES, dtype=np.bool_)
    for hours in part.hours or ():
        minutes |= _minutes(hours)
    mask = np.zeros(calendar.shape, dtype=np.bool_)
    mask[np.ix_(months or range(rows), days or range(kinds))] = minutes
    return mask


def _minutes(hours: Hours) -> NDArray[np.bool_]:
    minute = np.arange(_MINUTES)
    after_start, before_end = minute >= hours.start_minute, minute < hours.end_minute
    if hours.start_minute < hours.end_minute:
        return after_start & before_end
    return after_start | before_end


def rows_of_days(days: NDArray[np.int64], calendar: Calendar) -> NDArray[np.int64]:
    """Return the month or season of each day, as a place in the calendar's table.

    Parameters
    ----------
    days : ndarray of int64
        Local dates, as days since 1970.
    calendar : Calendar
        What tells them apart.

    Returns
    -------
    ndarray of int64
        0 to 11 for a month, then the seasons.
    """
    rows = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % MONTH_COUNT
    for place in range(len(calendar.seasons) - 1, -1, -1):
        rows[calendar.seasons[place].holds(days)] = MONTH_COUNT + place
    return np.asarray(rows, np.int64)


def kinds_of_days(
    days: NDArray[np.int64], calendar: Calendar, holidays: Sequence[int] = ()
) -> NDArray[np.int64]:
    """Return the kind of each day, as a place in the calendar's table.

    Parameters
    ----------
    days : ndarray of int64
        Local dates, as days since 1970.
    calendar : Calendar
        What tells them apart.
    holidays : sequence of int
        The public holidays, likewise; none if they are ordinary days.

    Returns
    -------
    ndarray of int64
        0 to 6 for Monday to Sunday, 7 for public holidays, then the special days.
    """
    kinds = (days + 3) % 7  # 1970-01-01 was a Thursday
    if len(holidays):
        kinds[np.isin(days, holidays)] = HOLIDAY
    for place in range(len(calendar.special_days) - 1, -1, -1):
        kinds[calendar.special_days[place].holds(days)] = len(DAY_KINDS) + place
    return np.asarray(kinds, np.int64)


@lru_cache(maxsize=64)
def possible_days(calendar: Calendar) -> NDArray[np.bool_]:
    """Tell which kinds of day each month and season can have.

    Parameters
    ----------
    calendar : Calendar
        The calendar.

    Returns
    -------
    ndarray of bool, shape (months and seasons, kinds of day)
        Whether any date of the century is both. A special day of a file may be any date.
    """
    rows, kinds, _minutes_of_day = calendar.shape
    found = np.zeros((rows, kinds), np.bool_)
    days = np.arange((FIRST_DAY - _EPOCH).days, (LAST_DAY - _EPOCH).days + 1)
    row = rows_of_days(days, calendar)
    found[row, kinds_of_days(days, calendar)] = True
    is_possible = np.isin(np.arange(rows), row)
    if any(season.is_any_date for season in calendar.seasons):
        is_possible[:] = True
    found[:, :HOLIDAY] = is_possible[:, None]
    found[:, HOLIDAY] = is_possible & calendar.holidays
    for place, special in enumerate(calendar.special_days):
        if special.is_any_date:
            found[:, len(DAY_KINDS) + place] = is_possible
    found.setflags(write=False)
    return found
