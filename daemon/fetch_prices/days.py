"""The days whose prices are asked for, and what stands for them in an address. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import TYPE_CHECKING

from planners.local_time.conversion import instant_of, instant_of_local, local_date, minute_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from planners.rates.series_rates import SeriesRates

_DAY = timedelta(days=1)
_DIGITS = "%Y%m%d%H%M"


@dataclass(frozen=True, slots=True)
class FeedDay:
    """A day of a market or supplier, from midnight to midnight by its own clock.

    Attributes
    ----------
    date : date
        Local date.
    name : str
        What it is called in sentences, such as ``"Tomorrow's"`` or ``"Today's"``.
    zone : ZoneInfo
        Whose clock counts.
    """

    date: date
    name: str
    zone: ZoneInfo

    @property
    def start(self) -> datetime:
        """When it begins, UTC."""
        return instant_of_local(self.date, time(0), self.zone)

    @property
    def end(self) -> datetime:
        """When it ends, UTC: 23, 24 or 25 hours later."""
        return instant_of_local(self.date + _DAY, time(0), self.zone)

    @property
    def text(self) -> str:
        """The day for sentences, such as ``"Mon 30 Nov 2026"``."""
        return f"{self.date:%a %d %b %Y}"


def today_and_tomorrow(now: datetime, zone: ZoneInfo) -> tuple[FeedDay, FeedDay]:
    """Return the day that has begun, and the next one."""
    today = local_date(now, zone)
    return FeedDay(today, "Today's", zone), FeedDay(today + _DAY, "Tomorrow's", zone)


def days_before(today: FeedDay, count: int) -> tuple[FeedDay, ...]:
    """Return so many days before a day, the earliest first."""
    dates = (today.date - n * _DAY for n in range(count, 0, -1))
    return tuple(FeedDay(each, "Past", today.zone) for each in dates)


def values_of(day: FeedDay) -> dict[str, str]:
    """Return what each placeholder stands for.

    Parameters
    ----------
    day : FeedDay
        The day that is asked for.

    Returns
    -------
    dict of str to str
        By the names of `DAY_PLACEHOLDERS`.
    """
    values: dict[str, str] = {
        "date": day.date.isoformat(),
        "next_date": (day.date + _DAY).isoformat(),
        "year": f"{day.date:%Y}",
        "month": f"{day.date:%m}",
        "day": f"{day.date:%d}",
    }
    for name, instant in (("start", day.start), ("end", day.end)):
        values |= {
            name: instant.astimezone(day.zone).isoformat(),
            f"{name}_utc": f"{instant:%Y-%m-%dT%H:%M:%SZ}",
            f"{name}_digits": instant.strftime(_DIGITS),
            f"{name}_epoch": f"{instant.timestamp():.0f}",
            f"{name}_epoch_ms": f"{instant.timestamp() * 1000:.0f}",
        }
    return values


def unknown_parts(
    rates: SeriesRates, start: datetime, end: datetime
) -> Iterator[tuple[datetime, datetime]]:
    """List from when until when no price is known.

    Parameters
    ----------
    rates : SeriesRates
        The prices that are known, each for as long as the planner lets it hold.
    start, end : datetime
        Between which instants to look, UTC.

    Yields
    ------
    tuple of datetime
        Start and end of each gap, in order.
    """
    at, last = minute_of(start), minute_of(end)
    while at < last:
        known_until = rates.known_until(at)
        if known_until is None or known_until >= last:
            return
        if known_until > at:
            at = known_until
            continue
        _, next_start = rates.gap_at(at)
        ends = last if next_start is None else min(next_start, last)
        yield instant_of(at), instant_of(ends)
        at = ends
