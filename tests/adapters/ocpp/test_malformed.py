"""Malformed frames and calls, and values that can't be right."""

from __future__ import annotations

import json
from typing import Any

import pytest
from ocpp.v16 import call
from websockets.exceptions import ConnectionClosed
from websockets.sync.connection import Connection

from adapters.contract.messages import Reading, VehicleReport
from adapters.ocpp_point.events import EquipmentDisconnected
from adapters.ocpp_point.transaction_numbers import transaction_ids_from
from tests.adapters.ocpp.world import (
    MINUTE,
    NOW,
    STANDARD,
    World,
)
from tests.support.waiting import patience


def read_on(connection: Connection) -> None:
    while True:
        connection.recv(timeout=patience(5))


FRAMES: tuple[str | bytes, ...] = (
    "",
    "{",
    "null",
    "17",
    '"text"',
    "[]",
    "{}",
    "[2]",
    '[2,"1"]',
    '[2,"1","Heartbeat"]',
    '[2,"1","Heartbeat",{},{}]',
    '[9,"1","Heartbeat",{}]',
    '[[2],"1","Heartbeat",{}]',
    '[2,"1",{"a":1},{}]',
    '[2,"1",null,null]',
    '[3,"1",{}]',
    '[3,["1"],{}]',
    '[4,"1","InternalError","",{}]',
    "[" * 30_000,
    '[2,"1","Heartbeat",' + '{"a":' * 8_000 + "1" + "}" * 8_000 + "]",
    "1" * 5_000,
    b"\xff\xfe\x00",
    b"[2,",
)


@pytest.mark.parametrize("frame", FRAMES)
def test_malformed_frames_do_no_harm(frame: str | bytes, world: World) -> None:
    """A frame that is no message is skipped; the next message gets its answer."""
    with world.raw() as connection:
        connection.send(frame)
        connection.send(json.dumps([2, "after", "Heartbeat", {}]))
        for _ in range(10):
            kind, unique, *_ = json.loads(connection.recv(timeout=patience(5)))
            if (kind, unique) == (3, "after"):
                return
    raise AssertionError("the heartbeat has no answer")


@pytest.mark.parametrize(
    ("action", "payload", "code"),
    [
        ("BootNotification", {"chargePointVendor": "VendorX"}, "ProtocolError"),
        ("StatusNotification", {"connectorId": "1"}, None),
        ("MeterValues", {"connectorId": "1", "meterValue": []}, "FormationViolation"),
        ("MeterValues", {"connectorId": 1, "meterValue": {}}, "FormationViolation"),
        ("MeterValues", None, "InternalError"),
        (
            "StopTransaction",
            {"transactionId": 1.5, "meterStop": 1, "timestamp": ""},
            "FormationViolation",
        ),
        ("StartTransaction", {"connectorId": 1, "idTag": "x" * 21}, None),
        ("RemoteStopTransaction", {"transactionId": 1}, None),
        ("Heartbeat", {"hear": "me"}, "FormationViolation"),
        ("Levitate", {}, None),
    ],
)
def test_malformed_calls_get_a_call_error(
    action: str, payload: object, code: str | None, world: World
) -> None:
    """OCPP-J 1.6, section 4.2.3: five elements, one of them a code; nothing is handed on."""
    with world.raw() as connection:
        connection.send(json.dumps([2, "19223201", action, payload]))
        answer: list[Any] = []
        while not answer or answer[0] != 4:
            answer = json.loads(connection.recv(timeout=patience(5)))
        assert len(answer) == len(STANDARD["call_error"]["elements"])
        assert answer[:2] == [4, "19223201"]
        assert code in {None, answer[2]}
        assert answer[2] in STANDARD["error_codes"]["codes"]
        assert isinstance(answer[4], dict)
    assert world.recorder.of(Reading) == []
    assert world.recorder.of(VehicleReport) == []


def test_huge_frames(world: World) -> None:
    """Beyond 64 KiB the connection ends with 1009 (RFC 6455, section 7.4.1); others are served."""
    with world.raw() as connection:
        connection.send(
            json.dumps([2, "1", "DataTransfer", {"vendorId": "x", "data": "y" * 65_536}])
        )
        with pytest.raises(ConnectionClosed) as caught:
            read_on(connection)
        assert caught.value.rcvd is not None
        assert caught.value.rcvd.code == 1009
    world.recorder.wait_for(EquipmentDisconnected)
    assert world.ready().boot().status == "Accepted"


def test_a_clock_an_hour_ahead(world: World) -> None:
    """Instants of equipment whose clock is ahead are replaced by the daemon's."""
    plugged = world.ready()
    plugged.begin(NOW + 60 * MINUTE)
    plugged.meter(NOW + 60 * MINUTE, {"value": "1100"})
    plugged.say(call.StatusNotification(1, "NoError", "Charging", (NOW + 60 * MINUTE).isoformat()))
    assert {each.at for each in world.recorder.of(Reading)} == {NOW}
    assert [each.at for each in world.recorder.of(VehicleReport)] == [NOW]


def test_odd_meter_values_are_acknowledged(world: World) -> None:
    """A value that the standard does not know is skipped; the register beside it is read."""
    plugged = world.ready()
    odd = {"value": "1", "measurand": "Humidity", "unit": "drops"}
    values = [{"timestamp": NOW.isoformat(), "sampled_value": [odd, {"value": "2500"}]}]
    message = call.MeterValues(1, values)
    plugged.run(plugged.point.call(message, suppress=False, skip_schema_validation=True))
    assert [each.register_kwh for each in world.recorder.of(Reading)] == [2.5]


def test_data_of_a_transaction(world: World) -> None:
    """Samples in the message that ends a transaction are handed on before its last register."""
    plugged = world.ready()
    transaction = plugged.begin(NOW - 9 * MINUTE, 1000)
    values = [
        {
            "timestamp": (NOW - minutes * MINUTE).isoformat(),
            "sampled_value": [{"value": str(2000 - 100 * minutes), "context": "Transaction.Begin"}],
        }
        for minutes in (6, 3)
    ]
    message = call.StopTransaction(2000, NOW.isoformat(), transaction, transaction_data=values)
    assert plugged.say(message).id_tag_info["status"] == "Accepted"
    assert [each.register_kwh for each in world.recorder.of(Reading)] == [1.0, 1.4, 1.7, 2.0]


@pytest.mark.parametrize("unknown", [0, -1, 999, 2**31 - 1])
def test_the_end_of_an_unknown_transaction_is_skipped(unknown: int, world: World) -> None:
    """Its register may be another connector's; a transaction that begins later is known."""
    plugged = world.ready()
    plugged.end(unknown, NOW, 7_000_000)
    assert world.recorder.of(Reading) == []
    transaction = plugged.begin(NOW, 1000)
    plugged.end(unknown, NOW, 7_000_000)
    plugged.end(transaction, NOW, 3000)
    assert [each.register_kwh for each in world.recorder.of(Reading)] == [1.0, 3.0]


def test_the_end_of_an_earlier_daemons_transaction_counts(world: World) -> None:
    """The daemon was restarted meanwhile: the number is one that it may have given out."""
    plugged = world.ready()
    earlier = next(transaction_ids_from(NOW - 600 * MINUTE))
    plugged.end(earlier, NOW, 3000)
    assert [each.register_kwh for each in world.recorder.of(Reading)] == [3.0]
