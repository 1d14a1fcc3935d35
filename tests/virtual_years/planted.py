"""Faults that are put into the daemon, to see whether the nights show them."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager, nullcontext
from datetime import datetime, timedelta
from itertools import count
from typing import TYPE_CHECKING, Final
from unittest.mock import patch

from adapters.ledger import ledger
from adapters.ledger.file import transaction
from adapters.ledger.reader import LedgerReader
from daemon.control import confirming, controller
from daemon.control.confirming import Confirmed
from daemon.control.events import TimePassed
from daemon.service import recovery, service
from daemon.service.ledger_trouble import LedgerTrouble
from daemon.service.night_keeper import NightKeeper
from tests.virtual_years.broker import Client

if TYPE_CHECKING:
    import sqlite3

    from daemon.control.state import House, PointState

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


def _no_wake_at_edges() -> Planted:
    def only_signs_of_life(_state: PointState, now: datetime, _house: House) -> datetime:
        return now + timedelta(hours=1)

    return patch.object(service, "next_wake", only_signs_of_life)


def _nothing_repeated() -> Planted:
    real = confirming.confirm

    def once(state: PointState, now: datetime, house: House) -> Confirmed:
        return real(state, now, house)._replace(repeat=False)

    return patch.object(controller, "confirm", once)


PLANTED: Final[Mapping[str, Callable[[], Planted]]] = {
    "ledger: one transaction in fifty is lost": _lost_transactions,
    "lease: a start is good for six hours": lambda: patch.object(
        controller, "_holds", lambda *_: timedelta(hours=6)
    ),
    "lease: a start is renewed once it has expired": lambda: patch.object(
        controller, "RENEWED_BEFORE", timedelta(0)
    ),
    "controller: a broker that is back is told nothing": lambda: patch.object(
        service, "BusConnected", TimePassed
    ),
    "controller: a command that is not followed is not repeated": _nothing_repeated,
    "timers: no wake-up at the edges of a plan": _no_wake_at_edges,
    "recovery: the night under way is forgotten": lambda: patch.object(
        LedgerReader, "open_night", lambda *_: None
    ),
    "recovery: the last command is forgotten": lambda: patch.object(
        recovery, "_with_command", _no_command_remembered
    ),
    "bus: what is not stored is acknowledged": lambda: patch.object(
        LedgerTrouble, "take_skipped", lambda *_: False
    ),
    "bus: the session is not kept": lambda: patch.object(
        Client, "keeps_session", property(lambda *_: False, lambda *_: None), create=True
    ),
    "nights: late readings change no record": lambda: patch.object(
        NightKeeper, "_again", lambda *_: None
    ),
}


def planted(name: str) -> Planted:
    """Return what plants a fault by its name; nothing if that is empty."""
    return PLANTED[name]() if name else nullcontext()
