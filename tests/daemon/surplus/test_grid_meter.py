"""Import and export of whole intervals, from readings of a grid meter."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from adapters.contract.messages import GridPower
from daemon.surplus.grid_meter import GridMeter
from planners.accounts.by_source import GridInterval

START = datetime(2026, 6, 3, 1, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def test_import_and_export_count_apart() -> None:
    """Two minutes at 3 kW of import, three at 1.2 kW of export: 100 and 60 Wh by hand."""
    meter = GridMeter()
    found = None
    for after in range(0, 301, 10):
        watts = (1000.0, 1500.0, 500.0) if after < 120 else (-2000.0, 500.0, 300.0)
        at = START + after * SECOND
        found = meter.take(GridPower(at=at, watts=watts), at)
    assert found == GridInterval(START, import_wh=100, export_wh=60)


def test_a_meter_ahead_of_the_daemon() -> None:
    """Its readings count from the daemon's own instant on."""
    meter = GridMeter()
    for after in range(0, 300, 20):
        at = START + after * SECOND
        assert meter.take(GridPower(at=at + 5 * SECOND, watts=(600.0,)), at) is None
    end = START + 300 * SECOND
    found = meter.take(GridPower(at=end, watts=(600.0,)), end)
    assert found == GridInterval(START, import_wh=50, export_wh=0)
