"""Set up one night with faults: a household, a broker, hardware, a daemon's process."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Final

from adapters.bus.bus import MqttBus
from adapters.contract.topics import Topics
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from config.household.loading import load_household
from daemon.rehearsal.rehearsal import Evening, simulated_point, simulated_vehicle
from planners.local_time.wished_departures import next_departure
from tests.faults.daemon_process import hurried
from tests.faults.evenings import POINT, VEHICLE, Scene
from tests.faults.handle import DaemonHandle
from tests.faults.recording_hardware import RecordingHardware
from tests.faults.tally import Tally
from tests.support.brokers import Mosquitto
from tests.support.waiting import wait_until

BEFORE_LEAVING: Final = timedelta(minutes=1)


@dataclass(slots=True)
class Stage:
    """Everything that takes part in a night.

    Attributes
    ----------
    leaves : datetime
        When the vehicle is unplugged.
    seed : str
        The seed that repeats this night.
    """

    scene: Scene
    broker: Mosquitto
    daemon: DaemonHandle
    hardware: RecordingHardware
    point: SimulatedChargePoint
    vehicle: SimulatedVehicle
    person: MqttBus
    topics: Topics
    ledger: Path
    leaves: datetime
    tally: Tally
    seed: str


@contextmanager
def staged(
    scene: Scene, directory: Path, broker: Mosquitto, tally: Tally, seed: str,
    *, keepalive_seconds: int = 10, plant: str | None = None,
) -> Iterator[Stage]:  # fmt: skip
    """Set everything up on a new ledger, and remove it afterwards.

    Yields
    ------
    Stage
        Only the person is connected yet.
    """
    directory.mkdir(parents=True)
    house = scene.write(directory, broker.bus.broker)
    file = load_household(house)
    topics = Topics.of_file(file)
    departure = next_departure(file, VEHICLE, scene.begins)
    assert departure is not None
    point = simulated_point(file, POINT, scene.begins)
    vehicle = simulated_vehicle(file, Evening(VEHICLE, scene.begins, scene.soc_percent))
    with hurried(keepalive_seconds):
        hardware = RecordingHardware(point, broker.bus, topics)
        someone = MqttBus(broker.bus, client_id="someone", on_event=lambda _event: None)
        daemon = DaemonHandle(house, keepalive_seconds=keepalive_seconds, plant=plant)
        someone.start()
        wait_until(lambda: someone.wait_acknowledged(0), what="someone is connected")
        try:
            yield Stage(
                scene, broker, daemon, hardware, point, vehicle, someone, topics,
                file.ledger.path, departure.instant - BEFORE_LEAVING, tally, seed,
            )  # fmt: skip
        finally:
            daemon.end_life()
            hardware.stop()
            someone.stop()
