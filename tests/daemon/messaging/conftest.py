"""Nights that several tests compare theirs with, each played once."""

from __future__ import annotations

from typing import Any

import pytest

from tests.daemon.messaging.wired_night import figures, rehearsed, variant
from tests.support.brokers import Mosquitto
from tests.support.bus_contract import check_published
from tests.support.quick_ledgers import quick_ledgers


@pytest.fixture(scope="session")
def usual(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, ...]:
    """Return the figures of the night by the daemon's own messages, on a separate broker."""
    folder = tmp_path_factory.mktemp("usual")
    broker = Mosquitto(folder / "mosquitto")
    broker.start()
    try:
        with check_published(), quick_ledgers():
            night = rehearsed(variant(folder, "contract"), broker, None, folder).night
    finally:
        broker.kill()
    return figures(night)
