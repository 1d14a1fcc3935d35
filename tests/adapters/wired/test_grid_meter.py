"""What flows between the home and the grid is put together from a meter's own topics."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from adapters.contract.messages import GridPower, MalformedMessage
from adapters.wired.grid_meter import WiredGridMeter
from config.wiring.meters import GridMeter

NOW = datetime(2026, 6, 3, 1, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def meter(**keys: Any) -> WiredGridMeter:  # noqa: ANN401 - as in a household file
    return WiredGridMeter(GridMeter.model_validate(keys))


def test_one_signed_power() -> None:
    """A meter that has export positive is turned round by its scale."""
    wired = meter(power=[{"topic": "grid/p", "unit": "kW", "scale": -1}])
    read = wired.read("grid/p", b"2.31", NOW, retain=False)
    assert read == GridPower(at=NOW, watts=(-2310.0,))


def test_import_and_export_apart() -> None:
    """Export is taken off, whichever sign it has; the reading is as old as the older of both."""
    wired = meter(power=[{"topic": "grid/in"}], export=[{"topic": "grid/out"}])
    assert wired.topic_filters == ("grid/in", "grid/out")
    assert wired.read("grid/in", b"0", NOW, retain=False) is None
    read = wired.read("grid/out", b"1500", NOW + SECOND, retain=False)
    assert read == GridPower(at=NOW, watts=(-1500.0,))
    read = wired.read("grid/out", b"-1500", NOW + SECOND, retain=False)
    assert read == GridPower(at=NOW, watts=(-1500.0,))


def test_three_phases_of_one_payload() -> None:
    """Their sum counts, as meters net them."""
    wired = meter(power=[{"topic": "grid", "pointer": f"/{n}"} for n in range(3)])
    read = wired.read("grid", b"[-2800, 310, 180]", NOW, retain=False)
    assert read is not None
    assert read.watts == (-2800.0, 310.0, 180.0)
    assert read.total_watts == -2310.0


@pytest.mark.parametrize("payload", [b"", b"many", b"501000", b"nan", b"[1]"])
def test_what_can_not_be_read(payload: bytes) -> None:
    """A bad value is refused, and named with the meter's key."""
    with pytest.raises(MalformedMessage, match="grid_meter"):
        meter(power=[{"topic": "grid"}]).read("grid", payload, NOW, retain=False)


@pytest.mark.parametrize(
    ("keys", "match"),
    [
        ({"power": [{"topic": "a"}, {"topic": "b"}]}, "expected one power, or three"),
        (
            {"power": [{"topic": "a"}], "export": [{"topic": "b"}, {"topic": "c"}]},
            "expected 1, as many as power; got 2",
        ),
    ],
)
def test_as_many_powers_as_phases(keys: dict[str, Any], match: str) -> None:
    """Two powers leave open what the third phase does."""
    with pytest.raises(ValidationError, match=match):
        meter(**keys)
