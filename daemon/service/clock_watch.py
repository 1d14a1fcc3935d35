"""Whether the clock can be believed when the daemon starts: a board without one begins in 1970.

Nothing is commanded, and nothing taken in, while it can't: hours would be priced as others. Pure;
the instants are handed in.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING

import structlog

if TYPE_CHECKING:
    from collections.abc import Iterable

    from adapters.ledger.ledger import Ledger

SET_SINCE = datetime(2026, 1, 1, tzinfo=UTC)
"""A clock that shows an earlier instant has not been set."""

BEHIND = timedelta(days=1)
"""A clock that is behind the ledger by more has not been set either, ..."""

WAITED_FOR = timedelta(minutes=15)
"""... unless it stays so for this long: then what is in the ledger was dated wrong."""

LOOK_AGAIN = timedelta(seconds=15)
"""How soon to look again."""

_log = structlog.get_logger(__name__)


class ClockWatch:
    """Waits for the clock to be set."""

    def __init__(self) -> None:
        self._newest: datetime | None = None
        self._looked_into = False
        self._behind_since: datetime | None = None
        self._waited = False
        self._passed = False

    def look_into(self, ledger: Ledger, charge_points: Iterable[str]) -> None:
        """Find the newest instant that the ledger knows; only once.

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
        if self._looked_into:
            return
        self._looked_into = True
        rows = [
            row.at
            for point in charge_points
            for row in (ledger.last_reading(point), ledger.last_command(point))
            if row is not None
        ]
        self._newest = max(rows, default=None)

    def may_go_on(self, now: datetime) -> bool:
        """Whether the clock can be believed; says in the log, once each, that it waits or goes on.

        Parameters
        ----------
        now : datetime
            What the clock shows, UTC.

        Returns
        -------
        bool
            Once it could be, it is asked no more than whether it has been set at all.
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
        # A clock that is set meanwhile leaps; one that only runs tells how long it was waited for.
        self._behind_since = self._behind_since or now
        if now - self._behind_since < WAITED_FOR:
            return True
        _log.warning(
            "going on with a clock that is behind the ledger",
            clock=now.isoformat(), newest_row=self._newest.isoformat(),
        )  # fmt: skip
        return False
