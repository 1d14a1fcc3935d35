"""`lullwatt run` under a service manager: its notices are true.

The manager is a socket as sd_notify(3) has it. Its watchdog is the test's own: it kills a process
that has given no sign of life for WATCHDOG_USEC, as systemd.service(5) says of WatchdogSec=.
"""

from __future__ import annotations

import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import timedelta
from pathlib import Path
from time import monotonic, monotonic_ns
from typing import Any

import pytest

from adapters.clocks.clock import SystemClock
from adapters.ledger.ledger import open_ledger
from tests.daemon.service.test_run import LULLWATT, household
from tests.faults.stuck import STUCK_KWH
from tests.support.brokers import Mosquitto
from tests.support.daemons import POINT, TOPICS, Person
from tests.support.service_managers import ALIVE, Manager, manager_in
from tests.support.waiting import patience, wait_until

ROOT = Path(__file__).parents[3]
WATCHDOG_SECONDS = 1.0

Child = subprocess.Popen[bytes]
Begin = Callable[..., Child]


@pytest.fixture
def manager(tmp_path: Path) -> Iterator[Manager]:
    with manager_in(tmp_path) as listening:
        yield listening


@pytest.fixture
def watchdog_seconds() -> float:
    """Return how long the watchdog waits for a sign of life; the tests wait for all of it."""
    return patience(WATCHDOG_SECONDS, most_seconds=6)


@pytest.fixture
def begin(tmp_path: Path, manager: Manager, watchdog_seconds: float) -> Iterator[Begin]:
    """Start programs under the manager; they end with the test."""
    with ExitStack() as ending:
        log = ending.enter_context((tmp_path / "log").open("ab"))

        def start(*command: str | Path) -> Child:
            environment = manager.environment(watchdog_seconds)
            child = subprocess.Popen(command, env=environment, cwd=ROOT, stderr=log)
            ending.callback(child.wait, patience(20))
            ending.callback(child.kill)
            return child

        yield start


def alive(manager: Manager, seconds: float) -> int:
    """Count the signs of life of so many seconds."""
    before, until = len(manager.received), monotonic() + seconds
    while monotonic() < until:
        manager.receive(until - monotonic())
    return manager.received[before:].count([ALIVE])


def test_it_tells_the_truth_from_its_start_to_its_end(
    begin: Begin, manager: Manager, watchdog_seconds: float, tmp_path: Path
) -> None:
    """Ready without a broker, alive at rest, reloading on a signal, and stopping."""
    daemon = begin(LULLWATT, "run", "--json-log", household(tmp_path, "mqtt://127.0.0.1:1"))
    [extended, opening] = manager.wait_for("EXTEND_TIMEOUT_USEC=")
    assert (extended, opening) == ("EXTEND_TIMEOUT_USEC=60000000", "STATUS=Opening the ledger.")
    manager.wait_for("READY=1")
    assert '"event": "stop"' in (tmp_path / "log").read_text("utf-8"), "it commands by then"
    manager.wait_for("STATUS=No broker, trying again; nothing charges; no start ahead.")
    # Where the machine is busy one may be late, but not every time.
    assert any(alive(manager, 1.7 * watchdog_seconds) >= 3 for _ in range(20))
    told_at = monotonic_ns() // 1000
    daemon.send_signal(signal.SIGHUP)
    [_, since] = manager.wait_for("RELOADING=1")
    assert told_at <= int(since.removeprefix("MONOTONIC_USEC=")) <= monotonic_ns() // 1000
    manager.wait_for("READY=1")
    daemon.send_signal(signal.SIGTERM)
    manager.wait_for("STOPPING=1")
    assert daemon.wait(patience(20)) == 0
    assert manager.receive(0.01) is None, "no notice follows"


def test_a_bad_file_is_never_ready(begin: Begin, manager: Manager, tmp_path: Path) -> None:
    """It ends with 2, and no notice was sent."""
    path = household(tmp_path, "mqtt://127.0.0.1:1")
    path.write_text(path.read_text("utf-8").replace("rate: 0.168", "rate: twelve"), "utf-8")
    assert begin(LULLWATT, "run", path).wait(patience(20)) == 2
    assert manager.receive(0.01) is None


