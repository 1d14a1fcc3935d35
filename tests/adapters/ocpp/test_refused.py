"""Commands that OCPP equipment refuses, does not answer, or accepts and does not obey."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path

import pytest
from ocpp.exceptions import NotSupportedError
from ocpp.v16 import call

from adapters.contract.messages import Command
from adapters.ocpp.command_sender import Patience
from adapters.ocpp_point.events import CallRefused
from tests.adapters.ocpp.world import (
    MINUTE,
    NOW,
    PLAN,
    STOP,
    World,
    asked_for,
    limits_of,
    start,
    world_with,
)
from tests.support.waiting import patience, wait_until


def test_a_refused_start_is_tried_again(world: World) -> None:
    """Each refusal is handed on with the equipment's answer, until it accepts the start."""
    plugged = world.ready()
    no = NotSupportedError("no")
    plugged.point.script["RemoteStartTransaction"] = ["Rejected", "Rejected", no, no]
    world.send(start())
    asked_for(plugged, "RemoteStartTransaction", 5)
    world.recorder.wait_for(CallRefused, 2)
    asked = plugged.asked("RemoteStartTransaction")
    assert ["charging_profile" in each for each in asked] == [True, False, True, False, True]
    assert world.recorder.of(CallRefused) == [
        CallRefused("driveway", "RemoteStartTransaction", "Rejected"),
        CallRefused("driveway", "RemoteStartTransaction", "NotSupported: no"),
    ]


def test_a_plan_that_equipment_refuses_is_left_out(world: World) -> None:
    """Equipment that refuses a profile with the plan gets one without it."""
    plugged = world.ready()
    plugged.begin(NOW)
    plugged.point.script["SetChargingProfile"] = ["Rejected"]
    world.send(start(16), *PLAN)
    first, second = (
        asked_for(plugged, "SetChargingProfile", times)["cs_charging_profiles"] for times in (1, 2)
    )
    assert limits_of(first) == [(0, 16), (90, 0), (120, 16), (150, 0)]
    assert limits_of(second) == [(0, 16), (30, 0)]
    assert world.recorder.of(CallRefused) == []


def test_a_refused_limit_of_0_ends_the_transaction(world: World) -> None:
    """To stop equipment without charging profiles, the transaction is ended."""
    plugged = world.ready()
    transaction = plugged.begin(NOW)
    plugged.point.script["SetChargingProfile"] = [NotSupportedError()]
    plugged.point.script["RemoteStopTransaction"] = ["Accepted"]
    world.send(STOP)
    assert asked_for(plugged, "RemoteStopTransaction") == {"transaction_id": transaction}
    plugged.end(transaction, NOW, 2000)
    assert world.recorder.of(CallRefused) == []


def test_a_stop_that_is_not_obeyed_ends_the_transaction(world: World) -> None:
    """If equipment accepts a limit of 0 and still charges, the repeated stop ends it."""
    plugged = world.ready()
    transaction = plugged.begin(NOW)
    plugged.status("Charging")
    world.send(STOP)
    asked_for(plugged, "SetChargingProfile")
    world.send(STOP)  # at once: the equipment has had no time to obey
    asked_for(plugged, "SetChargingProfile", 2)
    plugged.say(call.Heartbeat())
    assert plugged.asked("RemoteStopTransaction") == []
    world.clock.advance_to(NOW + MINUTE)
    world.send(STOP)
    assert asked_for(plugged, "RemoteStopTransaction") == {"transaction_id": transaction}


def test_a_stop_is_repeated_until_it_is_accepted(world: World) -> None:
    """A stop that is refused in every form is sent again, however often."""
    plugged = world.ready()
    plugged.begin(NOW)
    plugged.point.script["SetChargingProfile"] = ["Rejected"] * 6
    plugged.point.script["RemoteStopTransaction"] = ["Rejected"] * 5
    world.send(STOP)
    asked_for(plugged, "RemoteStopTransaction", 6)
    assert (
        world.recorder.of(CallRefused)
        == [CallRefused("driveway", "RemoteStopTransaction", "Rejected")] * 5
    )


