"""Hardware that speaks first is heard: it reports again to a daemon that comes online."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from adapters.simulated.hardware import SimulatedHardware
from config.household.household_file import Bus
from tests.support.brokers import Mosquitto
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon
from tests.support.waiting import patience, wait_until

FORGETFUL = "listener {port} 127.0.0.1\nallow_anonymous true\npersistence false\n"


@pytest.fixture
def forgetful(tmp_path: Path) -> Iterator[Mosquitto]:
    """Start a broker that keeps nothing when it ends."""
    broker = Mosquitto(tmp_path / "broker", whole=FORGETFUL)
    with ExitStack() as ending:
        ending.callback(lambda: broker.stop() if broker.running else None)
        broker.start()
        yield broker


def test_hardware_that_connects_first_is_heard(
    forgetful: Mosquitto,
    run_daemon: Callable[..., RunningDaemon],
    meet: Callable[[Bus], Person],
) -> None:
    """Its first report reached nobody; so does what it sends while the broker is away."""
    clock = SystemClock()
    point = SimulatedChargePoint(clock.now(), max_amps=32, register_wh=1_234_560)
    point.plug_in(SimulatedVehicle(soc_percent=35.0, usable_kwh=52.0), clock.now())
    hardware = SimulatedHardware(point, forgetful.bus, TOPICS, POINT)
    hardware.start()
    with ExitStack() as ending:
        ending.callback(hardware.stop)
        assert hardware.wait_connected(patience())
        hardware.step(clock.now())
        assert hardware.sent == 2
        assert hardware.next_due() > clock.now() + timedelta(minutes=5), "it has said all it knows"
        person, started = meet(forgetful.bus), clock.now()
        path = run_daemon("home", forgetful.bus).house.with_name("ledger.sqlite3")

        def is_read_after(instant: datetime) -> bool:
            hardware.step(clock.now())
            with open_ledger(path, read_only=True) as ledger:
                reading = ledger.last_reading(POINT)
            return reading is not None and reading.at > instant

        wait_until(lambda: is_read_after(started), 20, what="the first reading")
        assert person.wait_for(TOPICS.status(POINT), connected=True)
        forgetful.kill()
        forgetful.start()
        restarted = clock.now()
        wait_until(lambda: is_read_after(restarted), 20, what="a reading after the outage")
