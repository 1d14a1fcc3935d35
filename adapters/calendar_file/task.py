"""What a process that reads calendars is asked, and what it answers.

Loads no library: the daemon needs only this.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

from config.events.found import DaysEvent, TripEvent
from config.events.rules import EventRules

DAYS_AHEAD: Final = 370
"""How far ahead events are looked for [days]: as far as departures are."""

OWN_UID: Final = "@lullwatt"
"""The end of the UIDs in calendars that Lullwatt writes: it must not read its own words."""


@dataclass(frozen=True)
class CalendarTask:
    """What to read.

    Attributes
    ----------
    raw : bytes
        The calendar.
    rules : EventRules
        Which events count, and for which vehicle.
    zone : str
        The household's time zone.
    now : datetime
        UTC.
    """

    raw: bytes
    rules: EventRules
    zone: str
    now: dt.datetime


@dataclass(frozen=True)
class CalendarAnswer:
    """What a calendar says of vehicles.

    Attributes
    ----------
    fault : str or None
        Why the whole calendar can't be read.
    trips, days
        Its events, in order of time.
    remarks : tuple of str
        What in single events can't be understood; each names its event.
    kept : bytes
        The calendar with the events alone that concern vehicles, and only their times and titles.
    lacks_events : bool
        Whether it is a copy of `kept` that was made by other rules: events may be missing.
    """

    fault: str | None = None
    trips: tuple[TripEvent, ...] = ()
    days: tuple[DaysEvent, ...] = ()
    remarks: tuple[str, ...] = ()
    kept: bytes = b""
    lacks_events: bool = False