def test_an_answer_that_never_comes(tmp_path: Path) -> None:
    """No answer counts as a refusal, and the command is sent again."""
    patience = Patience(0.1, 5, 0.05, retry_seconds=0.02, most_retry_seconds=0.05)
    with world_with(tmp_path, patience) as world:
        plugged = world.ready()
        asked_for(plugged, "ChangeConfiguration", 2)
        plugged.point.silent = True
        world.send(start())
        world.recorder.wait_for(CallRefused, 2)
        assert world.recorder.of(CallRefused)[0] == CallRefused(
            "driveway", "RemoteStartTransaction", "no answer in time"
        )


@pytest.mark.parametrize(
    "answer",
    [
        [3, "{id}", {"status": "Perhaps"}],
        [3, "{id}", {}],
        [3, "{id}", None],
        [3, "{id}", ["Accepted"]],
        [4, "{id}", "SomeOtherCode", "", {}],
        [4, "{id}", "GenericError", "no", {}],
        [4, "{id}", 17, None, None],
    ],
)
def test_malformed_answers(answer: list[object], world: World) -> None:
    """A malformed answer counts as a refusal, and the connection goes on."""
    with world.raw() as connection:
        connection.send(json.dumps([2, "1", "Heartbeat", {}]))
        answered: Counter[str] = Counter()
        while True:
            kind, unique, *rest = json.loads(connection.recv(timeout=patience(5)))
            if kind == 3:
                continue
            if rest[0] == "RemoteStartTransaction" and answered[rest[0]] == 0:
                break
            answered[rest[0]] += 1
            connection.send(json.dumps([3, unique, {"status": "Accepted"}]))
            if rest[0] == "ChangeConfiguration" and answered[rest[0]] == 2:
                world.send(start())
        for _ in ("with its profile", "alone"):
            connection.send(json.dumps([unique if each == "{id}" else each for each in answer]))
            _, unique, name, *_ = json.loads(connection.recv(timeout=patience(5)))
            assert name == "RemoteStartTransaction"
        world.recorder.wait_for(CallRefused)
        (refused,) = world.recorder.of(CallRefused)
        assert refused.call == "RemoteStartTransaction"
        assert refused.reason


def test_the_newest_command_counts(world: World) -> None:
    """A refused command is given up as soon as a newer one is sent."""
    plugged = world.ready()
    plugged.begin(NOW)
    plugged.point.script["SetChargingProfile"] = ["Rejected"] * 3
    plugged.point.script["TxDefaultProfile"] = ["Rejected"] * 9
    world.send(start(8))
    world.recorder.wait_for(CallRefused)
    plugged.point.script["SetChargingProfile"].clear()
    world.send(start(20))

    def newest() -> float:
        asked = plugged.asked("SetChargingProfile")[-1]["cs_charging_profiles"]
        return limits_of(asked)[0][1]

    wait_until(lambda: newest() == 20.0)


def test_an_expired_start_is_not_sent(world: World) -> None:
    """Neither one that has expired already, nor one that expires while equipment refuses it."""
    plugged = world.ready()
    send_and_wait(world, start(minutes=0))
    plugged.point.script["RemoteStartTransaction"] = ["Rejected"] * 1000
    world.send(start(minutes=10))
    world.recorder.wait_for(CallRefused)
    world.clock.advance_to(NOW + 10 * MINUTE)
    plugged.begin(NOW + 10 * MINUTE)
    send_and_wait(world, start(minutes=10))
    world.send(start(minutes=40))
    (profile,) = (
        each["cs_charging_profiles"]
        for each in [
            asked_for(plugged, "SetChargingProfile"),
            *plugged.asked("SetChargingProfile")[1:],
        ]
    )
    assert limits_of(profile) == [(0, 16.0), (30, 0.0)]
    started = [
        limits_of(each["charging_profile"])
        for each in plugged.asked("RemoteStartTransaction")
        if "charging_profile" in each
    ]
    assert set(map(tuple, started)) == {((0, 16.0), (10, 0.0))}


