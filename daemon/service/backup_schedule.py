"""Copy the ledger once a day after the night has closed, or at a start that missed that.

Readings that are too old are removed afterwards, so copies hold them for two more days.
"""

from __future__ import annotations

from datetime import timedelta
from threading import Event, Thread
from typing import TYPE_CHECKING

import structlog

from adapters.backups.backup import make_backup
from adapters.ledger.copies import backed_up_at
from adapters.ledger.ledger import open_ledger
from adapters.ledger.retention import remove_before
from config.files.errors import LedgerError
from daemon.control.events import HouseholdHealth
from daemon.control.nightbook import LAST_READING
from daemon.nights.retention import keep_from
from planners.local_time.departures import night_bounds, night_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from pathlib import Path

    from config.calendar.account_days import AccountDays

TRY_AGAIN = timedelta(hours=1)
"""The time from a failed backup to the next try."""

PAUSE_SECONDS = 0.1
"""The pause between two steps of a removal, so that the daemon can write."""

_log = structlog.get_logger(__name__)


class BackupSchedule:
    """Makes backups on its own thread.

    Parameters
    ----------
    path : Path
        The ledger's file.
    days : callable
        Returns the days of the home's account, as they stand now.
    keep_readings_days : int, optional
        How long to keep raw readings [days]; for ever by default.
    """

    def __init__(
        self,
        path: Path,
        days: Callable[[], AccountDays],
        *,
        keep_readings_days: int | None = None,
    ) -> None:
        self._path = path
        self._days = days
        self._keep_days = keep_readings_days
        self._ending = Event()
        self._thread: Thread | None = None
        self._begun_at: datetime | None = None
        self._trouble: str | None = None

    def check(self, now: datetime) -> HouseholdHealth | None:
        """Begin a backup if one is due, or report the result of the last one.

        Parameters
        ----------
        now : datetime
            UTC.

        Returns
        -------
        HouseholdHealth or None
            Once for each backup that has ended.
        """
        if self._thread is not None:
            if self._thread.is_alive():
                return None
            self._thread = None
            return HouseholdHealth("no-backup", self._trouble)
        if self._is_due(now):
            self._begun_at = now
            self._thread = Thread(target=self._make, args=(now,), name="backup")
            self._thread.start()
        return None

    def stop(self) -> None:
        """Wait for a backup in progress; a removal after it is left for another day."""
        self._ending.set()
        self.join()

    def join(self) -> None:
        """Wait for a backup in progress and the removal after it."""
        if self._thread is not None:
            self._thread.join()

    def _is_due(self, now: datetime) -> bool:
        days = self._days()
        settled = night_bounds(night_of(now - LAST_READING, days), days)[0]
        last = backed_up_at(self._path)
        if last is not None and settled + LAST_READING <= last <= now + timedelta(days=1):
            return False
        begun = self._begun_at
        return begun is None or not timedelta(0) <= now - begun < TRY_AGAIN

    def _make(self, now: datetime) -> None:
        try:
            copy = make_backup(self._path, now)
        except LedgerError as error:
            self._trouble = str(error)
        else:
            self._trouble = None
            _log.info("backed up", copy=str(copy))
            self._remove_old_readings(now)

    def _remove_old_readings(self, now: datetime) -> None:
        if self._keep_days is None or self._ending.is_set():
            return
        try:
            with open_ledger(self._path, read_only=True) as ledger:
                kept_from = keep_from(ledger, now, self._days(), self._keep_days)
            if kept_from is None:
                return
            rows = remove_before(self._path, kept_from, lambda: self._ending.wait(PAUSE_SECONDS))
        except LedgerError as error:
            _log.warning("old readings could not be removed; next try tomorrow", why=str(error))
        else:
            if rows:
                _log.info("removed old readings", kept_from=kept_from.isoformat(), rows=rows)
