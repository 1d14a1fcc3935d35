"""Read from the ledger what has been charged since noon; the ledger is never written."""

from __future__ import annotations

import asyncio
from time import monotonic
from typing import TYPE_CHECKING, Final

from adapters.ledger.ledger import open_ledger
from config.files.errors import LedgerError
from daemon.control.state import LONGEST_GAP
from daemon.nights.metered import read_register
from daemon.nights.rules import highest_kw
from daemon.page.charged import ChargedTonight, charged_of
from planners.accounts.register import flows_of
from planners.local_time.departures import night_bounds, night_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from daemon.control.state import House

READS_EVERY_SECONDS: Final = 30.0


class Record:
    """Reads the ledger on another thread, every half minute at most.

    Parameters
    ----------
    seconds
        A clock that only grows [s].
    """

    def __init__(self, seconds: Callable[[], float] = monotonic) -> None:
        self._seconds = seconds
        self._read_at: float | None = None
        self._reading = asyncio.Lock()
        self._tonight = ChargedTonight()

    async def tonight(self, house: House, now: datetime) -> ChargedTonight:
        """Return what has been charged since noon at each charge point."""
        async with self._reading:
            seconds = self._seconds()
            if self._read_at is None or seconds >= self._read_at + READS_EVERY_SECONDS:
                self._tonight = await asyncio.to_thread(_read, house, now)
                self._read_at = seconds
        return self._tonight


def _read(house: House, now: datetime) -> ChargedTonight:
    since = night_bounds(night_of(now, house.file.zone), house.file.zone)[0]
    try:
        with open_ledger(house.file.ledger.path, read_only=True) as ledger:
            return ChargedTonight(
                {
                    name: charged_of(
                        flows_of(
                            read_register(house, ledger, name, since, now),
                            highest_kw(house, name),
                            LONGEST_GAP,
                        ),
                        since,
                    )
                    for name in house.file.charge_points
                }
            )
    except LedgerError as error:
        return ChargedTonight(unreadable=str(error))