def send_and_wait(world: World, command: Command) -> None:
    """Send a command, and wait until the server has handled it, before a newer one replaces it."""
    world.send(command)
    assert world.server._connections is not None
    sender = world.server._connections._senders["driveway"]
    wait_until(lambda: sender._in_force is not None and sender._in_force.command == command)
    wait_until(lambda: not sender._has_changed.is_set())


def test_a_refusal_does_not_lose_the_transaction(world: World) -> None:
    """Equipment that reports its charge late can still be stopped, by the number that it got."""
    plugged = world.ready()
    plugged.status("Preparing")
    plugged.point.script["SetChargingProfile"] = ["Rejected"] * 9
    plugged.point.script["TxDefaultProfile"] = ["Rejected"] * 9
    plugged.point.script["RemoteStartTransaction"] = ["Accepted", "Rejected"]
    world.send(start())
    asked_for(plugged, "RemoteStartTransaction")
    transaction = plugged.begin(NOW)
    asked_for(plugged, "RemoteStartTransaction", 2)  # since the status is still "Preparing"
    plugged.status("Charging")
    world.send(STOP)
    assert asked_for(plugged, "RemoteStopTransaction") == {"transaction_id": transaction}


def test_a_transaction_that_is_believed_to_have_ended_is_stopped_all_the_same(world: World) -> None:
    """A status that comes late must not take away the number that a stop needs."""
    plugged = world.ready()
    transaction = plugged.begin(NOW)
    plugged.status("Available")
    plugged.status("Charging")
    plugged.point.script["SetChargingProfile"] = ["Rejected"]
    world.send(STOP)
    assert asked_for(plugged, "RemoteStopTransaction") == {"transaction_id": transaction}


def test_an_unknown_transaction_is_asked_for_before_it_is_stopped(tmp_path: Path) -> None:
    """After a restart nobody knows its number, and samples may come every quarter of an hour."""
    with world_with(tmp_path, Patience(sample_seconds=0.5)) as world:
        plugged = world.ready()
        plugged.status("Charging")
        plugged.point.script["SetChargingProfile"] = ["Rejected"]
        triggered = len(plugged.asked("TriggerMessage"))
        world.send(STOP)
        asked_for(plugged, "TriggerMessage", triggered + 2)
        plugged.meter(NOW, {"value": "5"}, transaction=4711)
        assert asked_for(plugged, "RemoteStopTransaction") == {"transaction_id": 4711}


def test_a_stop_is_sent_again_once_the_status_shows_a_charge(world: World) -> None:
    """Equipment that begins by itself, and reports no transaction, is stopped too."""
    plugged = world.ready()
    world.send(STOP)
    plugged.status("Charging")
    asked = asked_for(plugged, "SetChargingProfile")["cs_charging_profiles"]
    assert limits_of(asked) == [(0, 0.0)]


def test_meter_values_are_asked_for_after_a_stop(tmp_path: Path) -> None:
    """They show whether it stopped; by itself equipment may send them much later."""
    with world_with(tmp_path, Patience(sample_seconds=0.05, stop_seconds=0.05)) as world:
        plugged = world.ready()
        plugged.begin(NOW)
        plugged.status("Charging")
        world.send(STOP)
        asked_for(plugged, "SetChargingProfile")
        wait_until(lambda: plugged.asked("TriggerMessage")[-1]["requested_message"] == "MeterValues"
                   and len(plugged.asked("TriggerMessage")) > 2)  # fmt: skip


def test_a_stop_that_finds_nothing_to_stop_is_not_repeated(world: World) -> None:
    """Equipment whose status shows no transaction refuses every stop, and rightly."""
    plugged = world.ready()
    plugged.begin(NOW)
    plugged.status("Preparing")
    plugged.point.script["SetChargingProfile"] = ["Rejected"]
    plugged.point.script["RemoteStopTransaction"] = ["Rejected"]
    world.send(STOP)
    asked_for(plugged, "RemoteStopTransaction")
    plugged.say(call.Heartbeat())
    assert world.recorder.of(CallRefused) == []
