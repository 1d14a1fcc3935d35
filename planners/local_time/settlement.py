"""Cut local days into half-hours, as suppliers do to count energy.

A day has 48 of them; 46 if the clock goes forward by an hour that day, 50 if it goes back.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time, timedelta
from typing import TYPE_CHECKING

from planners.local_time.conversion import instant_of_local

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date, datetime
    from zoneinfo import ZoneInfo

HALF_HOUR = timedelta(minutes=30)
ONE_DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class HalfHour:
    """The energy of one half-hour at the meters.

    Attributes
    ----------
    start, end : datetime
        UTC.
    wh : int or None
        Energy [Wh]; None if no meter was read both before and after.
    estimated_wh : int
        Part of it that is estimated, in time or in size [Wh].
    """

    start: datetime
    end: datetime
    wh: int | None
    estimated_wh: int


def day_bounds(first: date, last: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Return the midnights before and after some local days.

    Parameters
    ----------
    first, last : date
        The first and the last local date.
    zone : ZoneInfo
        The household's.

    Returns
    -------
    start, end : datetime
        UTC.
    """
    return instant_of_local(first, time.min, zone), instant_of_local(last + ONE_DAY, time.min, zone)


def half_hours(first: date, last: date, zone: ZoneInfo) -> Iterator[tuple[datetime, datetime]]:
    """List the half-hours of some local days, counted from each midnight.

    Parameters
    ----------
    first, last : date
        The first and the last local date.
    zone : ZoneInfo
        The household's.

    Yields
    ------
    start, end : datetime
        UTC; the next one begins at `end`.
    """
    day = first
    while day <= last:
        start, midnight = day_bounds(day, day, zone)
        while start < midnight:
            end = min(start + HALF_HOUR, midnight)
            yield start, end
            start = end
        day += ONE_DAY
