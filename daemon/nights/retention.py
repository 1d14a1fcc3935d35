"""Decide how long to keep raw readings: as long as the account of a night may need them.

Readings are removed by whole calendar months, because a rate may change with a month's use.
"""

from __future__ import annotations

from datetime import time, timedelta
from typing import TYPE_CHECKING

from daemon.nights.recount import MOST_NIGHTS
from daemon.nights.saved_state import read_saved
from planners.local_time.conversion import instant_of_local, local_date
from planners.local_time.departures import night_bounds, night_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date, datetime

    from adapters.ledger.reader import LedgerReader
    from config.calendar.account_days import AccountDays

DAY = timedelta(days=1)

BELIEVED_NIGHTS = 3
"""The third latest night is trusted: a clock that leaps ahead records one or two of its own."""


def keep_from(
    ledger: LedgerReader, now: datetime, days: AccountDays, keep_days: int
) -> datetime | None:
    """Return the instant from which raw readings must be kept.

    Parameters
    ----------
    ledger : LedgerReader
        The record.
    now : datetime
        UTC.
    days : AccountDays
        The days of the home's account.
    keep_days : int
        The shortest time to keep them [days].

    Returns
    -------
    datetime or None
        The first instant of a local month, UTC; None if too few nights are recorded to tell.
    """
    nights = ledger.latest_nights(BELIEVED_NIGHTS)
    if len(nights) < BELIEVED_NIGHTS:
        return None
    believed = min(now, night_bounds(nights[-1], days)[1])
    needed = [believed - timedelta(days=keep_days)]
    for point in ledger.charge_points():
        needed += [night_bounds(night, days)[0] for night in _waiting(ledger, point)]
        needed += _counted_on_from(ledger, point, now, days)
    # An account looks one day back, for a register that fell just before its night.
    first = local_date(min(needed) - DAY, days.zone).replace(day=1)
    return instant_of_local(first, time.min, days.zone)


def has_all_readings(night: date, days: AccountDays, kept_from: datetime | None) -> bool:
    """Tell whether all readings of a night are still in the ledger.

    Parameters
    ----------
    night : date
        The night.
    days : AccountDays
        The days of the home's account.
    kept_from : datetime or None
        As `LedgerReader.kept_from` says.

    Returns
    -------
    bool
        True if no removal has touched them.
    """
    return kept_from is None or night_bounds(night, days)[0] - DAY >= kept_from


def _waiting(ledger: LedgerReader, point: str) -> Iterator[date]:
    """List the nights that are open, or closed and not recorded."""
    body = ledger.open_night(point)
    if body is None:
        return
    saved = read_saved(body)
    if saved.night is not None:
        yield saved.night.night
    yield from (facts.night for facts in saved.pending.facts)
    yield from saved.pending.nights


def _counted_on_from(
    ledger: LedgerReader, point: str, now: datetime, days: AccountDays
) -> Iterator[datetime]:
    """Give the night of the last reading: a silent meter may report later what flowed."""
    last = max((read.at for read in ledger.register_readings(point, now, now)), default=None)
    if last is not None:
        yield max(night_bounds(night_of(last, days), days)[0], now - timedelta(days=MOST_NIGHTS))
