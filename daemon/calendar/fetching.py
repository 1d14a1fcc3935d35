"""Fetch one calendar: ask, read, and replace its file by the events with a declared word."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from adapters.calendar_file.task import CalendarTask
from adapters.feeds.client import RequestError
from config.servers.source import host_of
from daemon.fetching.last_time import (
    LastTime,
    mark_of,
    read_last_time,
    stamp_of,
    write_last_time,
    write_whole,
)
from daemon.fetching.requests import address_of, request_for
from daemon.presentation.figures import counted

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from adapters.feeds.client import Reply, Request
    from config.household.household_file import HouseholdFile
    from daemon.calendar.readings import Read

_FINE: Final = 200
_UNCHANGED: Final = 304
_RIGHTS: Final = 0o640
"""The copy tells when nobody is at home: the daemon's group may read it, no others."""


@dataclass
class CalendarFetching:
    """One run for one calendar.

    Attributes
    ----------
    file : HouseholdFile
        The household.
    name : str
        The calendar's name.
    now : datetime
        UTC.
    ask : callable
        Sends a request.
    read : callable
        Reads a calendar.
    say : callable
        Prints a sentence.
    writes : bool
        Whether anything may be written.
    failure : str
        Why the request failed, or its answer was refused.
    """

    file: HouseholdFile
    name: str
    now: datetime
    ask: Callable[[Request], Reply]
    read: Read
    say: Callable[[str], None]
    writes: bool
    failure: str = ""

    def run(self) -> None:
        """Ask for the calendar, and keep what matters of it.

        Raises
        ------
        FileError
            If a file with a key or an address can't be used.
        FetchError
            If the calendar's file can't be written.
        """  # noqa: DOC502 - raised by the parts
        calendar, rules = (self.file.calendars or {})[self.name], self.file.event_rules(self.name)
        address, last = address_of(calendar), read_last_time(calendar.file)
        mark, stamp = mark_of(calendar, rules), stamp_of(calendar.file)
        # Without the copy, or with another, "not changed" would be no answer.
        known = last.tags.get(mark, {}) if stamp and last.stamp == stamp else {}
        tags, wrote_at = known, last.wrote_at
        try:
            reply = self.ask(request_for(calendar, address, known, "text/calendar"))
        except RequestError as error:
            self._fail(str(error))
        else:
            if self._take(reply, host_of(address)):
                tags, wrote_at = reply.tags, self.now
        if self.writes:
            good_at = last.good_at if self.failure else self.now
            kept = {mark: dict(tags)} if tags else {}
            stamp = stamp_of(calendar.file)
            write_last_time(
                calendar.file, LastTime(self.now, wrote_at, self.failure, kept, stamp, good_at)
            )

    def _take(self, reply: Reply, host: str) -> bool:
        """Take up an answer; whether it was a calendar."""
        if reply.status == _UNCHANGED:
            self.say(f"{self.name}: nothing has changed.")
            return False
        if reply.status != _FINE:
            self._fail(f"{host} has no such calendar (status {reply.status}); check the address")
            return False
        task = CalendarTask(
            reply.body, self.file.event_rules(self.name), self.file.household.timezone, self.now
        )
        answer = self.read(task)
        if answer.fault is not None:
            self._fail(f"the answer of {host} is refused: {answer.fault}; the copy stays as it is")
            return False
        calendar = (self.file.calendars or {})[self.name]
        if self.writes:
            write_whole(calendar.file, answer.kept, _RIGHTS)
        count = counted(len(answer.trips) + len(answer.days), "event")
        does = "keeps" if self.writes else "would keep"
        self.say(f"{self.name}: {does} {count} of the year ahead.")
        for remark in answer.remarks:
            self.say(f"{self.name}: {remark}.")
        return True

    def _fail(self, why: str) -> None:
        self.failure = f"{why}."
