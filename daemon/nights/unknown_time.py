"""Find the time of a night in which nothing shows whether a vehicle charged. Pure.

A register's rise says what flowed while readings were lost: the broker had restarted without its
store, or the daemon was away. Hardware that reports only its power says nothing afterwards.
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from daemon.control.state import LONGEST_GAP

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from adapters.ledger.rows import StoredCommand
    from config.household.equipment import ChargePoint

EVER = (datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC))


def unknown_time(
    commands: Sequence[StoredCommand],
    readings: Sequence[datetime],
    start: datetime,
    end: datetime,
    *,
    has_register: bool,
) -> timedelta:
    """Return for how long a start was in force while nothing shows what flowed.

    Parameters
    ----------
    commands : sequence of StoredCommand
        Those of the span, and the last one before it.
    readings : sequence of datetime
        When the register was read, in order: from the last reading before the span.
    start, end : datetime
        The span.
    has_register : bool
        Whether the hardware counts its energy, so that two readings show all that flowed between.

    Returns
    -------
    timedelta
        0 if everything is known.
    """
    silences = list(_silences(readings, has_register=has_register))
    overlaps = (
        min(until, silent_until, end) - max(since, silent_since, start)
        for since, until in starts_in_force(commands)
        for silent_since, silent_until in silences
    )
    return sum((each for each in overlaps if each > timedelta(0)), timedelta(0))


def has_register(point: ChargePoint) -> bool:
    """Whether a charge point's readings hold its own register, not one counted from its power."""
    hear = point.wiring.hear if point.wiring else None
    return hear is None or hear.energy is not None


def starts_in_force(commands: Sequence[StoredCommand]) -> Iterator[tuple[datetime, datetime]]:
    """List from when until when each start was in force.

    Parameters
    ----------
    commands : sequence of StoredCommand
        In order of time.

    Yields
    ------
    tuple of datetime
        Its first instant, and when it was replaced or expired; UTC.
    """
    ends = [*(command.at for command in commands[1:]), EVER[1]]
    for command, replaced_at in zip(commands, ends, strict=False):
        if command.do == "start":
            yield command.at, min(replaced_at, command.valid_until)


def _silences(
    readings: Sequence[datetime], *, has_register: bool
) -> Iterator[tuple[datetime, datetime]]:
    if not readings:
        yield EVER
        return
    yield EVER[0], readings[0]
    if not has_register:
        for before, after in pairwise(readings):
            yield before + LONGEST_GAP, after
    yield readings[-1] + LONGEST_GAP, EVER[1]
