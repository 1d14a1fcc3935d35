"""Nights that several tests compare theirs with, each played once."""

from __future__ import annotations

from typing import Any

import pytest

from tests.daemon.messaging.wired_night import figures, rehearsed, variant
from tests.support.brokers import quick_broker
from tests.support.bus_contract import check_published
from tests.support.quick_ledgers import quick_ledgers


@pytest.fixture(scope="session")
def usual(tmp_path_factory: pytest.TempPathFactory) -> tuple[Any, ...]:
    """Return the figures of the night by the daemon's own messages, on a separate broker."""
    folder = tmp_path_factory.mktemp("usual")
    with quick_broker(folder / "mosquitto") as broker, check_published(), quick_ledgers():
        return figures(rehearsed(variant(folder, "contract"), broker, None, folder).night)