class Evening:
    """A vehicle that charges because a person asked for it, under a daemon that will stick."""

    def __init__(
        self,
        mosquitto: Mosquitto,
        person: Person,
        manager: Manager,
        watchdog_seconds: float,
        directory: Path,
    ) -> None:
        self.person = person
        self.manager = manager
        self.watchdog_seconds = watchdog_seconds
        self.house = household(directory, mosquitto.bus.broker)

    @property
    def commands(self) -> list[dict[str, Any]]:
        return self.person.on(TOPICS.command(POINT))

    def registers_kwh(self) -> list[float]:
        """Return the register of each reading in the ledger; a status need not show it at once."""
        with open_ledger(self.house.with_name("ledger.sqlite3"), read_only=True) as ledger:
            now = SystemClock().now()
            kept = ledger.register_readings(POINT, now - timedelta(hours=1), now)
        return [each.register_wh / 1000 for each in kept]

    def charges(self) -> dict[str, Any]:
        self.manager.wait_for("READY=1")
        self.person.wait_for(TOPICS.daemon, state="online")
        now = SystemClock().now().isoformat()
        self.person.say(TOPICS.vehicle(POINT), {"at": now, "pilot": "B", "soc_percent": 35})
        self.person.say(TOPICS.request(POINT), {"charge_now": True})
        return self.person.wait_for(TOPICS.command(POINT), do="start", amps=32.0)

    def sticks(self) -> None:
        now = SystemClock().now().isoformat()
        self.person.say(TOPICS.reading(POINT), {"at": now, "register_kwh": STUCK_KWH})

    def misses_signs_of_life(self, within_watchdogs: int, times: int) -> None:
        """Miss so many; on a busy machine a few may be late."""
        limit_seconds = within_watchdogs * self.watchdog_seconds
        for _ in range(times):
            self.manager.wait_for_missed_sign_of_life(self.watchdog_seconds, limit_seconds)

    def is_killed_by_the_watchdog(self, daemon: Child, within_watchdogs: int) -> None:
        self.misses_signs_of_life(within_watchdogs, 1)
        assert daemon.poll() is None, "it lives, and does nothing"
        daemon.send_signal(signal.SIGABRT)  # as WatchdogSignal= has it
        assert daemon.wait(patience(20)) == -signal.SIGABRT


@pytest.fixture
def evening(
    mosquitto: Mosquitto,
    meet: Callable[..., Person],
    manager: Manager,
    watchdog_seconds: float,
    tmp_path: Path,
) -> Evening:
    return Evening(mosquitto, meet(mosquitto.bus), manager, watchdog_seconds, tmp_path)


def test_a_loop_that_sticks_is_killed_and_started_again(begin: Begin, evening: Evening) -> None:
    """It gives no sign of life though its process lives; another one commands the same.

    The reading that it stuck at was never acknowledged, so it comes again and is kept.
    """
    daemon = begin(sys.executable, "-m", "tests.faults.stuck", evening.house)
    command = evening.charges()
    evening.sticks()
    evening.is_killed_by_the_watchdog(daemon, within_watchdogs=10)
    assert evening.registers_kwh() == []
    evening.person.wait_for(TOPICS.daemon, state="offline")
    before = len(evening.commands)
    begin(LULLWATT, "run", evening.house)
    evening.manager.wait_for("READY=1")
    wait_until(lambda: len(evening.commands) > before, 20, what="it commands again")
    assert {command["do"] for command in evening.commands[before:]} == {"start"}
    assert evening.commands[-1]["amps"] == command["amps"]
    assert evening.commands[-1]["why"] == command["why"]
    wait_until(lambda: evening.registers_kwh() == [STUCK_KWH], 20, what="the reading is kept")


def test_signs_of_life_from_a_helper_would_be_found_out(begin: Begin, evening: Evening) -> None:
    """The test above fails for a daemon whose signs of life come from another thread."""
    daemon = begin(sys.executable, "-m", "tests.faults.stuck", evening.house, "helper")
    evening.charges()
    evening.sticks()
    with pytest.raises(AssertionError, match="signs of life came"):
        evening.misses_signs_of_life(within_watchdogs=2, times=20)
    assert daemon.poll() is None
