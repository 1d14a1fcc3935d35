"""Simulated OCPP equipment: what its profiles allow, and a charge against the daemon's server."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from threading import Event, Thread
from typing import TYPE_CHECKING, Any

import pytest

from adapters.contract.messages import Reading
from adapters.contract.topics import Topics
from adapters.ocpp_point.events import EquipmentReady
from adapters.simulated.faults import Fault, FaultyChargePoint
from adapters.simulated.vehicle import SimulatedVehicle
from adapters.simulated_ocpp.connection import Door
from adapters.simulated_ocpp.hardware import SimulatedEquipment
from adapters.simulated_ocpp.profiles import StoredProfiles, profile_of
from config.doors.broker import Bus
from tests.adapters.ocpp.world import NOW, PLAN, STOP, start, world_with
from tests.support.ocpp_equipment import PASSWORD
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime
    from pathlib import Path

MINUTE = timedelta(minutes=1)


def profile(
    *limits: tuple[int, float], purpose: str = "TxProfile", level: int = 0, number: int = 1,
    unit: str = "A", **schedule: Any,  # noqa: ANN401 - of the standard
) -> dict[str, Any]:  # fmt: skip
    periods = [{"start_period": at, "limit": limit} for at, limit in limits]
    return {
        "charging_profile_id": number, "stack_level": level, "charging_profile_purpose": purpose,
        "charging_profile_kind": "Absolute",
        "charging_schedule": {
            "charging_rate_unit": unit, "charging_schedule_period": periods, **schedule,
        },
    }  # fmt: skip


@pytest.mark.parametrize(
    ("bodies", "minutes", "amps"),
    [
        ([], 0, 32.0),
        ([profile((0, 16), (600, 0))], 5, 16.0),
        ([profile((0, 16), (600, 0))], 15, 0.0),
        ([profile((0, 3680), unit="W")], 5, 16.0),
        ([profile((0, 16), duration=300, start_schedule=NOW.isoformat())], 10, 32.0),
        ([profile((0, 0), purpose="TxDefaultProfile"), profile((0, 10), number=2)], 1, 10.0),
        ([profile((0, 0), purpose="TxDefaultProfile")], 1, 0.0),
        ([profile((0, 20)), profile((0, 10), level=3, number=2)], 1, 10.0),
        ([profile((0, 20)), profile((0, 13), purpose="ChargePointMaxProfile", number=2)], 1, 13.0),
        ([profile((0, 20)), profile((0, 11))], 1, 11.0),
    ],
)
def test_profiles_allow_what_the_standard_says(
    bodies: list[dict[str, Any]], minutes: int, amps: float
) -> None:
    """OCPP 1.6, section 3.13 (from memory): the highest level counts, and the highest profile."""
    stored = StoredProfiles()
    for body in bodies:
        stored.store(profile_of(body, 230.0))
    assert stored.amps_at(NOW + minutes * MINUTE, NOW, 32.0) == amps


def test_a_charge_is_on_as_many_phases_as_its_profile_says() -> None:
    """Only that of the transaction counts: the daemon switches phases by it."""
    stored = StoredProfiles()
    assert stored.phases is None
    for purpose, phases in (("TxProfile", 1), ("ChargePointMaxProfile", 3)):
        body = profile((0, 16), purpose=purpose, number=phases)
        body["charging_schedule"]["charging_schedule_period"][0]["number_phases"] = phases
        stored.store(profile_of(body, 230.0))
    assert stored.phases == 1


@contextmanager
def playing(
    port: int,
    fault: Fault | None = None,
    version: str = "1.6",
    now: Callable[[], datetime] = lambda: NOW,
) -> Iterator[FaultyChargePoint]:
    """Play a box with a vehicle; its time stands still, so that it only does what it is told."""
    point = FaultyChargePoint(now(), register_wh=1000)
    point.plug_in(SimulatedVehicle(50, 40), now())
    hardware = SimulatedEquipment(
        point, Bus(broker="mqtt://127.0.0.1:1"), Topics("lullwatt", "home"), "driveway",
        door=Door("127.0.0.1", port, "driveway-1", PASSWORD, None, version), max_amps=32.0,
        watts_per_amp=230.0, lasts=timedelta(days=2), fault=fault,
    )  # fmt: skip
    ending = Event()

    def step() -> None:
        while not ending.is_set():
            hardware.step(now())
            with hardware.changed:
                hardware.changed.wait(0.05)

    stepping = Thread(target=step)
    hardware.start()
    stepping.start()
    try:
        yield point
    finally:
        ending.set()
        stepping.join(patience())
        hardware.stop()


@pytest.mark.parametrize(
    ("fault", "watts", "version"),
    [
        (None, 3680.0, "1.6"),
        (Fault.NEVER_STARTS, 0.0, "1.6"),
        (Fault.KW_FOR_W, 3.68, "1.6"),
        (None, 3680.0, "2.0.1"),
        (None, 3680.0, "2.1"),
    ],
)
def test_it_charges_as_the_server_says(
    fault: Fault | None, watts: float, version: str, tmp_path: Path
) -> None:
    """It boots, says what it can, starts, follows its profile, is metered, and stops."""
    with world_with(tmp_path) as world, playing(world.port, fault, version) as point:
        world.recorder.wait_for(EquipmentReady)
        world.send(start(16.0), *PLAN)
        if fault is Fault.NEVER_STARTS:
            wait_until(lambda: point.expires_at is not None, what="a start")
            assert point.watts() == 0
            return

        def reported() -> set[float | None]:
            return {each.watts for each in world.recorder.of(Reading)}

        wait_until(lambda: watts in reported(), what="a charge")
        assert point.watts() == 3680
        world.send(STOP)
        wait_until(lambda: point.watts() == 0, what="a stop")
