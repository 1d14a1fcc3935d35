"""Fixtures for the service's tests: copies of the example households."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.daemon.worlds import KOWHAI


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Copy the demo household."""
    copy = tmp_path / "house.yaml"
    copy.write_bytes(KOWHAI.read_bytes())
    return copy


@pytest.fixture
def series(tmp_path: Path) -> Path:
    """Copy the household on day-ahead prices, with its price file."""
    (tmp_path / "prices.csv").write_bytes(KOWHAI.with_name("prices.csv").read_bytes())
    copy = tmp_path / "house.yaml"
    copy.write_bytes(KOWHAI.with_name("day-ahead.yaml").read_bytes())
    return copy
