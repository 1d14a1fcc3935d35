"""Decide whether the clock is set when the daemon starts: a board without one begins in 1970.

Until it is set the daemon sends no command and handles no message: it would price the wrong hours.
Reads no clock itself.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import structlog

if TYPE_CHECKING:
    from collections.abc import Iterable

    from adapters.ledger.ledger import Ledger

SET_SINCE = datetime(2026, 1, 1, tzinfo=UTC)
"""A clock that shows an earlier instant is not set."""

BEHIND = timedelta(days=1)
"""A clock that is behind the ledger by more is not set either, ..."""

WAITED_FOR = timedelta(minutes=15)
"""... unless it stays so for this long: then the ledger's rows have wrong dates."""

LOOK_AGAIN = timedelta(seconds=15)
"""The time until the next look at the clock."""

_log = structlog.get_logger(__name__)


class ClockWatch:
    """Waits for the clock to be set."""

    def __init__(self) -> None:
        self._newest: datetime | None = None
        self._has_read = False
        self._behind_since: datetime | None = None
        self._waited = False
        self._passed = False

    def read_ledger(self, ledger: Ledger, charge_points: Iterable[str]) -> None:
        """Find the newest instant in the ledger; only the first call does.

        Parameters
        ----------
        ledger : Ledger
            The durable record.
        charge_points : iterable of str
            Their names in the household file.

        Raises
        ------
        LedgerError
            If it can't be read.
        """  # noqa: DOC502 - raised by the ledger
        if self._has_read:
            return
        self._has_read = True
        rows = [
            row.at
            for point in charge_points
            for row in (ledger.last_reading(point), ledger.last_command(point))
            if row is not None
        ]
        self._newest = max(rows, default=None)

    def may_go_on(self, now: datetime) -> bool:
        """Whether the clock is set; logs, once each, that the daemon waits or goes on.

        Parameters
        ----------
        now : datetime
            The clock's time, UTC.

        Returns
        -------
        bool
            Once it has been set, the ledger is not compared again.
        """
        waits = self._waits(now)
        if waits and not self._waited:
            _log.warning("the clock is not set: waiting for it", clock=now.isoformat())
        if self._waited and not waits:
            _log.info("the clock is set", clock=now.isoformat())
        self._waited = waits
        self._passed = self._passed or not waits
        return not waits

    def _waits(self, now: datetime) -> bool:
        if now < SET_SINCE:
            self._behind_since = None
            return True
        if self._passed or self._newest is None or now >= self._newest - BEHIND:
            return False
        # A clock that is set meanwhile leaps; one that only runs measures the wait.
        self._behind_since = self._behind_since or now
        if now - self._behind_since < WAITED_FOR:
            return True
        _log.warning(
            "going on with a clock that is behind the ledger",
            clock=now.isoformat(), newest_row=self._newest.isoformat(),
        )  # fmt: skip
        return False
