"""Find the band for each minute of the calendar, and gaps and overlaps.

A year is only used to name an example.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from config.calendar.tables import (
    HOLIDAY,
    calendar_mask,
    kinds_of_days,
    possible_days,
    rows_of_days,
)
from config.calendar.words import WEEKDAY_NAMES, clock, parts_in_words, row_names

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from config.tariffs.tariff import Tariff

_EXAMPLE_YEAR = 2028
_EPOCH = date(1970, 1, 1)
_MOST_PARTS = 3
"""A clash of more parts than this is too irregular to describe in words."""


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
    ndarray of int8, of the shape of ``tariff.calendar``
        Index into ``tariff.bands`` by month (0 is January) or season, kind of day (Monday to
        Sunday, then ``holiday`` and special days) and minute of the local day; -1 where no band
        holds. The ``holiday`` row only counts if `names_holidays` is true. Read-only.
    """
    bands, calendar = tariff.bands or (), tariff.calendar
    table = np.full(calendar.shape, -1, dtype=np.int8)
    for index, band in enumerate(bands):
        if band.hours is not None:
            table[calendar_mask(band, calendar)] = index
    for index, band in enumerate(bands):
        if band.hours is None:
            table[table < 0] = index
    table.setflags(write=False)
    return table


def names_holidays(tariff: Tariff) -> bool:
    """Tell whether a tariff treats public holidays as a separate kind of day."""
    return any(component.tariff.calendar.holidays for component in tariff.plain_components)


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
        index: calendar_mask(band, tariff.calendar)
        for index, band in enumerate(tariff.bands or ())
        if band.hours is not None
    }
    for (first, one), (second, other) in combinations(masks.items(), 2):
        both = drop_impossible_days(one & other, tariff)
        if both.any():
            yield Clash((first, second), _example(both, tariff), _extent(both, tariff))


def _gaps(tariff: Tariff) -> Iterator[Clash]:
    uncovered = drop_impossible_days(band_table(tariff) < 0, tariff)
    if uncovered.any():
        yield Clash((), _example(uncovered, tariff), _extent(uncovered, tariff))


def drop_impossible_days(mask: NDArray[np.bool_], tariff: Tariff) -> NDArray[np.bool_]:
    """Leave out what no date is: kinds of day that a month or season never has.

    Parameters
    ----------
    mask : ndarray of bool, of the shape of ``tariff.calendar``
        By month or season, kind of day and minute of the local day.
    tariff : Tariff
        The tariff.

    Returns
    -------
    ndarray of bool, of the same shape
        The mask, also without public holidays if the tariff treats them as ordinary days.
    """
    return np.asarray(mask & possible_days(tariff.calendar)[:, :, None])


def _extent(mask: NDArray[np.bool_], tariff: Tariff) -> str:
    parts = parts_in_words(mask, tariff.calendar)
    return "; ".join(parts) if len(parts) <= _MOST_PARTS else ""


def _example(mask: NDArray[np.bool_], tariff: Tariff) -> str:
    """Name the first instant of the example year that a mask holds."""
    first = (date(_EXAMPLE_YEAR, 1, 1) - _EPOCH).days
    days = np.arange(first, first + 366)
    rows, kinds = rows_of_days(days, tariff.calendar), kinds_of_days(days, tariff.calendar)
    held = np.flatnonzero(mask[rows, kinds].any(axis=1))
    if held.size:
        place = int(held[0])
        day = _EPOCH + timedelta(int(days[place]))
        minute = int(np.flatnonzero(mask[rows[place], kinds[place]])[0])
        return f"{WEEKDAY_NAMES[day.weekday()]} {day.isoformat()} at {clock(minute)}"
    row, kind, minute = np.argwhere(mask)[0].tolist()
    calendar = tariff.calendar
    special = calendar.special_days[kind - HOLIDAY - 1].name if kind > HOLIDAY else ""
    title = f"a day of {special}" if special else "a public holiday"
    return f"{title} in {row_names(calendar)[row]} at {clock(minute)}"
