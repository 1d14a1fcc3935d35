"""Convert single instants between UTC and a household's clock.

Only here a local time becomes an instant. `planners.local_time.zone_offsets` converts arrays of
minutes.

UTC minutes and local minutes are both counted from 1970-01-01 00:00: UTC minutes in UTC, local
minutes as if the local clock were UTC.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo
from functools import lru_cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
EPOCH_DAY = EPOCH.date().toordinal()
MINUTE = timedelta(minutes=1)
DAY_MINUTES = 1440


def minute_of(instant: datetime) -> int:
    """Return the UTC minute in which an instant lies.

    Parameters
    ----------
    instant : datetime
        Aware.

    Returns
    -------
    int
        Whole minutes since 1970-01-01 00:00 UTC, rounded down.
    """
    return (instant - EPOCH) // MINUTE


def instant_of(utc_minute: int) -> datetime:
    """Return the instant at which a UTC minute begins.

    Parameters
    ----------
    utc_minute : int
        UTC minute.

    Returns
    -------
    datetime
        Aware, UTC.
    """
    return EPOCH + utc_minute * MINUTE


@lru_cache(maxsize=1024)
def instant_of_local(day: date, at: time, zone: ZoneInfo) -> datetime:
    """Return when the clock shows a date and time, by RFC 5545, section 3.3.5.

    Parameters
    ----------
    day : date
        Local date.
    at : time
        Local time. A time that occurs twice means the first one; a time that the clock skips is
        taken with the offset before the gap.
    zone : ZoneInfo
        Zone.

    Returns
    -------
    datetime
        Aware, UTC.
    """
    # PEP 495 defines `fold=0` by the same two rules.
    return datetime.combine(day, at.replace(fold=0), tzinfo=zone).astimezone(UTC)


def instants_of_local(day: date, at: time, zone: ZoneInfo) -> tuple[datetime, ...]:
    """List when the clock shows a date and time: once, twice, or never.

    Parameters
    ----------
    day : date
        Local date.
    at : time
        Local time.
    zone : ZoneInfo
        Zone.

    Returns
    -------
    tuple of datetime
        UTC, in order.
    """
    shown = datetime.combine(day, at)
    found = {shown.replace(fold=fold, tzinfo=zone).astimezone(UTC) for fold in (0, 1)}
    return tuple(sorted(each for each in found if wall_time(each, zone) == shown))


def wall_time(instant: datetime, zone: ZoneInfo) -> datetime:
    """Return what the clock on the wall shows.

    Parameters
    ----------
    instant : datetime
        Aware.
    zone : ZoneInfo
        Zone.

    Returns
    -------
    datetime
        Naive, local.

    Raises
    ------
    ValueError
        If the instant is naive: `datetime` would take it for the machine's local time.
    """
    if instant.tzinfo is None:
        raise ValueError(f"{instant.isoformat()} is no instant: it has no offset from UTC")
    return instant.astimezone(zone).replace(tzinfo=None)


def nearest_minute(instant: datetime, zone: tzinfo) -> datetime:
    """Return the time to show people for an instant: by the clock, to the nearest minute.

    Parameters
    ----------
    instant : datetime
        Aware.
    zone : tzinfo
        Zone.

    Returns
    -------
    datetime
        Aware, local. Of two instants the later one never comes before the other.
    """
    rounded = (instant.astimezone(UTC) + MINUTE / 2).replace(second=0, microsecond=0)
    return rounded.astimezone(zone)


def clock_text(instant: datetime, zone: tzinfo, form: str) -> str:
    """Write an instant by the clock, to the nearest minute.

    Parameters
    ----------
    instant : datetime
        Aware.
    zone : tzinfo
        Zone.
    form : str
        As for `strftime`.

    Returns
    -------
    str
        Such as ``"Sun 02:30"``; ``"Sun 02:30 (the second time)"`` if the clock shows that twice.
    """
    shown = nearest_minute(instant, zone)
    text = shown.strftime(form)
    if "%M" not in form or not is_shown_twice(shown):
        return text
    return f"{text} (the {'second' if shown.fold else 'first'} time)"


def is_shown_twice(local: datetime) -> bool:
    """Whether the clock shows a local time, which it does show, twice that day."""
    return local.replace(fold=1 - local.fold).utcoffset() != local.utcoffset()


def local_date(instant: datetime, zone: ZoneInfo) -> date:
    """Return the local date of an instant.

    Parameters
    ----------
    instant : datetime
        Aware.
    zone : ZoneInfo
        Zone.

    Returns
    -------
    date
        What the calendar on the wall shows.
    """
    return wall_time(instant, zone).date()


def day_number(day: date) -> int:
    """Return the number of a local day.

    Parameters
    ----------
    day : date
        Local date.

    Returns
    -------
    int
        Days since 1970-01-01: the local minute of its midnight divided by 1440.
    """
    return day.toordinal() - EPOCH_DAY


def date_of(number: int) -> date:
    """Return the date of a local day.

    Parameters
    ----------
    number : int
        Days since 1970-01-01.

    Returns
    -------
    date
        Local date.
    """
    return date.fromordinal(EPOCH_DAY + number)
