"""Faults that are put into the daemon, to see whether the nights show them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import timedelta
from itertools import count
from typing import TYPE_CHECKING, Final
from unittest.mock import patch

from adapters.ledger import ledger
from adapters.ledger.file import transaction
from adapters.ledger.reader import LedgerReader
from daemon.control import controller, learning
from daemon.control.events import TimePassed
from daemon.service import recovery, service

if TYPE_CHECKING:
    import sqlite3

    from daemon.control.state import PointState

Planted = AbstractContextManager[object]
_LOST_EVERY: Final = 50


def _lost_transactions() -> Planted:
    numbers = count(1)

    @contextmanager
    def lossy(connection: sqlite3.Connection) -> Iterator[None]:
        with transaction(connection):
            yield
            if next(numbers) % _LOST_EVERY == 0:
                connection.execute("ROLLBACK")
                connection.execute("BEGIN")

    return patch.object(ledger, "transaction", lossy)


def _no_command_remembered(state: PointState, *_: object) -> PointState:
    return state


PLANTED: Final[Mapping[str, Callable[[], Planted]]] = {
    "one transaction in fifty is lost": _lost_transactions,
    "a start is good for six hours": lambda: patch.object(
        controller, "_holds", lambda *_: timedelta(hours=6)
    ),
    "a broker that is back is told nothing": lambda: patch.object(
        service, "BusConnected", TimePassed
    ),
    "the night under way is forgotten": lambda: patch.object(
        LedgerReader, "open_night", lambda *_: None
    ),
    "the last command is forgotten": lambda: patch.object(
        recovery, "_with_command", _no_command_remembered
    ),
    "what failed unseen is not planned again": lambda: patch.object(
        learning, "_failed_unseen", lambda *_: False
    ),
}


def planted(name: str) -> Planted:
    """Return what plants a fault by its name; nothing if that is empty."""
    return PLANTED[name]() if name else nullcontext()
