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
from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from planners.local_time.departures import next_departure
from tests.faults.daemon_process import hurried
from tests.faults.evenings import VEHICLE, Scene
from tests.faults.handle import DaemonHandle
from tests.faults.recording_hardware import RecordingHardware
from tests.faults.tally import Tally
from tests.support.brokers import Mosquitto
from tests.support.waiting import wait_until

REGISTER_WH: Final = 1_000_000
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
    topics = Topics(file.bus.root, file.household.name)
    departure = next_departure(file, VEHICLE, scene.begins)
    assert departure is not None
    point = _point(file, scene)
    with hurried(keepalive_seconds):
        hardware = RecordingHardware(point, broker.bus, topics)
        someone = MqttBus(broker.bus, client_id="someone", on_event=lambda _event: None)
        daemon = DaemonHandle(house, keepalive_seconds=keepalive_seconds, plant=plant)
        someone.start()
        wait_until(lambda: someone.wait_acknowledged(0), what="someone is connected")
        try:
            yield Stage(
                scene, broker, daemon, hardware, point, _vehicle(file, scene), someone, topics,
                file.ledger.path, departure.instant - BEFORE_LEAVING, tally, seed,
            )  # fmt: skip
        finally:
            daemon.end_life()
            hardware.stop()
            someone.stop()


def _point(file: HouseholdFile, scene: Scene) -> SimulatedChargePoint:
    [point] = file.charge_points.values()
    return SimulatedChargePoint(
        scene.begins,
        max_amps=point.max_amps,
        min_amps=point.min_amps,
        volts=file.household.nominal_volts,
        register_wh=REGISTER_WH,
        on_off=point.switching == "on_off",
    )


def _vehicle(file: HouseholdFile, scene: Scene) -> SimulatedVehicle:
    car = file.vehicles[VEHICLE]
    return SimulatedVehicle(
        usable_kwh=car.usable_kwh,
        soc_percent=scene.soc_percent,
        efficiency=car.charging_efficiency_percent / 100,
        taper=car.taper or (),
        max_amps=car.max_amps,
    )
