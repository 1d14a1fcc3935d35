"""Find when the events of a series take place, within limits. The only module that interprets.

Only a process of its own may run this: a limit of time comes as a signal.
"""

from __future__ import annotations

import datetime as dt
import signal
from contextlib import contextmanager
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import icalendar

from adapters.calendar_file.components import folded_lines
from adapters.calendar_file.recurrence import ReadEvent, times_of
from planners.local_time.conversion import instant_of_local

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from types import FrameType
    from zoneinfo import ZoneInfo

    from adapters.calendar_file.components import Component

SERIES_SECONDS: Final = 1.0
"""Processor time that one series may take [s]; a daily one of a year takes some hundredths."""

MOST_OCCURRENCES: Final = 400
"""Of one series: a little more than one a day for a year."""


class SeriesFault(Exception):  # noqa: N818 - it says what it is
    """A series can't be understood; the text says why."""


class _TooLong(BaseException):
    """The time is up; no library must catch it."""


@dataclass(frozen=True, slots=True)
class Occurrence:
    """One time at which an event takes place.

    Attributes
    ----------
    title : str
        Its title as it stands in the calendar.
    categories : tuple of str
        Its categories.
    start, end : datetime or date
        Dates for whole days, and then `end` is the day after the last; aware otherwise.
    doubt : str or None
        What was taken for granted.
    """

    title: str
    categories: tuple[str, ...]
    start: dt.datetime | dt.date
    end: dt.datetime | dt.date
    doubt: str | None = None

    @property
    def is_of_days(self) -> bool:
        """Whether it is of whole days."""
        return not isinstance(self.start, dt.datetime)


def occurrences(
    series: Sequence[Component],
    zones: Sequence[Component],
    properties: Sequence[str],
    span: tuple[dt.datetime, dt.datetime],
    zone: ZoneInfo,
) -> tuple[Occurrence, ...]:
    """Find when the events of one series take place.

    Parameters
    ----------
    series : sequence of Component
        The event, with those that change single ones of it.
    zones : sequence of Component
        The definitions of time zones.
    properties : sequence of str
        Lines of the calendar itself.
    span : tuple of datetime
        From when, and until when.
    zone : ZoneInfo
        Whose clock a time without a zone is of.

    Returns
    -------
    tuple of Occurrence
        Those that touch the span, in order of time; none that is cancelled.

    Raises
    ------
    SeriesFault
        If it can't be understood, takes too long, or has too many.
    """
    named = frozenset().union(*(each.zones for each in series))
    used = [each for each in zones if each.text("TZID") in named]
    text = _calendar_text(series, used, properties)
    try:
        with _limited():
            calendar = icalendar.Calendar.from_ical(text)
            events = [
                _read(values, part, zone)
                for values, part in zip(calendar.walk("VEVENT"), series, strict=True)
            ]
            doubt, read = _unknown_zone(calendar), []
            for event, time in times_of(events, span):
                found = Occurrence(event.title, event.categories, *event.placed(time), doubt)
                if not event.is_cancelled and _touches(found, span, zone):
                    read.append(found)
    except SeriesFault:
        raise
    except _TooLong:
        raise SeriesFault("its repetition takes too long to work out") from None
    except OSError:
        raise SeriesFault("it can't be understood: its time zone has an impossible name") from None
    except Exception as error:
        # Both libraries raise all kinds of errors at what is wrong in a calendar.
        words = " ".join(str(error).split())[:200]
        raise SeriesFault(f"it can't be understood: {words or type(error).__name__}") from error
    if len(read) > MOST_OCCURRENCES:
        raise SeriesFault(f"it repeats more than {MOST_OCCURRENCES} times in a year")
    return tuple(sorted(read, key=_instant))


def _calendar_text(
    series: Sequence[Component], zones: Sequence[Component], properties: Sequence[str]
) -> bytes:
    own = [line for line in properties if line.upper().startswith("X-WR-TIMEZONE")]
    events = [
        line for each in series for line in ("BEGIN:VEVENT", *each.untitled_lines, "END:VEVENT")
    ]
    return folded_lines(
        ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-", *own,
         *(line for each in zones for line in each.lines), *events, "END:VCALENDAR"]
    )  # fmt: skip


@contextmanager
def _limited() -> Iterator[None]:
    """Raise `_TooLong` within the block once it has used its processor time."""

    def stop(_number: int, _frame: FrameType | None) -> None:
        raise _TooLong

    before = signal.signal(signal.SIGPROF, stop)
    signal.setitimer(signal.ITIMER_PROF, SERIES_SECONDS)
    try:
        yield
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.signal(signal.SIGPROF, before)


def _read(values: icalendar.Component, part: Component, zone: ZoneInfo) -> ReadEvent:
    for name, why in values.errors:
        raise SeriesFault(f"it can't be understood: {name}: {' '.join(str(why).split())[:200]}")
    for name in ("DTSTART", "DTEND", "DURATION", "RECURRENCE-ID"):
        if isinstance(values.get(name), list):
            raise SeriesFault(f"it can't be understood: expected one {name}, got several")
    if "DTSTART" not in values:
        raise SeriesFault("it can't be understood: it has no start (DTSTART)")
    number = part.text("SEQUENCE").strip()
    return ReadEvent(
        values=values,
        home=zone,
        sequence=int(number) if number.isdecimal() else 0,
        is_cancelled=part.text("STATUS").strip().upper() == "CANCELLED",
        title=part.text("SUMMARY"),
        categories=part.categories,
    )


def _touches(found: Occurrence, span: tuple[dt.datetime, dt.datetime], zone: ZoneInfo) -> bool:
    """Whether an event lasts, or at least begins, within a span."""
    start, end = (
        each if isinstance(each, dt.datetime) else instant_of_local(each, dt.time(), zone)
        for each in (found.start, found.end)
    )
    return start < span[1] and (end > span[0] or start >= span[0])


def _unknown_zone(calendar: icalendar.Calendar) -> str | None:
    """Say which time zone of a series is not known; None if all are."""
    for event in calendar.walk("VEVENT"):
        started: Any = event.get("DTSTART")
        named = getattr(started, "params", {}).get("TZID")
        when = getattr(started, "dt", None)
        if named and isinstance(when, dt.datetime) and when.tzinfo is None:
            zone = str(named)[:60]
            return f"its time zone {zone!r} is not known: the household's is taken"
    return None


def _instant(found: Occurrence) -> tuple[str, str]:
    return found.start.isoformat(), found.title
