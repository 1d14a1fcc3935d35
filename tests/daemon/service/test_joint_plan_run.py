"""`lullwatt run` with two charge points behind one fuse: another process plans them together."""

from __future__ import annotations

import signal
from datetime import timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import yaml

from adapters.clocks.clock import SystemClock
from tests.daemon.service.test_run import Start, start
from tests.daemon.sharing.homes import home_of
from tests.support.daemons import Person
from tests.support.waiting import wait_until

if TYPE_CHECKING:
    from tests.support.brokers import Mosquitto

__all__ = ["start"]


def children_of(pid: int) -> list[int]:
    """List the processes that any thread of a process has started."""
    files = Path(f"/proc/{pid}/task").glob("*/children")
    return [int(each) for file in files for each in file.read_text("ascii").split()]


def test_the_process_that_plans_together_ends_with_a_daemon_that_is_killed(
    mosquitto: Mosquitto, start: Start, tmp_path: Path
) -> None:
    """It is not there before the second vehicle."""
    house, now = tmp_path / "house.yaml", SystemClock().now()
    document = home_of(timezone="UTC") | {"bus": {"broker": mosquitto.bus.broker}}
    for departure in document["departures"]:
        departure["at"] = f"{now + timedelta(hours=6):%H:%M}"
    house.write_text(yaml.safe_dump(document), "utf-8")
    running = start(house)
    running.wait_logged("connected to the broker")
    person = Person(mosquitto.bus)
    try:
        for name in ("east", "west"):
            assert children_of(running.process.pid) == []
            report = {"at": now.isoformat(), "pilot": "B", "soc_percent": 20}
            person.say(f"lullwatt/two-rimu-road/{name}/vehicle", report)
            running.wait_logged(f"{name}: planned")
        running.wait_logged("Planned together with car-east")
        [child] = children_of(running.process.pid)
        running.process.send_signal(signal.SIGKILL)
        wait_until(lambda: not Path(f"/proc/{child}").exists(), what="its end")
    finally:
        person.stop()
