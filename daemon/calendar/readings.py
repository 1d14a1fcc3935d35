"""Read the calendars of a household, and judge how old what they say is."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from adapters.calendar_file.process import read_apart
from adapters.calendar_file.task import DAYS_AHEAD, CalendarAnswer, CalendarTask
from adapters.feeds.client import MOST_BYTES
from config.events.found import CalendarEvents
from config.files.errors import FileError
from config.files.texts import read_bytes
from daemon.fetching.last_time import read_last_time, stamp_of
from daemon.presentation.figures import local_time
from planners.local_time.conversion import local_date

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from config.events.found import DaysEvent, TripEvent
    from config.household.household_file import EventCalendar, HouseholdFile

FETCHED_WITHIN: Final = timedelta(hours=3)
"""A fetched calendar is old if no try has succeeded for so long."""

Read = Callable[[CalendarTask], CalendarAnswer]


@dataclass(frozen=True)
class CalendarReading:
    """What one calendar says, and what became of the last look at it.

    Attributes
    ----------
    mark : str
        What it was read by: its file, words and zone.
    stamp : tuple of int
        What changes when its file does.
    read_at : datetime or None
        When it was last read well, UTC; None if it never was.
    trips, days
        Its events then.
    remarks : tuple of str
        What in single events could not be understood then.
    fault : str or None
        Why it can't be read now; the events are those of the time before.
    lacks_events : bool
        Whether its copy was fetched with other words, so that events may be missing.
    """

    mark: str
    stamp: tuple[int, ...] = ()
    read_at: datetime | None = None
    trips: tuple[TripEvent, ...] = ()
    days: tuple[DaysEvent, ...] = ()
    remarks: tuple[str, ...] = ()
    fault: str | None = None
    lacks_events: bool = False


Readings = Mapping[str, CalendarReading]


def mark_of(file: HouseholdFile, name: str) -> str:
    """Return a mark of what a calendar is read by: its file, words, vehicles and zone."""
    calendar = (file.calendars or {})[name]
    told = f"{file.event_rules(name)} {calendar.file} {file.household.timezone}"
    return hashlib.sha256(told.encode()).hexdigest()


def read_calendars(
    file: HouseholdFile, before: Readings, now: datetime, read: Read = read_apart
) -> dict[str, CalendarReading]:
    """Read the calendars of a household that have changed, or were last read on another day.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    before : mapping of str to CalendarReading
        What they said before, by name.
    now : datetime
        UTC.
    read : callable
        Reads one.

    Returns
    -------
    dict of str to CalendarReading
        By name. One that can't be read says what it said before.
    """
    return {
        name: _reading(file, name, before.get(name), now, read) for name in file.calendars or {}
    }


def is_due(file: HouseholdFile, name: str, known: CalendarReading | None, now: datetime) -> bool:
    """Whether a calendar must be read: it has changed or failed, or was last read another day."""
    calendar = (file.calendars or {})[name]
    if known is None or known.mark != mark_of(file, name) or known.read_at is None:
        return True
    if known.fault is not None:
        return True
    is_of_today = local_date(known.read_at, file.zone) == local_date(now, file.zone)
    return not is_of_today or known.stamp != stamp_of(calendar.file)


def _reading(
    file: HouseholdFile, name: str, before: CalendarReading | None, now: datetime, read: Read
) -> CalendarReading:
    mark, calendar = mark_of(file, name), (file.calendars or {})[name]
    if before is not None and not is_due(file, name, before, now):
        return before
    # What was known by other words counts until the calendar is read by these.
    kept = CalendarReading(mark) if before is None else replace(before, mark=mark)
    stamp = stamp_of(calendar.file)
    if calendar.is_fetched and not stamp:
        return replace(kept, stamp=stamp, fault="it was not fetched yet (lullwatt fetch-calendars)")
    try:
        raw = read_bytes(calendar.file, "a calendar", MOST_BYTES)
    except FileError as error:
        return replace(kept, stamp=stamp, fault=error.faults[0].message)
    answer = read(CalendarTask(raw, file.event_rules(name), file.household.timezone, now))
    if answer.fault is not None:
        return replace(kept, stamp=stamp, fault=answer.fault)
    return CalendarReading(
        mark, stamp, now, answer.trips, answer.days, answer.remarks,
        lacks_events=answer.lacks_events and calendar.is_fetched,
    )  # fmt: skip


def events_in(file: HouseholdFile, readings: Readings) -> CalendarEvents:
    """Return the events of all calendars that the household still declares."""
    kept = [reading for name in file.calendars or {} if (reading := readings.get(name)) is not None]
    return CalendarEvents(
        tuple(trip for each in kept for trip in each.trips if trip.vehicle in file.vehicles),
        tuple(days for each in kept for days in each.days if days.vehicle in file.vehicles),
    )


def coming(events: CalendarEvents, now: datetime, zone: ZoneInfo) -> CalendarEvents:
    """Return the events that are not over, as far ahead as every reading of the last day looks."""
    last, today = now + timedelta(days=DAYS_AHEAD - 2), local_date(now, zone)
    return CalendarEvents(
        tuple(
            each
            for each in events.trips
            if now < (each.returns or each.leaves) and each.leaves < last
        ),
        tuple(
            each for each in events.days if today < each.end and each.first < local_date(last, zone)
        ),
    )


def as_of(calendar: EventCalendar, reading: CalendarReading | None) -> datetime | None:
    """Return of when the copy of a calendar is: when it was fetched, or its file was written.

    Parameters
    ----------
    calendar : EventCalendar
        The calendar.
    reading : CalendarReading or None
        What it says.

    Returns
    -------
    datetime or None
        UTC; None if there is none.
    """
    if reading is None or reading.read_at is None:
        return None
    if calendar.is_fetched:
        return read_last_time(calendar.file).good_at or reading.read_at
    if not reading.stamp or reading.fault is not None:
        return reading.read_at
    try:
        return datetime.fromtimestamp(reading.stamp[0] // 10**9, UTC)
    except (ValueError, OverflowError, OSError):  # a file system may keep a time of any year
        return reading.read_at


def trouble_of(
    file: HouseholdFile, name: str, reading: CalendarReading | None, now: datetime
) -> str | None:
    """Say that a calendar can't be read or fetched, and of when its copy is.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    name : str
        The calendar's name.
    reading : CalendarReading or None
        What it says; None if it was not read yet.
    now : datetime
        UTC.

    Returns
    -------
    str or None
        A sentence without a full stop; None if all is well.
    """
    calendar = (file.calendars or {})[name]
    if reading is None:
        return None
    of = as_of(calendar, reading)
    copy = "nothing of it is known"
    if of is not None:
        copy = f"its copy of {local_time(of, file.zone, '%a %d %b %H:%M')} counts"
    if reading.fault is not None:
        return f"{name} can't be read ({reading.fault}); {copy}"
    last = read_last_time(calendar.file) if calendar.is_fetched else None
    if last is not None and (last.good_at is None or now - last.good_at > FETCHED_WITHIN):
        why = last.failure.rstrip(".") or "fetch-calendars has not run"
        return f"{name} could not be fetched ({why}); {copy}"
    if reading.lacks_events:
        return (
            f"{name} was fetched with other words, and may lack events until it is fetched again"
            " (lullwatt fetch-calendars)"
        )
    return None
