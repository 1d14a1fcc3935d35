"""Write ledgers without waiting for the disk, in tests in which nobody cuts the power.

Each commit waits some 4 ms for the disk, and a played month makes thousands.
`tests/adapters/ledger` holds that a ledger waits; `tests/faults` kills daemons that do.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from adapters.ledger import file


@contextmanager
def quick_ledgers() -> Iterator[None]:
    """Let ledgers opened in this process leave it to the system when to write to the disk.

    Yields
    ------
    None
        Processes that a test starts wait for the disk as ever.
    """
    make_durable = file._make_durable

    def make_quick(connection: sqlite3.Connection, path: Path) -> None:
        make_durable(connection, path)
        connection.execute("PRAGMA synchronous = OFF")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(file, "_make_durable", make_quick)
        yield
