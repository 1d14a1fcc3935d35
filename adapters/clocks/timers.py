"""The bell that wakes the daemon: at a wanted instant, and every 15 seconds whatever happens.

The only module that imports apscheduler, which only rings: what is due is decided by those who
hear it, from the clock. apscheduler waits on the monotonic clock for an instant of the wall clock,
so a clock that jumps or a machine that slept would go unnoticed; the regular ring, which knows the
monotonic clock alone, bounds that.
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

REGULAR_RING_SECONDS: Final = 15
_WANTED: Final = "wanted"

_log = structlog.get_logger(__name__)


class Bell:
    """Rings when asked to, and regularly.

    Parameters
    ----------
    ring
        Called on the bell's own thread, one ring at a time; it must only pass the ring on.
    """

    def __init__(self, ring: Callable[[], None]) -> None:
        self._ring = ring
        self._ended = Event()
        self._regular = Thread(target=self._ring_regularly, name="bell", daemon=True)
        # Late rings are rung all the same (no grace time), and once however many were missed.
        self._scheduler = BackgroundScheduler(
            timezone=UTC,
            executors={"default": ThreadPoolExecutor(1)},
            job_defaults={"misfire_grace_time": None, "coalesce": True, "max_instances": 10},
        )

    def start(self) -> None:
        """Begin to ring."""
        self._scheduler.start()
        self._regular.start()

    def stop(self) -> None:
        """Ring no more; returns when a ring in progress has ended. Does nothing if not started."""
        self._ended.set()
        if self._scheduler.running:
            self._regular.join()
            # Emptied first: a job that falls due while apscheduler shuts down ends in a traceback.
            self._scheduler.remove_all_jobs()
            self._scheduler.shutdown(wait=True)

    def ring_at(self, instant: datetime | None) -> None:
        """Ring once at an instant, in place of the one asked for before.

        Parameters
        ----------
        instant
            An aware datetime (a naive one is a `ValueError`); at once if it has passed. None
            for no such ring.
        """
        if instant is None:
            self._forget()
            return
        self._scheduler.add_job(
            self._ring_safely,
            DateTrigger(run_date=in_utc(instant), timezone=UTC),
            id=_WANTED,
            replace_existing=True,
        )

    def _forget(self) -> None:
        try:
            self._scheduler.remove_job(_WANTED)
        except JobLookupError:
            return  # it has rung, or nothing was asked for

    def _ring_regularly(self) -> None:
        # Not a job of apscheduler's: its next run would be an instant, an hour off after the
        # clock is put back by an hour.
        while not self._ended.wait(REGULAR_RING_SECONDS):
            self._ring_safely()

    def _ring_safely(self) -> None:
        try:
            self._ring()
        except Exception:  # noqa: BLE001 - the bell must outlive whoever listens
            _log.exception("a ring was not taken")
