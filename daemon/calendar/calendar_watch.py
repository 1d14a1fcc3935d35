"""Keep what a household's calendars say up to date, and report what is wrong with them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

import structlog

from daemon.calendar.readings import (
    CalendarReading,
    as_of,
    coming,
    events_in,
    is_due,
    mark_of,
    read_calendars,
    trouble_of,
)
from daemon.calendar.saved import load_readings, save_readings
from daemon.fetching.last_time import stamp_of
from daemon.generation.refusals import Refusals

if TYPE_CHECKING:
    from datetime import datetime

    from config.events.found import CalendarEvents
    from config.household.household_file import HouseholdFile
    from daemon.calendar.readings import Read, Readings
    from daemon.control.events import HouseholdHealth
    from daemon.control.state import House

TRIED_AGAIN_AFTER: Final = timedelta(minutes=1)
"""A calendar that can't be read is tried again then, also if its file seems the same."""

MOST_WAIT: Final = timedelta(minutes=16)
"""The wait doubles up to this while it fails: one that takes long to read must not cost much."""

ALARMED_AFTER: Final = timedelta(minutes=2)
"""For so long a calendar may be unreadable: a program may be about to write it."""

LOOKED_AT_EVERY: Final = timedelta(seconds=10)
"""How often the notes beside fetched calendars are read, however many messages come."""

_log = structlog.get_logger(__name__)


@dataclass(frozen=True)
class CalendarsTask:
    """The calendars of a household to be read, and what they said before."""

    file: HouseholdFile
    before: Readings
    now: datetime

    def done(self, read: Read) -> CalendarsRead:
        """Read them with a function."""
        return CalendarsRead(read_calendars(self.file, self.before, self.now, read))


@dataclass(frozen=True)
class CalendarsRead:
    """What calendars say, by name."""

    readings: Readings


class CalendarWatch:
    """Keeps what calendars say. They are read elsewhere: `task` says which, `take` what came.

    Parameters
    ----------
    stores : bool
        Whether it stores what they said beside the ledger; a rehearsal must leave that alone.
    """

    def __init__(self, *, stores: bool) -> None:
        self._stores = stores
        self._readings: dict[str, CalendarReading] = {}
        self._is_loaded = False
        # Of when the oldest copy is, and when that, and what is wrong, was last looked at.
        self._at: datetime | None = None
        self._looked_at: datetime | None = None
        self._asked_at: datetime | None = None
        self._is_asked = False
        self._wait = TRIED_AGAIN_AFTER
        # Since when each calendar can't be read.
        self._since: dict[str, datetime] = {}
        self._events: CalendarEvents | None = None
        self._unread = Refusals("calendar-old")
        self._odd = Refusals("calendar-event")

    @property
    def readings(self) -> Readings:
        """What each calendar says, by name."""
        return self._readings

    def task(self, file: HouseholdFile, now: datetime) -> CalendarsTask | None:
        """Say what is to be read now; None if nothing is, or it is being read.

        Parameters
        ----------
        file : HouseholdFile
            The household.
        now : datetime
            UTC.

        Returns
        -------
        CalendarsTask or None
            To be done elsewhere; what comes of it goes to `take`.
        """
        due = [
            name
            for name in file.calendars or {}
            if is_due(file, name, self._readings.get(name), now)
        ]
        if self._is_asked or not due:
            return None
        if not all(self._has_failed(file, name) for name in due):
            self._wait = TRIED_AGAIN_AFTER
        elif self._asked_at is not None and now < self._asked_at + self._wait:
            return None
        else:
            self._wait = min(2 * self._wait, MOST_WAIT)
        self._asked_at, self._is_asked = now, True
        return CalendarsTask(file, dict(self._readings), now)

    def _has_failed(self, file: HouseholdFile, name: str) -> bool:
        """Whether it could not be read as it stands now."""
        known, calendar = self._readings.get(name), (file.calendars or {})[name]
        if known is None or known.fault is None:
            return False
        return known.mark == mark_of(file, name) and known.stamp == stamp_of(calendar.file)

    def take(self, read: CalendarsRead, file: HouseholdFile, now: datetime) -> bool:
        """Take up what calendars say.

        Parameters
        ----------
        read : CalendarsRead
            What was read.
        file : HouseholdFile
            The household.
        now : datetime
            UTC.

        Returns
        -------
        bool
            Whether departures may have changed.
        """
        self._is_asked, self._looked_at = False, None
        before, kept = events_in(file, self._readings), dict(read.readings)
        if kept != self._readings:
            self._readings = kept
            self._store(file)
        for name, reading in kept.items():
            if reading.fault is None:
                self._since.pop(name, None)
            else:
                self._since.setdefault(name, now)
        after = events_in(file, kept)
        if coming(after, now, file.zone) == coming(before, now, file.zone):
            return False
        _log.info("the calendars say something new", events=len(after.trips) + len(after.days))
        return True

    def _store(self, file: HouseholdFile) -> None:
        if not self._stores:
            return
        try:
            save_readings(file, self._readings)
        except OSError as error:
            _log.warning("what calendars say can't be kept", why=error.strerror)

    def over(self, house: House) -> House:
        """Return a house with what its calendars say; the same one if nothing is new."""
        file = house.file
        if not file.calendars:
            return house
        if not self._is_loaded:
            self._readings, self._is_loaded = load_readings(file) if self._stores else {}, True
            self._at = self._as_of(file)
        events = events_in(file, self._readings)
        # One object for the same events: what was worked out for a file is remembered by it.
        events = self._events = self._events if self._events == events else events
        if file.events != events:
            house = replace(house, file=file.with_events(events))
        at = self._at
        return house if house.calendar_at == at else replace(house, calendar_at=at)

    def _as_of(self, file: HouseholdFile) -> datetime | None:
        calendars = (file.calendars or {}).items()
        found = [as_of(each, self._readings.get(name)) for name, each in calendars]
        return min((each for each in found if each is not None), default=None)

    def look(self, file: HouseholdFile, now: datetime) -> None:
        """Note what is wrong with the calendars and their events, and of when their copies are."""
        if self._looked_at is not None and now < self._looked_at + LOOKED_AT_EVERY:
            return
        self._looked_at, self._at = now, self._as_of(file)
        for name in {*self._readings, *self._since} - set(file.calendars or {}):
            self._readings.pop(name, None)
            self._since.pop(name, None)
            self._unread.note(name, None)
            self._odd.note(name, None)
        for name in file.calendars or {}:
            reading = self._readings.get(name)
            trouble = trouble_of(file, name, reading, now)
            since = self._since.get(name)
            if since is not None and now < since + ALARMED_AFTER:
                trouble = None
            self._unread.note(name, trouble)
            odd = reading.remarks[0] if reading is not None and reading.remarks else None
            more = len(reading.remarks) - 1 if reading is not None else 0
            text = f"{name}, {odd}" + (f" (and {more} more)" if more > 0 else "")
            self._odd.note(name, None if odd is None else text)

    def news(self) -> tuple[HouseholdHealth | None, HouseholdHealth | None]:
        """Report, once each, that a calendar can't be read, and that an event is odd."""
        return self._unread.news(), self._odd.news()
