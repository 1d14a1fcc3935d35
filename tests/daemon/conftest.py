"""Fixtures for the daemon's tests: brokers, a command line and a ledger."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from structlog.testing import capture_logs

from adapters.ledger.ledger import Ledger, open_ledger
from daemon.presentation import page_pictures
from tests.daemon.worlds import RecordedBus
from tests.support.brokers import make_mosquitto, mosquitto, quick_mosquitto
from tests.support.bus_contract import check_published
from tests.support.commands import run
from tests.support.daemons import meet, run_daemon
from tests.support.quick_ledgers import quick_ledgers
from tests.support.solved import each_solved_once

__all__ = [
    "each_solved_once", "make_mosquitto", "meet", "mosquitto", "quick_mosquitto", "run",
    "run_daemon",
]  # fmt: skip


@pytest.fixture(autouse=True)
def _held_to_the_contract() -> Iterator[None]:
    """Hold every message that a test of the daemon publishes against the contract of the bus."""
    with check_published(RecordedBus):
        yield


@pytest.fixture(autouse=True, scope="module")
def _quick_ledgers() -> Iterator[None]:
    """Spare these tests the wait for the disk at each commit."""
    with quick_ledgers():
        yield


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Leave the pictures on a page empty, in a test of its words: drawing takes a second a page."""
    monkeypatch.setattr(page_pictures, "_element", lambda _figure, name: f'<svg id="{name}"></svg>')


@pytest.fixture
def no_log() -> Iterator[None]:
    """Keep what a test logs to itself."""
    with capture_logs():
        yield


@pytest.fixture
def ledger(tmp_path: Path) -> Iterator[Ledger]:
    """Open an empty ledger, `ledger.sqlite3` in the test's directory."""
    with open_ledger(tmp_path / "ledger.sqlite3") as opened:
        yield opened
