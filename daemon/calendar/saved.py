"""Keep what calendars said beside the ledger: the daemon starts with it, whatever became of them.

Only events with a declared word are in it. A file that can't be read counts as none.
"""

from __future__ import annotations

import json
from dataclasses import asdict, replace
from datetime import date, datetime
from typing import TYPE_CHECKING, Any, Final

from adapters.calendar_file.process import read_apart
from adapters.clocks.instants import parse_instant
from adapters.host.whole_file import replacing
from config.events.found import DaysEvent, TripEvent
from config.household.loading import load_household
from daemon.calendar.readings import CalendarReading, events_in, read_calendars, trouble_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from config.household.household_file import HouseholdFile
    from daemon.calendar.readings import Read, Readings

_MOST_BYTES: Final = 20_000_000
_VERSION: Final = 1


def saved_file(file: HouseholdFile) -> Path:
    """Return the file in which what calendars said is kept."""
    path = file.ledger.path
    return path.with_name(f"{path.name}.calendars.json")


def load_readings(file: HouseholdFile) -> dict[str, CalendarReading]:
    """Read what calendars said last, by name; empty if nothing is kept or can be read."""
    try:
        with saved_file(file).open("rb") as saved:
            document = json.loads(saved.read(_MOST_BYTES))
        if document["v"] != _VERSION:
            return {}
        return {name: _reading_of(body) for name, body in document["calendars"].items()}
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return {}


def save_readings(file: HouseholdFile, readings: Readings) -> None:
    """Keep what calendars say.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    readings : mapping of str to CalendarReading
        By name.

    Raises
    ------
    OSError
        If it can't be written.
    """  # noqa: DOC502 - raised by the system
    bodies = {name: _body(each) for name, each in readings.items()}
    with replacing(saved_file(file)) as part:
        part.file.write(json.dumps({"v": _VERSION, "calendars": bodies}).encode())


def with_kept(file: HouseholdFile) -> HouseholdFile:
    """Return a household with what the daemon has kept of its calendars."""
    return file.with_events(events_in(file, load_readings(file))) if file.calendars else file


def load_with_kept(path: Path) -> HouseholdFile:
    """Load a household file with what the daemon has kept of its calendars, or `FileError`."""
    return with_kept(load_household(path))


def with_calendars(file: HouseholdFile, now: datetime, read: Read = read_apart) -> HouseholdFile:
    """Return a household with what its calendars say now, without keeping anything.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    now : datetime
        UTC.
    read : callable
        Reads a calendar.

    Returns
    -------
    HouseholdFile
        The same one without calendars. One that can't be read says what the daemon keeps of it, and
        that it is so.
    """
    if not file.calendars:
        return file
    readings = read_calendars(file, load_readings(file), now, read)
    troubles = tuple(
        f"The calendar {trouble_of(file, name, reading, now)}."
        for name, reading in readings.items()
        if reading.fault is not None or reading.lacks_events
    )
    return file.with_events(replace(events_in(file, readings), troubles=troubles))


def _body(reading: CalendarReading) -> dict[str, Any]:
    body = asdict(replace(reading, trips=(), days=()))
    body["read_at"] = reading.read_at and reading.read_at.isoformat()
    body["trips"] = [_texts(asdict(each)) for each in reading.trips]
    body["days"] = [_texts(asdict(each)) for each in reading.days]
    return body


def _texts(body: dict[str, Any]) -> dict[str, Any]:
    return {
        key: value.isoformat() if isinstance(value, date | datetime) else value
        for key, value in body.items()
    }


def _reading_of(body: Mapping[str, Any]) -> CalendarReading:
    read_at = body["read_at"]
    return CalendarReading(
        mark=str(body["mark"]),
        stamp=tuple(body["stamp"]),
        read_at=None if read_at is None else parse_instant(read_at),
        trips=tuple(_trip_of(each) for each in body["trips"]),
        days=tuple(_days_of(each) for each in body["days"]),
        remarks=tuple(body["remarks"]),
        fault=body["fault"],
        lacks_events=bool(body["lacks_events"]),
    )


def _trip_of(body: dict[str, Any]) -> TripEvent:
    returns = body["returns"]
    return TripEvent(
        **{
            **body,
            "leaves": parse_instant(body["leaves"]),
            "returns": None if returns is None else parse_instant(returns),
        }
    )


def _days_of(body: dict[str, Any]) -> DaysEvent:
    days = {key: date.fromisoformat(body[key]) for key in ("first", "end")}
    return DaysEvent(**{**body, **days})
