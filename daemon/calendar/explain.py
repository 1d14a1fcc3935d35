"""Explain the calendars of a household: what is read, which events count, and what they say."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

from config.files.errors import FileError
from config.files.secret_files import read_secret
from config.servers.source import host_of
from daemon.calendar.readings import as_of, read_calendars, trouble_of
from daemon.calendar.saved import load_readings
from daemon.fetching.last_time import read_last_time
from daemon.presentation.figures import counted, date_text, local_time
from planners.local_time.departures import DAY, departures_between

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from config.events.found import DaysEvent, TripEvent
    from config.household.household_file import EventCalendar, HouseholdFile
    from daemon.calendar.readings import CalendarReading

_MOST_SHOWN: Final = 5


def calendar_lines(file: HouseholdFile, now: datetime) -> Iterator[str]:
    """Say what is read of each calendar, and what comes of it.

    Parameters
    ----------
    file : HouseholdFile
        The household, with what its calendars say.
    now : datetime
        UTC.

    Yields
    ------
    str
        Lines of text; none without calendars.
    """
    if not file.calendars:
        return
    readings = read_calendars(file, load_readings(file), now)
    yield ""
    yield "Calendars:"
    for name, calendar in file.calendars.items():
        yield f"  {name}: {_source(calendar)}."
        yield f"    {_rule(file, name, calendar)}"
        yield from (f"    {line}" for line in _read(file, calendar, readings[name]))
    yield from _departures(file, now)


def calendar_cautions(file: HouseholdFile, now: datetime) -> Iterator[str]:
    """Say what is wrong with calendars and their events."""
    if not file.calendars:
        return
    readings = read_calendars(file, load_readings(file), now)
    for name, calendar in file.calendars.items():
        if trouble := trouble_of(file, name, readings[name], now):
            yield f"The calendar {trouble}."
        yield from (f"The calendar {name}, {remark}." for remark in readings[name].remarks)
        if calendar.is_fetched and calendar.in_the_clear:
            yield (
                f"The calendar {name} is fetched in the clear: others on the way can read it, and"
                " say when the vehicle leaves."
            )
    for name in file.vehicles:
        yield from _of_distances(file, name)


def _of_distances(file: HouseholdFile, name: str) -> Iterator[str]:
    """Doubt distances that say nothing of a vehicle, or are beyond its battery."""
    car = file.vehicles[name]
    events: tuple[TripEvent | DaysEvent, ...] = (*file.events.trips, *file.events.days)
    far = [each for each in events if each.vehicle == name and each.uses_km is not None]
    if not far:
        return
    if car.kwh_per_km is None:
        yield (
            f"{name}: {far[0].title!r} names a distance, which says nothing without the"
            " vehicle's consumption (kwh_per_100km)."
        )
        return
    longest = max(far, key=lambda each: each.uses_km or 0.0)
    used = (longest.uses_km or 0.0) * car.kwh_per_km
    if used > car.usable_kwh:
        yield (
            f"{name}: the trip {longest.title!r} uses {used:.1f} kWh, more than the"
            f" battery's {car.usable_kwh:g} kWh: it must charge on the way."
        )


def _source(calendar: EventCalendar) -> str:
    """Say where it comes from; of a private address only the host."""
    if not calendar.is_fetched:
        return f"the file {calendar.file}, read again when it changes"
    last = read_last_time(calendar.file)
    failed = f" (the last try failed: {last.failure.rstrip('.')})" if last.failure else ""
    return (
        f"`lullwatt fetch-calendars` fetches it from {_server(calendar)} into"
        f" {calendar.file}{failed}"
    )


def _server(calendar: EventCalendar) -> str:
    address = calendar.url or ""
    if calendar.url_file is not None:
        try:
            address = read_secret(calendar.url_file, "a file with an address")
        except FileError:
            address = ""  # the service that fetches may be the only one that may read it
    known = bool(address) and calendar.problem_of(address) is None
    return host_of(address) if known else "an address that only that command may read"


def _rule(file: HouseholdFile, name: str, calendar: EventCalendar) -> str:
    """Say which events count, and for which vehicle."""
    rules = file.event_rules(name)
    own = [word for words in rules.own_words.values() for word in words]
    words = [repr(word) for word in (*rules.words, *own)]
    if not words:
        return f"Every event of it is of {rules.vehicle}."
    which = f"events with {' or '.join(words)} count; all others are forgotten at once"
    if len(file.vehicles) == 1:
        return f"Of it, {which}."
    whose = f", else of {calendar.vehicle}" if calendar.vehicle else ""
    return f"Of it, {which}. An event is of the vehicle that its title names{whose}."


def _read(file: HouseholdFile, calendar: EventCalendar, reading: CalendarReading) -> Iterator[str]:
    if reading.read_at is None:
        yield f"It can't be read: {reading.fault}."
        return
    of = as_of(calendar, reading)
    when = "" if of is None else f" (as of {local_time(of, file.zone, '%a %d %b %H:%M')})"
    trips = counted(len(reading.trips), "departure")
    days = counted(len(reading.days), "event")
    yield f"It says {trips} and {days} of whole days in a year{when}."
    if trouble := reading.fault:
        yield f"It can't be read now ({trouble}); that copy counts."


def _departures(file: HouseholdFile, now: datetime) -> Iterator[str]:
    """Name the next departures and days that come from calendars."""
    found = sorted(
        (
            each
            for vehicle in file.vehicles
            for each in departures_between(file, vehicle, now, now + 60 * DAY)
            if each.event is not None
        ),
        key=lambda each: each.instant,
    )
    for each in found[:_MOST_SHOWN]:
        back = "" if each.returns is None else f", back {_when(each.returns, file)}"
        yield (
            f"  {each.event!r}: {each.vehicle} leaves {_when(each.instant, file)} with"
            f" {each.need_percent:.0f} %{back}."
        )
    if len(found) > _MOST_SHOWN:
        yield f"  And {len(found) - _MOST_SHOWN} more in the next 60 days."
    days = [each for each in file.events.days if not each.is_trip]
    today = now.astimezone(file.zone).date()
    coming = [each for each in days if each.end > today]
    yield from (f"  {_days_off(each)}" for each in coming[:_MOST_SHOWN])


def _days_off(event: DaysEvent) -> str:
    last = event.end - timedelta(days=1)
    span = date_text(event.first)
    if last > event.first:
        span += f" to {date_text(last)}"
    return f"{event.title!r}: no departure of this file for {event.vehicle}, {span}."


def _when(instant: datetime, file: HouseholdFile) -> str:
    return local_time(instant, file.zone, "%a %d %b %H:%M")
