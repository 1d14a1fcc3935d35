"""Read calendars on a thread of its own, by a process of its own: the daemon's loop never waits."""

from __future__ import annotations

from threading import Thread
from typing import TYPE_CHECKING

import structlog

from adapters.calendar_file.process import read_apart
from daemon.calendar.calendar_watch import CalendarsRead

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.calendar.calendar_watch import CalendarsTask

_log = structlog.get_logger(__name__)


class CalendarReader:
    """Reads calendars, and posts what they say.

    Parameters
    ----------
    post : callable
        Called with it, on a thread of its own.
    """

    def __init__(self, post: Callable[[CalendarsRead], None]) -> None:
        self._post = post

    def ask(self, task: CalendarsTask) -> None:
        """Have calendars read; returns at once. The next task comes once this one is done."""
        Thread(target=self._work, args=(task,), name="calendars", daemon=True).start()

    def _work(self, task: CalendarsTask) -> None:
        try:
            read = task.done(read_apart)
        except Exception as error:  # noqa: BLE001 - what is known stays, and it is tried again
            _log.error("the calendars can't be read", why=str(error))
            read = CalendarsRead(task.before)
        self._post(read)
