"""A process that writes to a ledger until it is killed; `test_ledger_kill` runs it.

Usage: ``python -m tests.adapters.ledger.ledger_victim write PATH FIRST`` or
``... make DIRECTORY FIRST``.
It prints a number on a line once the ledger has acknowledged it.
"""

from __future__ import annotations

import sys
from datetime import UTC, date, datetime, timedelta
from itertools import count
from pathlib import Path

from adapters.ledger.ledger import open_ledger

NOON = datetime(2026, 6, 3, tzinfo=UTC)
NIGHT = date(2026, 6, 3)


def instant(number: int) -> datetime:
    """Return the instant of reading `number`."""
    return NOON + timedelta(seconds=number)


def acknowledge(number: int) -> None:
    """Tell the parent process at once."""
    sys.stdout.write(f"{number}\n")
    sys.stdout.flush()


def write(path: Path, first: int) -> None:
    """Add readings, and close one night again and again."""
    with open_ledger(path) as ledger:
        for number in count(first):
            ledger.add_reading("driveway", instant(number), 1000 + number, 3610.0, 15.7)
            ledger.close_night(NIGHT, "driveway", "hatchback", NOON, {"number": number})
            acknowledge(number)


def make(directory: Path, first: int) -> None:
    """Make one ledger after the other."""
    for number in count(first):
        with open_ledger(directory / f"{number}.sqlite3") as ledger:
            ledger.add_reading("driveway", instant(number), number)
        acknowledge(number)


if __name__ == "__main__":
    {"write": write, "make": make}[sys.argv[1]](Path(sys.argv[2]), int(sys.argv[3]))
