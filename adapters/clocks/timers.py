"""Wake the daemon at an instant it asked for, and every 15 seconds anyway.

The only module that imports apscheduler. A wake-up carries no meaning: the daemon asks the clock
what is due. apscheduler turns an instant into a wait on the monotonic clock, so it would not notice
a clock that jumps or a machine that slept. The regular wake-ups, which use the monotonic clock
alone, limit that delay to 15 seconds.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from threading import Event, Thread
from typing import Final

import structlog
from apscheduler.executors.pool import ThreadPoolExecutor
from apscheduler.jobstores.base import JobLookupError
from apscheduler.schedulers.background import BackgroundScheduler
from apscheduler.triggers.date import DateTrigger

from adapters.clocks.instants import in_utc

WAKES_EVERY_SECONDS: Final = 15
_WANTED: Final = "wanted"

_log = structlog.get_logger(__name__)


class WakeUpTimer:
    """Wakes the daemon at an instant and at regular intervals.

    Parameters
    ----------
    wake
        Called on the timer's own threads; it must only pass the wake-up on.
    """

    def __init__(self, wake: Callable[[], None]) -> None:
        self._wake = wake
        self._ended = Event()
        self._regular = Thread(target=self._wake_regularly, name="timer", daemon=True)
        # A late wake-up still happens (no grace time), and only once however many were missed.
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 10},
        )

    def start(self) -> None:
        """Start the wake-ups."""
        self._scheduler.start()
        self._regular.start()

    def stop(self) -> None:
        """Stop, after any wake-up in progress has ended. Does nothing if not started."""
        self._ended.set()
        if self._scheduler.running:
            self._regular.join()
            # Emptied first: a job that falls due while apscheduler shuts down ends in a traceback.
            self._scheduler.remove_all_jobs()
            self._scheduler.shutdown(wait=True)

    def wake_at(self, instant: datetime | None) -> None:
        """Wake once at an instant, which replaces the one asked for before.

        Parameters
        ----------
        instant
            An aware datetime (a naive one is a `ValueError`); at once if it has passed. None
            cancels the wake-up.
        """
        if instant is None:
            self._cancel()
            return
        self._scheduler.add_job(
            self._wake_safely,
            DateTrigger(run_date=in_utc(instant), timezone=UTC),
            id=_WANTED,
            replace_existing=True,
        )

    def _cancel(self) -> None:
        try:
            self._scheduler.remove_job(_WANTED)
        except JobLookupError:
            return  # it has happened, or none was asked for

    def _wake_regularly(self) -> None:
        # Not a job of apscheduler: it would compute the next run as an instant, which comes an
        # hour late after the clock is put back by an hour.
        while not self._ended.wait(WAKES_EVERY_SECONDS):
            self._wake_safely()

    def _wake_safely(self) -> None:
        try:
            self._wake()
        except Exception:  # noqa: BLE001 - the timer must survive a failing listener
            _log.exception("a wake-up failed")
