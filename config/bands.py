"""The pure calendar of a tariff's bands: which band holds on which day kind at which minute.

There are no time zones here. Every civil date has one month and one day kind, so that a table over
12 months, 8 day kinds and 1,440 minutes covers all dates of all years; it is stronger than walking
through one leap year, which is only used to name an example.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

from config.tariff import DAY_KINDS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from config.fields import Hours
    from config.tariff import Band, Tariff

_SHAPE = (12, len(DAY_KINDS), 1440)
_HOLIDAY = DAY_KINDS.index("holiday")
_EXAMPLE_YEAR = 2028
_MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
_DAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")


@dataclass(frozen=True)
class Clash:
    """An overlap of two bands, or a gap that none covers.

    Attributes
    ----------
    bands : tuple of int
        Indices of the two bands that overlap, in ascending order; empty for a gap.
    example : str
        An instant at which it shows, such as ``"Saturday 2028-01-01 at 07:00"``.
    """

    bands: tuple[int, ...]
    example: str


@lru_cache(maxsize=32)
def band_table(tariff: Tariff) -> NDArray[np.int8]:
    """Tell for each kind of day and minute which band holds.

    Parameters
    ----------
    tariff : Tariff
        A tariff with bands.

    Returns
    -------
    ndarray of int8, shape (12, 8, 1440)
        Index into ``tariff.bands`` by month (0 is January), day kind (Monday to Sunday, then
        ``holiday``) and minute of the local day; -1 where no band holds. Row ``holiday`` is for
        tariffs for which `names_holidays` is true; read-only.
    """
    bands = tariff.bands or ()
    table = np.full(_SHAPE, -1, dtype=np.int8)
    for index, band in enumerate(bands):
        if band.hours is not None:
            table[_mask(band)] = index
    for index, band in enumerate(bands):
        if band.hours is None:
            table[table < 0] = index
    table.setflags(write=False)
    return table


def names_holidays(tariff: Tariff) -> bool:
    """Tell whether a tariff treats public holidays as days of their own kind."""
    return any("holiday" in (band.days or ()) for band in tariff.bands or ())


def clashes(tariff: Tariff) -> tuple[Clash, ...]:
    """List what is wrong with the coverage of a tariff's bands.

    Parameters
    ----------
    tariff : Tariff
        A tariff; one without bands has no clashes.

    Returns
    -------
    tuple of Clash
        Each pair of bands that overlap, then the gap, if there is any.
    """
    if tariff.bands is None:
        return ()
    return (*_overlaps(tariff), *_gaps(tariff))


def _overlaps(tariff: Tariff) -> Iterator[Clash]:
    masks = {
        index: _mask(band)
        for index, band in enumerate(tariff.bands or ())
        if band.hours is not None
    }
    for (first, one), (second, other) in combinations(masks.items(), 2):
        both = _seen(one & other, tariff)
        if both.any():
            yield Clash((first, second), _example(both))


def _gaps(tariff: Tariff) -> Iterator[Clash]:
    uncovered = _seen(band_table(tariff) < 0, tariff)
    if uncovered.any():
        yield Clash((), _example(uncovered))


def _mask(band: Band) -> NDArray[np.bool_]:
    months = [month - 1 for month in band.months] if band.months else list(range(12))
    days = [DAY_KINDS.index(day) for day in band.days or DAY_KINDS]
    minutes = np.zeros(_SHAPE[2], dtype=np.bool_)
    for hours in band.hours or ():
        minutes |= _minutes(hours)
    mask = np.zeros(_SHAPE, dtype=np.bool_)
    mask[np.ix_(months, days)] = minutes
    return mask


def _minutes(hours: Hours) -> NDArray[np.bool_]:
    minute = np.arange(_SHAPE[2])
    after_start, before_end = minute >= hours.start_minute, minute < hours.end_minute
    if hours.start_minute < hours.end_minute:
        return after_start & before_end
    return after_start | before_end


def _seen(mask: NDArray[np.bool_], tariff: Tariff) -> NDArray[np.bool_]:
    """Leave out the holidays where they are ordinary days."""
    return mask if names_holidays(tariff) else mask[:, :_HOLIDAY]


def _example(mask: NDArray[np.bool_]) -> str:
    """Name the first instant of the example year that a mask holds."""
    day = date(_EXAMPLE_YEAR, 1, 1)
    while day.year == _EXAMPLE_YEAR:
        minutes = np.flatnonzero(mask[day.month - 1, day.weekday()])
        if minutes.size:
            return f"{_DAYS[day.weekday()]} {day.isoformat()} at {_clock(minutes[0])}"
        day += timedelta(days=1)
    month, minute = np.argwhere(mask[:, _HOLIDAY])[0]
    return f"a public holiday in {_MONTHS[month]} at {_clock(minute)}"


def _clock(minute: np.integer) -> str:
    return "{:02d}:{:02d}".format(*divmod(int(minute), 60))
