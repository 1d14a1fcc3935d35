"""Read a time as people write it: a time of day, a weekday, a date, a duration. Pure."""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from config.calendar.words import MONTHS, WEEKDAY_NAMES
from planners.local_time.conversion import instant_of_local, instants_of_local, local_date

if TYPE_CHECKING:
    from collections.abc import Callable
    from zoneinfo import ZoneInfo

EXAMPLES = (
    "expected a time such as 14:00 (the next one), 'sat 08:00', '2026-11-30 08:00', 2026-11-30"
    " (that day's departure), or 2026-11-30T08:00:00Z with its offset"
)
"""An example of each form of a time."""

DURATION_EXAMPLES = "expected a duration such as 90min, 1h or 1h30"
"""An example of each form of a duration."""

LONGEST = timedelta(days=370)
"""Departures are not looked for further ahead than this."""

LEAP_DAY = (2, 29)

_TIME = r"(?P<hour>[01]?\d|2[0-3]):(?P<minute>[0-5]\d)"
_DATE = r"\d{4}-\d\d-\d\d"
_DAY = rf"(?P<weekday>[a-z]{{3,9}})\s+|(?P<date>{_DATE})(?:\s+|t)"
_WORDS = re.compile(rf"(?:{_DAY})?{_TIME}(?::00)?|(?P<day>{_DATE})", re.ASCII | re.IGNORECASE)
_DURATION = re.compile(
    r"(?:(?P<hours>\d{1,4})\s*h)?\s*(?:(?P<minutes>\d{1,5})\s*(?:m|min)?)?",
    re.ASCII | re.IGNORECASE,
)


class UnclearTime(ValueError):  # noqa: N818 - the name says what it is
    """A text that is no time, or one for which there is no instant; says what was expected."""


@dataclass(frozen=True, slots=True)
class ReadTime:
    """An instant that a person wrote in words.

    Attributes
    ----------
    instant : datetime
        UTC.
    remark : str
        A sentence, if the clock shows that time twice or never; else empty.
    """

    instant: datetime
    remark: str = ""


def read_time(
    text: str, now: datetime, zone: ZoneInfo, departure_on: Callable[[date], datetime | None]
) -> ReadTime:
    """Read a time as people write it.

    Parameters
    ----------
    text : str
        A time of day (the next one); a weekday and a time (the next one); a date and a time; or a
        date alone, for that day's departure.
    now : datetime
        UTC.
    zone : ZoneInfo
        The household's.
    departure_on : callable
        Returns when the vehicle leaves on a local date; None if it does not.

    Returns
    -------
    ReadTime
        The instant; it may have passed, if the text has a date.

    Raises
    ------
    UnclearTime
        If it is none of these, or if there is no departure on that day.
    """
    found = _WORDS.fullmatch(text.strip())
    if found is None:
        raise UnclearTime(f"{EXAMPLES}; got {text!r}")
    try:
        if found["day"]:
            return _departure(_date(found["day"], text), departure_on)
        at = time(int(found["hour"]), int(found["minute"]))
        if found["date"]:
            return _on(_date(found["date"], text), at, zone)
        return _next(at, _weekday(found["weekday"]), now, zone)
    except UnclearTime:
        raise
    except (ValueError, OverflowError) as error:
        raise UnclearTime(f"{EXAMPLES}; got {text!r}") from error


def read_duration(text: str) -> timedelta:
    """Read a duration as people write it.

    Parameters
    ----------
    text : str
        Such as ``"90min"``, ``"1h"`` or ``"1h30"``.

    Returns
    -------
    timedelta
        Longer than nothing, and at most `LONGEST`.

    Raises
    ------
    UnclearTime
        If it is none.
    """
    found = _DURATION.fullmatch(text.strip())
    is_bare = text.strip().isdigit()
    hours, minutes = (found["hours"], found["minutes"]) if found and not is_bare else (None, None)
    duration = timedelta(hours=int(hours or 0), minutes=int(minutes or 0))
    if not timedelta(0) < duration <= LONGEST:
        raise UnclearTime(f"{DURATION_EXAMPLES}; got {text!r}")
    return duration


def _date(iso: str, text: str) -> date:
    year, month, day = (int(part) for part in iso.split("-"))
    try:
        return date(year, month, day)
    except ValueError as error:
        if not 1 <= month <= len(MONTHS) or not day or not year:
            raise
        of_year = f" {year}" if (month, day) == LEAP_DAY else ""
        name = f"{day} {MONTHS[month - 1]}{of_year}"
        raise UnclearTime(f"there is no {name}: {EXAMPLES}; got {text!r}") from error


def _departure(day: date, departure_on: Callable[[date], datetime | None]) -> ReadTime:
    instant = departure_on(day)
    if instant is None:
        weekday = WEEKDAY_NAMES[day.weekday()]
        raise UnclearTime(
            f"no departure is declared for {weekday} {day}: add a time, such as '{day} 08:00'"
        )
    return ReadTime(instant)


def _weekday(word: str | None) -> int | None:
    """Return the number of a weekday, which may be shortened to three letters or more."""
    if word is None:
        return None
    names = [name.lower() for name in WEEKDAY_NAMES]
    found = [number for number, name in enumerate(names) if name.startswith(word.lower())]
    if not found:
        raise ValueError(f"{word} is no weekday")
    return found[0]


def _next(at: time, weekday: int | None, now: datetime, zone: ZoneInfo) -> ReadTime:
    """Find the next time that the clock shows a time of day, on a weekday if one is given."""
    today = local_date(now, zone)
    for ahead in range(-1, 9):
        day = today + timedelta(days=ahead)
        if weekday is not None and day.weekday() != weekday:
            continue
        shown = instants_of_local(day, at, zone) or (instant_of_local(day, at, zone),)
        coming = [instant for instant in shown if instant > now]
        if coming:
            return ReadTime(coming[0], _remark(day, at, coming[0], zone))
    raise ValueError("it does not come within a week")


def _on(day: date, at: time, zone: ZoneInfo) -> ReadTime:
    instant = instant_of_local(day, at, zone)
    return ReadTime(instant, _remark(day, at, instant, zone))


def _remark(day: date, at: time, instant: datetime, zone: ZoneInfo) -> str:
    """Say which instant is meant if the clock shows a time twice that day, or never."""
    shown = instants_of_local(day, at, zone)
    local = instant.astimezone(zone)
    when = f"{at:%H:%M} on {WEEKDAY_NAMES[day.weekday()]} {day}"
    if not shown:
        return f"The clock never shows {when}: {local:%H:%M} is taken instead."
    if len(shown) == 1:
        return ""
    which, other = ("first", shown[1]) if instant == shown[0] else ("second", shown[0])
    return (
        f"The clock shows {when} twice: the {which} one is taken. The other is"
        f" {other.astimezone(zone).isoformat()}."
    )
