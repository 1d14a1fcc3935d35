"""Convert instants between RFC 3339 text and aware UTC datetimes."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, timezone

# RFC 3339, section 5.6: date-time. Letters T and Z may be in lower case, seconds may read 60.
_DATE_TIME = re.compile(
    r"(\d{4})-(\d\d)-(\d\d)[Tt](\d\d):(\d\d):(\d\d)(?:\.(\d+))?(?:[Zz]|([+-])(\d\d):(\d\d))",
    re.ASCII,
)
_LEAP_SECOND = 60


def parse_instant(text: str) -> datetime:
    """Read an RFC 3339 date-time.

    Parameters
    ----------
    text
        For example ``2026-06-03T07:30:00Z`` or ``2026-06-03T19:30:00.5+12:00``. Digits beyond
        microseconds are dropped; a leap second is the first instant of the next minute.

    Returns
    -------
    datetime
        The instant in UTC.

    Raises
    ------
    ValueError
        If the text is no such instant, or has no offset.
    """
    found = _DATE_TIME.fullmatch(text)
    if found is None:
        raise ValueError("expected an instant such as 2026-06-03T07:30:00Z, with its offset")
    *shown, fraction, sign, offset_hours, offset_minutes = found.groups()
    year, month, day, hour, minute, second = map(int, shown)
    is_leap = second == _LEAP_SECOND
    try:
        instant = datetime(
            year,
            month,
            day,
            hour,
            minute,
            second - is_leap,
            int(fraction[:6].ljust(6, "0")) if fraction else 0,
            _offset(sign, offset_hours, offset_minutes),
        ).astimezone(UTC)
        return instant.replace(microsecond=0) + timedelta(seconds=1) if is_leap else instant
    except (ValueError, OverflowError) as error:
        raise ValueError(f"no such instant: {error}") from error


def in_utc(instant: datetime) -> datetime:
    """Return an aware datetime in UTC.

    Parameters
    ----------
    instant
        An aware datetime.

    Returns
    -------
    datetime
        The same instant in UTC.

    Raises
    ------
    ValueError
        If the datetime is naive.
    """
    if instant.utcoffset() is None:
        raise ValueError("expected an instant with its offset from UTC")
    return instant.astimezone(UTC)


def _offset(sign: str | None, hours: str | None, minutes: str | None) -> timezone:
    if sign is None or hours is None or minutes is None:
        return UTC
    if int(minutes) >= 60:  # noqa: PLR2004 - minutes of an hour
        raise ValueError("an offset has fewer than 60 minutes")
    size = timedelta(hours=int(hours), minutes=int(minutes))
    return timezone(-size if sign == "-" else size)
