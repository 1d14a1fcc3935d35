"""An OCPP server for tests, the events it hands on, and equipment that connects to it."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from itertools import count
from pathlib import Path
from typing import Any

from websockets.sync.client import ClientConnection, connect
from websockets.typing import Subprotocol

from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Command
from adapters.ocpp.command_sender import Patience
from adapters.ocpp.server import OcppServer
from adapters.ocpp_point.events import EquipmentReady, OnEquipmentEvent
from adapters.ocpp_point.point import Equipment
from tests.support.ocpp_equipment import (
    PASSWORD,
    EquipmentConnection,
    EquipmentThread,
    EventRecorder,
    authorization,
    equipment_thread,
)
from tests.support.waiting import patience, wait_until

NOW = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)
MINUTE = timedelta(minutes=1)
STANDARD = json.loads((Path(__file__).parents[2] / "data" / "outside_ocpp.json").read_text())
PATIENCE = Patience(
    answer_seconds=patience(5),
    greeting_seconds=patience(5),
    sample_seconds=0.05,  # scripted equipment sends none by itself
    retry_seconds=0.02,
    most_retry_seconds=0.05,
)
STANDING = 2
"""The default profile and the highest one are set as soon as equipment is ready."""
STOP = Command(serial=8, do="stop", valid_until=NOW + 60 * MINUTE, why="because")


def start(amps: float = 16.0, minutes: float = 30) -> Command:
    until = NOW + minutes * MINUTE
    return Command(serial=7, do="start", amps=amps, valid_until=until, why="because")


@dataclass(frozen=True)
class Part:
    start: datetime
    end: datetime
    amps: float


PLAN = (
    Part(NOW - MINUTE, NOW + 90 * MINUTE, 16.0),
    Part(NOW + 120 * MINUTE, NOW + 150 * MINUTE, 32),
)


@dataclass
class World:
    """A server, the events it hands on, and equipment that connects to it."""

    server: OcppServer
    port: int
    recorder: EventRecorder
    clock: VirtualClock
    equipments: EquipmentThread

    def ready(self) -> EquipmentConnection:
        """Connect equipment, boot it, and wait until it accepts commands."""
        times = len(self.recorder.of(EquipmentReady)) + 1
        plugged = self.equipments.connect(self.port)
        plugged.boot()
        self.recorder.wait_for(EquipmentReady, times)
        wait_until(lambda: len(plugged.point.standing) >= STANDING, what="the standing profiles")
        return plugged

    def send(self, command: Command, *schedule: Part) -> None:
        assert self.server.send("driveway", command, schedule)

    def raw(self, version: str = "1.6") -> ClientConnection:
        return connect(
            f"ws://127.0.0.1:{self.port}/driveway-1",
            subprotocols=[Subprotocol(f"ocpp{version}")],
            additional_headers=authorization("driveway-1", PASSWORD),
            proxy=None,
            max_size=None,
        )


@contextmanager
def world_with(
    folder: Path,
    patience: Patience = PATIENCE,
    first_id: int = 100,
    on_event: OnEquipmentEvent | None = None,
    home_phases: int = 0,
    *,
    reports_grid: bool = False,
    remembered_at: Path | None = None,
    keeps_profiles: bool = True,
    **declared: Any,  # noqa: ANN401 - of the equipment
) -> Iterator[World]:
    path = folder / "password"
    path.write_text(PASSWORD)
    path.chmod(0o600)
    usual = Equipment("driveway", "driveway-1", path, 1, 1, 230.0, 32.0, home_phases, reports_grid)
    equipment = replace(usual, **declared)
    recorder, clock = EventRecorder(), VirtualClock(NOW)
    handler = recorder if on_event is None else on_event
    server = OcppServer(
        [equipment], handler, clock=clock, transaction_ids=count(first_id), patience=patience,
        remembered_at=remembered_at, keeps_profiles=keeps_profiles,
    )  # fmt: skip
    with equipment_thread() as equipments:
        port = server.start("127.0.0.1", 0)
        try:
            yield World(server, port, recorder, clock, equipments)
        finally:
            server.stop()


def asked_for(plugged: EquipmentConnection, name: str, times: int = 1) -> dict[str, Any]:
    wait_until(lambda: len(plugged.asked(name)) >= times, what=f"{times} x {name}")
    return plugged.asked(name)[times - 1]


def limits_of(profile: dict[str, Any]) -> list[tuple[int, float]]:
    """List (minute from now, limit); a profile begins a minute ago."""
    periods = profile["charging_schedule"]["charging_schedule_period"]
    return [(max(0, each["start_period"] // 60 - 1), each["limit"]) for each in periods]
