"""Number the transactions of OCPP, so that numbers only grow, also across restarts."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from itertools import count
from typing import Final

_FIRST_SECOND: Final = datetime(2020, 1, 1, tzinfo=UTC)
LONGEST: Final = timedelta(days=30)
"""No transaction lasts longer, or waits longer for a connection."""


def transaction_ids_from(now: datetime) -> Iterator[int]:
    """Yield transaction numbers, the first one being the seconds since 2020.

    Parameters
    ----------
    now
        When the daemon starts, in UTC.

    Yields
    ------
    int
        Numbers that only grow, also across restarts, as long as there are fewer transactions than
        seconds; they fit in 32 bits until 2088.
    """
    yield from count(_number_at(now))


def may_be_earlier(transaction: int, now: datetime) -> bool:
    """Return whether a daemon before this one may have given out a number, not long ago."""
    return _number_at(now - LONGEST) <= transaction <= _number_at(now)


def _number_at(instant: datetime) -> int:
    return int((instant - _FIRST_SECOND).total_seconds())
