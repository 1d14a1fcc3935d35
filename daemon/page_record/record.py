"""Read tonight's energy and alerts from the ledger, on another thread; it is never written."""

from __future__ import annotations

import asyncio
from datetime import timedelta
from time import monotonic
from typing import TYPE_CHECKING, Final

from config.files.errors import LedgerError
from daemon.control.state import LONGEST_GAP
from daemon.night_log.month_reading import ledger_of
from daemon.night_log.night_rows import night_row
from daemon.nights.metered import highest_kw, read_register
from daemon.page.charged import ChargedTonight, charged_of
from daemon.page_record.so_far import retold
from planners.accounts.register import flows_of
from planners.local_time.departures import night_bounds, night_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from adapters.ledger.reader import LedgerReader
    from adapters.ledger.rows import StoredAlert
    from daemon.control.state import House
    from daemon.night_log.month import NightRow

READS_EVERY_SECONDS: Final = 30.0
ALERTS_OF: Final = timedelta(days=30)


class Record:
    """Reads what has been charged tonight, every half minute at most.

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
        """Return what has been charged since the night began at each charge point."""
        async with self._reading:
            seconds = self._seconds()
            if self._read_at is None or seconds >= self._read_at + READS_EVERY_SECONDS:
                self._tonight = await asyncio.to_thread(_read, house, now)
                self._read_at = seconds
        return self._tonight

    async def alerts(self, house: House, now: datetime) -> tuple[StoredAlert, ...]:
        """Return the alerts of the last 30 days; a `LullwattError` says why it can't."""
        async with self._reading:
            return await asyncio.to_thread(_alerts, house, now)


def _alerts(house: House, now: datetime) -> tuple[StoredAlert, ...]:
    with ledger_of(house) as ledger:
        return ledger.alerts_between(now - ALERTS_OF, now + timedelta.resolution)


def _read(house: House, now: datetime) -> ChargedTonight:
    since = night_bounds(night_of(now, house.file.days), house.file.days)[0]
    try:
        with ledger_of(house) as ledger:
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
                },
                _last_nights(house, ledger, now),
            )
    except LedgerError as error:
        return ChargedTonight(unreadable=str(error))


def _last_nights(house: House, ledger: LedgerReader, now: datetime) -> dict[str, NightRow]:
    """Return the latest night of each charge point that has one, in the file's currency."""
    latest = next(iter(ledger.latest_nights(1)), None)
    records = () if latest is None else ledger.nights(latest, latest)
    currency = house.file.household.currency
    rows = [
        night_row(retold(record, house, ledger, now))
        for record in records
        if record["currency"] == currency
    ]
    return {row.charge_point: row for row in rows}
