"""Find the band for each minute of the calendar, and gaps and overlaps.

There are no time zones here. Every date has one month and one day kind. So a table of 12 months, 8
day kinds and 1,440 minutes covers all dates of all years, which one leap year would not. A year is
only used to name an example.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING, Protocol

import numpy as np

from config.tariffs.calendar_words import MONTHS, WEEKDAY_NAMES, clock, parts_in_words
from config.tariffs.day_kinds import DAY_KINDS

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from numpy.typing import NDArray

    from config.fields.value_types import Hours
    from config.tariffs.day_kinds import DayKind
    from config.tariffs.tariff import Tariff

CALENDAR_SHAPE = (12, len(DAY_KINDS), 1440)
"""Months, day kinds and minutes of the local day: every minute of every year is in it."""
_HOLIDAY = DAY_KINDS.index("holiday")
_EXAMPLE_YEAR = 2028
_MOST_PARTS = 3
"""A clash of more parts than this is too irregular to describe in words."""


class Timed(Protocol):
    """Anything that holds in some hours, days and months; None means all."""

    @property
    def hours(self) -> tuple[Hours, ...] | None:
        """Hours of the local clock; without any it holds at no minute of the calendar."""

    @property
    def days(self) -> tuple[DayKind, ...] | None:
        """Days on which the hours hold."""

    @property
    def months(self) -> tuple[int, ...] | None:
        """Months in which the hours hold, 1 to 12."""


@dataclass(frozen=True)
class Clash:
    """An overlap of two bands, or a gap that no band covers.

    Attributes
    ----------
    bands : tuple of int
        Indices of the two bands that overlap, in ascending order; empty for a gap.
    example : str
        One of its instants, such as ``"Saturday 2028-01-01 at 07:00"``.
    extent : str
        All of it, such as ``"07:00 to 09:00, Saturday and Sunday in June"``; empty if that
        would be too long.
    """

    bands: tuple[int, ...]
    example: str
    extent: str


@lru_cache(maxsize=32)
def band_table(tariff: Tariff) -> NDArray[np.int8]:
    """Return which band holds in each month, kind of day and minute.

    Parameters
    ----------
    tariff : Tariff
        A tariff with bands.

    Returns
    -------
    ndarray of int8, shape (12, 8, 1440)
        Index into ``tariff.bands`` by month (0 is January), day kind (Monday to Sunday, then
        ``holiday``) and minute of the local day; -1 where no band holds. The ``holiday`` row only
        counts if `names_holidays` is true. Read-only.
    """
    bands = tariff.bands or ()
    table = np.full(CALENDAR_SHAPE, -1, dtype=np.int8)
    for index, band in enumerate(bands):
        if band.hours is not None:
            table[calendar_mask(band)] = index
    for index, band in enumerate(bands):
        if band.hours is None:
            table[table < 0] = index
    table.setflags(write=False)
    return table


def names_holidays(tariff: Tariff) -> bool:
    """Tell whether a tariff treats public holidays as a separate kind of day."""
    return any(any_holiday(component.tariff.bands or ()) for component in tariff.plain_components)


def any_holiday(parts: Iterable[Timed]) -> bool:
    """Tell whether any of the parts names public holidays."""
    return any("holiday" in (part.days or ()) for part in parts)


def clashes(tariff: Tariff) -> tuple[Clash, ...]:
    """List the overlaps and gaps of a tariff's bands.

    Parameters
    ----------
    tariff : Tariff
        A tariff; one without bands has no clashes.

    Returns
    -------
    tuple of Clash
        Each pair of bands that overlap, then all hours that no band covers, as one.
    """
    if tariff.bands is None:
        return ()
    return (*_overlaps(tariff), *_gaps(tariff))


def _overlaps(tariff: Tariff) -> Iterator[Clash]:
    masks = {
        index: calendar_mask(band)
        for index, band in enumerate(tariff.bands or ())
        if band.hours is not None
    }
    for (first, one), (second, other) in combinations(masks.items(), 2):
        both = drop_unused_holidays(one & other, tariff)
        if both.any():
            yield Clash((first, second), _example(both), _extent(both, tariff))


def _gaps(tariff: Tariff) -> Iterator[Clash]:
    uncovered = drop_unused_holidays(band_table(tariff) < 0, tariff)
    if uncovered.any():
        yield Clash((), _example(uncovered), _extent(uncovered, tariff))


def calendar_mask(part: Timed) -> NDArray[np.bool_]:
    """Return whether a band or a load holds in each month, kind of day and minute.

    Parameters
    ----------
    part : Timed
        A band, or a known load.

    Returns
    -------
    ndarray of bool, shape (12, 8, 1440)
        By month, day kind and minute of the local day, as in `band_table`.
    """
    months = [month - 1 for month in part.months] if part.months else list(range(12))
    days = [DAY_KINDS.index(day) for day in part.days or DAY_KINDS]
    minutes = np.zeros(CALENDAR_SHAPE[2], dtype=np.bool_)
    for hours in part.hours or ():
        minutes |= _minutes(hours)
    mask = np.zeros(CALENDAR_SHAPE, dtype=np.bool_)
    mask[np.ix_(months, days)] = minutes
    return mask


def _minutes(hours: Hours) -> NDArray[np.bool_]:
    minute = np.arange(CALENDAR_SHAPE[2])
    after_start, before_end = minute >= hours.start_minute, minute < hours.end_minute
    if hours.start_minute < hours.end_minute:
        return after_start & before_end
    return after_start | before_end


def drop_unused_holidays(mask: NDArray[np.bool_], tariff: Tariff) -> NDArray[np.bool_]:
    """Leave out public holidays if the tariff treats them as ordinary days.

    Parameters
    ----------
    mask : ndarray of bool, shape (12, 8, 1440)
        By month, day kind and minute of the local day.
    tariff : Tariff
        The tariff.

    Returns
    -------
    ndarray of bool, shape (12, 8, 1440)
        The mask, without holidays if the tariff names none.
    """
    if names_holidays(tariff):
        return mask
    kept = mask.copy()
    kept[:, _HOLIDAY] = False
    return kept


def _extent(mask: NDArray[np.bool_], tariff: Tariff) -> str:
    parts = parts_in_words(mask, holidays=names_holidays(tariff))
    return "; ".join(parts) if len(parts) <= _MOST_PARTS else ""


def _example(mask: NDArray[np.bool_]) -> str:
    """Name the first instant of the example year that a mask holds."""
    day = date(_EXAMPLE_YEAR, 1, 1)
    while day.year == _EXAMPLE_YEAR:
        minutes = np.flatnonzero(mask[day.month - 1, day.weekday()])
        if minutes.size:
            return f"{WEEKDAY_NAMES[day.weekday()]} {day.isoformat()} at {clock(int(minutes[0]))}"
        day += timedelta(days=1)
    month, minute = np.argwhere(mask[:, _HOLIDAY])[0]
    return f"a public holiday in {MONTHS[month]} at {clock(int(minute))}"
