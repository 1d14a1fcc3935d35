"""What the home draws is put together from a meter's own topics."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from pydantic import ValidationError

from adapters.contract.messages import HomeLoad, MalformedMessage
from adapters.wired.load_meter import WiredLoadMeter
from config.wiring.meters import LoadMeter

NOW = datetime(2026, 6, 3, 9, tzinfo=UTC)
SECOND = timedelta(seconds=1)


def meter(*phases: dict[str, Any], **keys: object) -> WiredLoadMeter:
    return WiredLoadMeter(LoadMeter.model_validate({"phases": phases, **keys}))


ONE_TOPIC = meter(
    *({"topic": "meter/all", "pointer": f"/i/{place}", "scale": 0.001} for place in range(3)),
    includes_charge_points=True,
)


def test_three_phases_of_one_payload() -> None:
    """Each has its pointer and its scale."""
    load = ONE_TOPIC.read("meter/all", b'{"i": [21300, 4000, "6500"]}', NOW, retain=False)
    assert load == HomeLoad(at=NOW, amps=(21.3, 4.0, 6.5), includes_charge_points=True)


def test_three_phases_of_three_topics() -> None:
    """The reading is as old as the oldest of them; there is none before all are known."""
    three = meter(*({"topic": f"meter/{name}"} for name in ("l1", "l2", "l3")))
    assert three.topic_filters == ("meter/l1", "meter/l2", "meter/l3")
    assert three.read("meter/l1", b"5", NOW, retain=False) is None
    assert three.read("meter/l2", b"6", NOW + SECOND, retain=False) is None
    load = three.read("meter/l3", b"7", NOW + 2 * SECOND, retain=False)
    assert load == HomeLoad(at=NOW, amps=(5, 6, 7))
    load = three.read("meter/l1", b"20", NOW + 3 * SECOND, retain=False)
    assert load == HomeLoad(at=NOW + SECOND, amps=(20, 6, 7))


def test_what_the_broker_had_stored_is_too_old() -> None:
    """A stored message may be of last week."""
    one = meter({"topic": "meter/l1"})
    assert one.read("meter/l1", b"5", NOW, retain=True) is None
    assert one.read("meter/l2", b"5", NOW, retain=False) is None
    assert one.read("meter/l1", b"5", NOW, retain=False) == HomeLoad(at=NOW, amps=(5,))


@pytest.mark.parametrize(
    "payload", [b"", b"{", b"\xff", b'{"i": [1, 2]}', b'{"i": [1, 2, null]}', b'{"i": [1, 2, 9e9]}']
)
def test_what_can_not_be_read(payload: bytes) -> None:
    """One bad value spoils the message, and nothing of it is kept."""
    with pytest.raises(MalformedMessage, match="load_meter"):
        ONE_TOPIC.read("meter/all", payload, NOW, retain=False)


def test_a_meter_has_one_phase_or_three() -> None:
    """Two currents leave open what the third phase draws."""
    with pytest.raises(ValidationError, match="expected one current, or three"):
        meter({"topic": "meter/l1"}, {"topic": "meter/l2"})
