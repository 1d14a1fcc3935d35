"""Connections of OCPP equipment that are lost, and come back."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from pathlib import Path
from threading import Event

from ocpp.v16 import call

from adapters.contract.messages import Reading
from adapters.ocpp.command_sender import Patience
from adapters.ocpp.connections import _end
from adapters.ocpp_point.events import (
    EquipmentConnected,
    EquipmentDisconnected,
    EquipmentEvent,
    EquipmentReady,
)
from tests.adapters.ocpp.world import (
    MINUTE,
    NOW,
    STOP,
    World,
    asked_for,
    limits_of,
    start,
    world_with,
)
from tests.support.waiting import patience, wait_until


def test_a_connection_lost_while_charging(world: World) -> None:
    """Nothing is stored to be sent later; the next command is for the same transaction."""
    plugged = world.ready()
    transaction = plugged.begin(NOW)
    plugged.cut()
    world.recorder.wait_for(EquipmentDisconnected)
    assert not world.server.send("driveway", start(10))
    assert world.server.ready == frozenset()
    back = world.equipments.connect(world.port)
    back.say(call.Heartbeat())  # a lost connection is no reason to boot
    world.recorder.wait_for(EquipmentReady, 2)
    assert back.asked("SetChargingProfile") == back.asked("RemoteStartTransaction") == []
    back.meter(NOW - 30 * MINUTE, {"value": "1500"}, transaction=transaction)
    world.send(start(12))
    asked = asked_for(back, "SetChargingProfile")["cs_charging_profiles"]
    assert (asked["transaction_id"], limits_of(asked)[0]) == (transaction, (0, 12.0))
    last = world.recorder.of(Reading)[-1]
    assert (last.at, last.register_kwh) == (NOW - 30 * MINUTE, 1.5)
    kinds = [type(each) for _, each in world.recorder.events if not isinstance(each, Reading)]
    assert kinds == [
        EquipmentConnected,
        EquipmentReady,
        EquipmentDisconnected,
        EquipmentConnected,
        EquipmentReady,
    ]


def test_a_status_survives_a_lost_connection(world: World) -> None:
    """On return equipment reports only a changed status (OCPP 1.6, 4.9, from memory)."""
    plugged = world.ready()
    plugged.status("Charging")
    plugged.cut()
    world.recorder.wait_for(EquipmentDisconnected)
    back = world.ready()
    world.send(STOP)
    asked = asked_for(back, "SetChargingProfile")["cs_charging_profiles"]
    assert limits_of(asked) == [(0, 0.0)]


def test_a_connection_that_has_ended_before_it_is_served(tmp_path: Path) -> None:
    """Nothing of it is left half begun, of which Python would complain."""
    ended, events = Event(), list[type]()

    def on_event(_charge_point: str, event: EquipmentEvent) -> None:
        assert ended.wait(patience())
        events.append(type(event))

    with world_with(tmp_path, on_event=on_event) as world:
        world.raw().close()
        ended.set()
        wait_until(lambda: events == [EquipmentConnected, EquipmentDisconnected])


def test_a_task_that_ignores_a_cancellation_is_cancelled_again() -> None:
    """Such a task does not keep a connection from ending."""

    async def stubborn() -> None:
        with suppress(asyncio.CancelledError):
            await asyncio.Event().wait()
        await asyncio.Event().wait()

    async def ending() -> bool:
        task = asyncio.create_task(stubborn())
        await asyncio.wait({task}, timeout=0)
        await asyncio.wait_for(_end([task]), patience(5))
        return task.cancelled()

    assert asyncio.run(ending())


def test_silent_equipment_is_ready_after_a_while(tmp_path: Path) -> None:
    """Equipment that sends nothing still gets its commands."""
    with world_with(tmp_path, Patience(greeting_seconds=0.05, sample_seconds=0.05)) as world:
        world.equipments.connect(world.port)
        world.recorder.wait_for(EquipmentReady)


def test_nothing_is_sent_before_equipment_is_ready(world: World) -> None:
    """OCPP 1.6, section 4.2 (from memory): no request to equipment before its boot is accepted."""
    plugged = world.equipments.connect(world.port)
    world.recorder.wait_for(EquipmentConnected)
    assert not world.server.send("driveway", start())
    assert not world.server.send("carport", start())
    assert plugged.point.asked == []
    plugged.boot()
    world.recorder.wait_for(EquipmentReady)
    assert plugged.asked("RemoteStartTransaction") == []


def test_a_boot_makes_equipment_ready_again(world: World) -> None:
    """Equipment that boots on an open connection may have forgotten its commands."""
    plugged = world.ready()
    asked_for(plugged, "ChangeConfiguration", 2)
    plugged.boot()
    world.recorder.wait_for(EquipmentReady, 2)


def test_the_end_of_the_daemon(tmp_path: Path) -> None:
    """Connections are closed in good order (1001, going away), and reported as ended."""
    with world_with(tmp_path) as world:
        plugged = world.ready()
        world.server.stop()
        wait_until(lambda: plugged.closed)
    assert plugged.closed == (1001, "")
    assert len(world.recorder.of(EquipmentDisconnected)) == 1
    assert not world.server.send("driveway", STOP)


def test_equipment_is_ready_after_its_first_meter_values(tmp_path: Path) -> None:
    """Energy charged while it was disconnected counts before the first command."""
    with world_with(tmp_path, Patience(sample_seconds=10)) as world:
        plugged = world.equipments.connect(world.port)
        plugged.boot()
        asked_for(plugged, "TriggerMessage", 2)
        assert world.server.ready == frozenset()
        plugged.meter(NOW, {"value": "1000"})
        world.recorder.wait_for(EquipmentReady)
    kinds = [type(event) for _, event in world.recorder.events]
    assert kinds.index(Reading) < kinds.index(EquipmentReady)
