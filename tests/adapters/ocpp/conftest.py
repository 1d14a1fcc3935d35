"""The OCPP server that most of these tests use."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.adapters.ocpp.world import World, world_with


@pytest.fixture
def world(tmp_path: Path) -> Iterator[World]:
    with world_with(tmp_path) as made:
        yield made
