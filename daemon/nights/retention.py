"""From when on raw readings are kept: never later than anything that may be accounted for again.

Whole calendar months go at once, as a rate may change with the use of a month.
"""

from __future__ import annotations

from datetime import time, timedelta
from typing import TYPE_CHECKING

from daemon.nights.kept import kept_of
from daemon.nights.recount import MOST_NIGHTS
from planners.local_time.conversion import instant_of_local, local_date
from planners.local_time.departures import night_bounds, night_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import date, datetime
    from zoneinfo import ZoneInfo

    from adapters.ledger.reader import LedgerReader

DAY = timedelta(days=1)

BELIEVED_NIGHTS = 3
"""A clock that leaps ahead records a night or two of its own: the third latest is believed."""


def keep_from(
    ledger: LedgerReader, now: datetime, zone: ZoneInfo, keep_days: int
) -> datetime | None:
    """Tell from when on raw readings are to be kept.

    Parameters
    ----------
    ledger : LedgerReader
        The record.
    now : datetime
        UTC.
    zone : ZoneInfo
        The household's.
    keep_days : int
        How long they are kept at the least [days].

    Returns
    -------
    datetime or None
        The first instant of a local month, UTC; None while too few nights are recorded to tell.
    """
    nights = ledger.latest_nights(BELIEVED_NIGHTS)
    if len(nights) < BELIEVED_NIGHTS:
        return None
    believed = min(now, night_bounds(nights[-1], zone)[1])
    needed = [believed - timedelta(days=keep_days)]
    for point in ledger.charge_points():
        needed += [night_bounds(night, zone)[0] for night in _waiting(ledger, point)]
        needed += _counted_on_from(ledger, point, now, zone)
    # An account looks a day back, for a register that fell just before its night.
    first = local_date(min(needed) - DAY, zone).replace(day=1)
    return instant_of_local(first, time.min, zone)


def has_all_readings(night: date, zone: ZoneInfo, kept_from: datetime | None) -> bool:
    """Tell whether all readings of a night are still there.

    Parameters
    ----------
    night : date
        The night.
    zone : ZoneInfo
        The household's.
    kept_from : datetime or None
        As `LedgerReader.kept_from` tells.

    Returns
    -------
    bool
        True where no removal has come near it.
    """
    return kept_from is None or night_bounds(night, zone)[0] - DAY >= kept_from


def _waiting(ledger: LedgerReader, point: str) -> Iterator[date]:
    """Give the nights that are open, or closed and not recorded."""
    body = ledger.open_night(point)
    if body is None:
        return
    kept = kept_of(body)
    if kept.night is not None:
        yield kept.night.night
    yield from (facts.night for facts in kept.owed.facts)
    yield from kept.owed.nights


def _counted_on_from(
    ledger: LedgerReader, point: str, now: datetime, zone: ZoneInfo
) -> Iterator[datetime]:
    """Give the night of the last reading: a meter that was silent may tell later what flowed."""
    last = max((read.at for read in ledger.register_readings(point, now, now)), default=None)
    if last is not None:
        yield max(night_bounds(night_of(last, zone), zone)[0], now - timedelta(days=MOST_NIGHTS))
