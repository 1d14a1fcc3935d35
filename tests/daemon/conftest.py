"""Fixtures for the daemon's tests: real brokers, a command line, logs as they are by default."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
import structlog

from tests.daemon.worlds import RecordedBus
from tests.support.brokers import make_mosquitto, mosquitto
from tests.support.commands import run
from tests.support.daemons import meet, run_daemon
from tests.support.held import published

__all__ = ["make_mosquitto", "meet", "mosquitto", "run", "run_daemon"]


@pytest.fixture(autouse=True)
def _held_to_the_contract() -> Iterator[None]:
    """Hold every message that a test of the daemon publishes against the contract of the bus."""
    with published(RecordedBus):
        yield


@pytest.fixture(autouse=True)
def _logs_as_they_were() -> Iterator[None]:
    """Keep the log set-up of one test's command line from the next test."""
    yield
    structlog.reset_defaults()
