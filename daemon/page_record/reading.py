"""Read what is over from the ledger, on another thread and one thing at a time."""

from __future__ import annotations

import asyncio
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from config.files.errors import LullwattError
from daemon.night_log.month_reading import ledger_of, month_days, read_month
from daemon.night_log.night_rows import night_row
from daemon.page_record.so_far import retold
from daemon.page_record.year import month_sums, months_before
from planners.local_time.departures import night_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from pathlib import Path

    from adapters.ledger.reader import LedgerReader
    from daemon.control.state import House
    from daemon.night_log.month import Month
    from daemon.page_record.year import MonthSum
    from daemon.why.show_why import Why


@dataclass(frozen=True, slots=True)
class Past:
    """What the page of nights and months shows.

    Attributes
    ----------
    months : tuple of Month
        This month and the one before.
    sums : tuple of MonthSum
        A year of months, the latest first.
    last : date or None
        The latest night that is closed.
    whys : sequence of Why
        Why it went as it did, for each charge point.
    """

    months: tuple[Month, ...]
    sums: tuple[MonthSum, ...]
    last: date | None
    whys: Sequence[Why]


class PastReader:
    """Reads nights and months; a `LullwattError` says why one can't be read.

    Parameters
    ----------
    path
        The household file, for error messages.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._reading = asyncio.Lock()

    async def past(self, house: House, now: datetime) -> Past:
        """Return what the page of nights and months shows."""
        async with self._reading:
            return await asyncio.to_thread(self._past, house, now)

    async def month(self, house: House, when: tuple[int, int], now: datetime) -> Month:
        """Return a month, without what only the meter's readings show."""
        async with self._reading:
            return await asyncio.to_thread(self._month, house, when, now)

    async def report(self, house: House, when: tuple[int, int], now: datetime) -> str:
        """Return the sections of a month's report, in English."""
        async with self._reading:
            return await asyncio.to_thread(self._report, house, when, now)

    async def night(self, house: House, night: date, now: datetime) -> Sequence[Why]:
        """Return why a night went as it did, for each charge point."""
        async with self._reading:
            return await asyncio.to_thread(self._night, house, night, now)

    def _past(self, house: House, now: datetime) -> Past:
        this = night_of(now, house.file.days)
        months = months_before(this.year, this.month)
        with ledger_of(house) as ledger:
            last = next(iter(ledger.latest_nights(1)), None)
            return Past(
                tuple(self._read(house, ledger, each, now) for each in months[:2]),
                _sums(house, ledger, months, now),
                last,
                self._why_last(house, ledger, last, now),
            )

    def _why_last(
        self, house: House, ledger: LedgerReader, last: date | None, now: datetime
    ) -> Sequence[Why]:
        """Explain the last night; the rest of the page does not need that to work."""
        if last is None:
            return ()
        try:
            return self._whys(house, ledger, last, now)
        except LullwattError:
            return ()

    def _month(self, house: House, when: tuple[int, int], now: datetime) -> Month:
        with ledger_of(house) as ledger:
            return self._read(house, ledger, when, now)

    def _read(
        self, house: House, ledger: LedgerReader, when: tuple[int, int], now: datetime
    ) -> Month:
        return read_month(
            self._path, house, ledger, when, now,
            reads_meter=False, retell=lambda record: retold(record, house, ledger, now),
        )  # fmt: skip

    def _report(self, house: House, when: tuple[int, int], now: datetime) -> str:
        from daemon.month.sections import render_sections  # noqa: PLC0415 - as in `_whys`

        with ledger_of(house) as ledger:
            month = read_month(
                self._path, house, ledger, when, now,
                retell=lambda record: retold(record, house, ledger, now),
            )  # fmt: skip
            return render_sections(month)

    def _night(self, house: House, night: date, now: datetime) -> Sequence[Why]:
        with ledger_of(house) as ledger:
            return self._whys(house, ledger, night, now)

    def _whys(
        self, house: House, ledger: LedgerReader, night: date, now: datetime
    ) -> Sequence[Why]:
        from daemon.why.command import whys_of  # noqa: PLC0415 - much code, and few look at it

        return whys_of(self._path, house, ledger, (night, None), now)


def _sums(
    house: House, ledger: LedgerReader, months: Sequence[tuple[int, int]], now: datetime
) -> tuple[MonthSum, ...]:
    """Add up a year; nights in another currency than the file's are left out."""
    first, last = month_days(*months[-1])[0], month_days(*months[0])[1]
    currency = house.file.household.currency
    records = ledger.nights(first, last)
    return month_sums(
        (
            night_row(retold(record, house, ledger, now))
            for record in records
            if record["currency"] == currency
        ),
        months,
    )


def date_of(text: str) -> date | None:
    """Read the date of a night in an address; None if it is none."""
    try:
        return date.fromisoformat(text)
    except ValueError:
        return None


def month_of(text: str) -> tuple[int, int] | None:
    """Read a month in an address, such as ``2026-06``; None if it is none."""
    first = date_of(f"{text}-01")
    return None if first is None else (first.year, first.month)


def beside(night: date) -> tuple[date, date]:
    """Return the nights before and after one."""
    return night - timedelta(days=1), night + timedelta(days=1)
