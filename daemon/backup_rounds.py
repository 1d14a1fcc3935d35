"""When the ledger is copied: once a day after noon's closing, and at a start that missed that."""

from __future__ import annotations

from datetime import timedelta
from threading import Thread
from typing import TYPE_CHECKING

import structlog

from adapters.ledger_backup import make_backup
from adapters.ledger_copies import backed_up_at
from config.errors import LedgerError
from daemon.events import LedgerCare
from daemon.nightbook import LAST_READING
from planners.departures import night_bounds, night_of

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path
    from zoneinfo import ZoneInfo

TRY_AGAIN = timedelta(hours=1)
"""How long after a backup that failed another is tried."""

_log = structlog.get_logger(__name__)


class BackupRounds:
    """Has backups made, on a thread of its own.

    Parameters
    ----------
    path : Path
        The ledger's file.
    zone : ZoneInfo
        The household's: its noons count.
    """

    def __init__(self, path: Path, zone: ZoneInfo) -> None:
        self._path = path
        self._zone = zone
        self._thread: Thread | None = None
        self._begun_at: datetime | None = None
        self._trouble: str | None = None

    def look(self, now: datetime) -> LedgerCare | None:
        """Begin a backup if one is due, or tell what came of the one that was begun.

        Parameters
        ----------
        now : datetime
            UTC.

        Returns
        -------
        LedgerCare or None
            Once for each backup that has ended.
        """
        if self._thread is not None:
            if self._thread.is_alive():
                return None
            self._thread = None
            return LedgerCare("no-backup", self._trouble)
        if self._is_due(now):
            self._begun_at = now
            self._thread = Thread(target=self._make, args=(now,), name="backup")
            self._thread.start()
        return None

    def stop(self) -> None:
        """Wait until a backup in progress has ended."""
        if self._thread is not None:
            self._thread.join()

    def _is_due(self, now: datetime) -> bool:
        settled = night_bounds(night_of(now - LAST_READING, self._zone), self._zone)[0]
        last = backed_up_at(self._path)
        if last is not None and settled + LAST_READING <= last <= now + timedelta(days=1):
            return False
        begun = self._begun_at
        return begun is None or not timedelta(0) <= now - begun < TRY_AGAIN

    def _make(self, now: datetime) -> None:
        try:
            copy = make_backup(self._path, now)
        except LedgerError as error:
            self._trouble = f"The ledger could not be backed up: {error}"
        else:
            self._trouble = None
            _log.info("backed up", copy=str(copy))
