"""The broker is lost and comes back: the daemon is as if it had never been lost."""

from __future__ import annotations

import os
import signal
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from adapters.bus import connection
from adapters.bus.bus import MqttBus
from adapters.clocks.clock import SystemClock
from tests.daemon.service.test_run import Running, household
from tests.support.brokers import Mosquitto
from tests.support.daemons import POINT, TOPICS, Person, RunningDaemon
from tests.support.listening import Listener
from tests.support.waiting import patience, wait_until

RunDaemon = Callable[..., RunningDaemon]
Meet = Callable[[Any], Person]


def now() -> str:
    return SystemClock().now().isoformat()


class Charging:
    """A vehicle that charges because a person asked for it, and its command."""

    def __init__(self, broker: Mosquitto, daemon: RunningDaemon, person: Person) -> None:
        self.broker = broker
        self.daemon = daemon
        self.person = person
        self.begun = SystemClock().now()
        person.say(TOPICS.reading(POINT), {"at": now(), "register_kwh": 1000.0, "watts": 0})
        person.say(TOPICS.vehicle(POINT), {"at": now(), "pilot": "C", "soc_percent": 35})
        person.say(TOPICS.request(POINT), {"charge_now": True})
        person.wait_for(TOPICS.command(POINT), do="start")
        person.say(TOPICS.reading(POINT), {"at": now(), "register_kwh": 1000.01, "watts": 7360})
        person.wait_for(TOPICS.status(POINT), charging=True, do="start")
        self.serial = person.last(TOPICS.command(POINT))["serial"]
        person.stop()  # a later one gets the retained messages

    def is_as_it_was(self, later: Person) -> None:
        """Check that all retained messages are there again, with no old one after them."""
        later.wait_for(TOPICS.command(POINT), do="start", serial=self.serial)
        later.wait_for(TOPICS.daemon, state="online", instance=self.daemon.name)
        later.wait_for(TOPICS.status(POINT), charging=True, serial=self.serial)
        wait_until(lambda: later.on(TOPICS.plan(POINT)), what="the plan")
        assert {command["serial"] for command in later.on(TOPICS.command(POINT))} == {self.serial}


KEEPALIVE_SECONDS = 2


@pytest.fixture
def quick_keepalive(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the daemon notice sooner than after twice 10 s that its broker is silent."""
    monkeypatch.setattr(connection, "KEEPALIVE_SECONDS", KEEPALIVE_SECONDS)


@pytest.fixture
def charging(mosquitto: Mosquitto, run_daemon: RunDaemon, meet: Meet) -> Charging:
    person = meet(mosquitto.bus)
    daemon = run_daemon("home", mosquitto.bus)
    person.wait_for(TOPICS.daemon, state="online")
    return Charging(mosquitto, daemon, person)


def test_a_broker_that_is_killed_in_a_charge(charging: Charging, meet: Meet) -> None:
    """The command in force is published again with its serial: the charge goes on."""
    charging.broker.kill()
    charging.broker.start()
    charging.is_as_it_was(meet(charging.broker.bus))


def test_a_broker_that_comes_back_empty(charging: Charging, meet: Meet) -> None:
    """A new broker at the same address gets every retained message."""
    charging.broker.kill()
    empty = Mosquitto(charging.broker._log.parent / "empty", port=charging.broker.port)
    empty.start()
    try:
        charging.is_as_it_was(meet(empty.bus))
    finally:
        empty.kill()


@pytest.mark.usefixtures("quick_keepalive")
def test_a_broker_that_freezes(
    charging: Charging, meet: Meet, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The keepalive notices a broker that keeps the connection open in silence, and leaves it."""
    charging.broker.freeze()
    lost = [False]
    post = charging.daemon.daemon._mqtt._main._on_event

    def overhear(event: object) -> None:
        lost[0] = lost[0] or type(event).__name__ == "Disconnected"
        post(event)  # type: ignore[arg-type]  # passed on

    monkeypatch.setattr(charging.daemon.daemon._mqtt._main, "_on_event", overhear)
    wait_until(
        lambda: lost[0], 3 * KEEPALIVE_SECONDS, what="the daemon notices"
    )  # after twice that
    charging.broker.thaw()
    charging.is_as_it_was(meet(charging.broker.bus))


def test_what_changes_without_a_broker_is_published_once(charging: Charging, meet: Meet) -> None:
    """Nothing is queued without a broker: only the command that is right on return is published.

    The new household file allows no more than 20 A, so the daemon must have made another command
    meanwhile.
    """
    charging.broker.kill()
    file = charging.daemon.house
    text = file.read_text("utf-8")
    assert text.count("max_amps: 32") >= 1
    file.write_text(text.replace("max_amps: 32", "max_amps: 20"), "utf-8")
    charging.daemon.daemon.reload()
    last = charging.daemon.ledger.last_command
    wait_until(lambda: (command := last(POINT)) is not None and command.amps == 20, what="20 A")
    charging.broker.start()
    later = meet(charging.broker.bus)
    later.wait_for(TOPICS.command(POINT), do="start", amps=20.0)
    # The old one was retained; the new one came once, or again unchanged.
    commands = later.on(TOPICS.command(POINT))
    new = {each["serial"] for each in commands if each["serial"] > charging.serial}
    assert len(new) == 1


def test_readings_that_were_not_acknowledged_are_counted_once(charging: Charging) -> None:
    """A reading that arrives while the broker dies arrives again, and is in the ledger once."""
    hardware = Listener()
    bus = MqttBus(
        charging.broker.bus, client_id="meter", on_event=hardware, first_pause_seconds=0.05,
    )  # fmt: skip
    bus.start()
    hardware.wait_connected()
    start = SystemClock().now() - timedelta(seconds=30)
    readings = {start + timedelta(milliseconds=20 * n): 1_000_011 + n for n in range(200)}
    topic = TOPICS.reading(POINT)
    for count, (at, wh) in enumerate(readings.items()):
        payload = f'{{"v":1,"at":"{at.isoformat()}","register_kwh":{wh / 1000}}}'.encode()
        wait_until(lambda: bus.publish(topic, payload, retain=False), what="sent")  # noqa: B023
        if count == 120:
            charging.broker.kill()
            charging.broker.start()
    # A sender that has no acknowledgement sends again, as QoS 1 wants it: here, all of them.
    hardware.wait_connected(2)
    for at, wh in readings.items():
        payload = f'{{"v":1,"at":"{at.isoformat()}","register_kwh":{wh / 1000}}}'.encode()
        wait_until(lambda: bus.publish(topic, payload, retain=False), what="sent")  # noqa: B023
    assert bus.wait_acknowledged(patience(10))
    bus.stop()
    stored = "SELECT count(*) FROM readings WHERE register_wh >= 1000011"
    with closing(sqlite3.connect(charging.daemon.house.parent / "ledger.sqlite3")) as reader:
        wait_until(lambda: reader.execute(stored).fetchone()[0] >= len(readings), what="all in")
    charging.daemon.daemon.halt()
    wait_until(lambda: not charging.daemon.running, what="the daemon ends")
    kept = charging.daemon.ledger.register_readings(POINT, start, max(readings))
    found = [(row.at, row.register_wh) for row in kept if row.at in readings]
    assert found == list(readings.items())


def test_a_broker_that_is_away_at_the_start(
    make_mosquitto: Callable[..., Mosquitto], run_daemon: RunDaemon, meet: Meet
) -> None:
    """Started before its broker, the daemon publishes everything once the broker is there."""
    broker = make_mosquitto()
    daemon = run_daemon("home", broker.bus)
    wait_until(lambda: daemon.ledger.last_command(POINT) is not None, what="the first command")
    broker.start()
    person = meet(broker.bus)
    person.wait_for(TOPICS.command(POINT), do="stop")
    person.wait_for(TOPICS.status(POINT), connected=False)
    person.wait_for(TOPICS.daemon, state="online", instance=daemon.name)


def test_a_topic_that_the_broker_refuses(
    make_mosquitto: Callable[..., Mosquitto], run_daemon: RunDaemon, meet: Meet, tmp_path: Path
) -> None:
    """An access list without the plan: the alert names it, and commands still get through."""
    allowed = [TOPICS.daemon, *(f"{TOPICS.base}/+/{leaf}" for leaf in (
        "command", "status", "alert", "answer", "reading", "vehicle", "request"))]  # fmt: skip
    access = tmp_path / "access"
    access.write_text("".join(f"topic readwrite {topic}\n" for topic in allowed))
    broker = make_mosquitto("allow_anonymous true", f"acl_file {access}")
    broker.start()
    person = meet(broker.bus)
    run_daemon("home", broker.bus)
    person.wait_for(TOPICS.daemon, state="online")
    person.say(TOPICS.vehicle(POINT), {"at": now(), "pilot": "B", "soc_percent": 35})
    person.wait_for(TOPICS.status(POINT), connected=True, alerts=["broker-refuses"])
    person.say(TOPICS.request(POINT), {"charge_now": True})
    person.wait_for(TOPICS.command(POINT), do="start")
    assert person.on(TOPICS.plan(POINT)) == []


def wait_in_force(running: Running, times: int) -> None:
    """Wait until the file has come into force so often; a wake-up may notice a change as well."""
    event = "the changed file is in force"
    wait_until(lambda: running.log.count(event) >= times, what=f"{event}, {times} times")


def test_sighup_loads_the_file_at_once(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """A bad file is refused with its error and the old one stays in force; a good one is used.

    At once: without a signal the file is looked at every 15 seconds.
    """
    path = household(tmp_path, mosquitto.bus.broker)
    good = path.read_text("utf-8")
    running = Running(path)
    try:
        running.wait_logged("connected to the broker")
        path.write_text(good.replace("rate: 0.168", "rate: twelve"), "utf-8")
        running.process.send_signal(signal.SIGHUP)
        running.wait_logged("the changed file is refused, the old one stays in force")
        assert "expected a number of NZD per kWh" in running.log
        path.write_text(good, "utf-8")
        running.process.send_signal(signal.SIGHUP)
        wait_in_force(running, 1)
        # Unchanged since then, it is loaded again all the same: a person wants it.
        running.process.send_signal(signal.SIGHUP)
        wait_in_force(running, 2)
        running.process.terminate()
        assert running.ends() == 0
    finally:
        running.process.kill()
        running.process.wait(patience(20))


def test_sighup_works_whichever_thread_gets_it(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """The kernel gives a signal to any thread, and prefers the one that is named."""
    running = Running(household(tmp_path, mosquitto.bus.broker))
    try:
        running.wait_logged("connected to the broker")
        tasks = [int(task.name) for task in Path(f"/proc/{running.process.pid}/task").iterdir()]
        heeded = 0
        for task in tasks:
            with suppress(ProcessLookupError):  # a thread of the start that has ended since
                os.kill(task, signal.SIGHUP)
                heeded += 1
            wait_in_force(running, heeded)
        assert heeded > 3
        running.process.terminate()
        assert running.ends() == 0
    finally:
        running.process.kill()
        running.process.wait(patience(20))


def test_an_alert_reaches_the_users_own_command(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """`lullwatt run` runs it with the alert, and its place, on standard input."""
    path = household(tmp_path, mosquitto.bus.broker)
    script = tmp_path / "tell-me"
    script.write_text(
        f"#!/bin/sh\ncat > {tmp_path}/$1.part && mv {tmp_path}/$1.part {tmp_path}/$1\n"
    )
    script.chmod(0o755)
    text = path.read_text("utf-8")
    path.write_text(text.replace("# on_alert: [./tell-me] ", "on_alert: [./tell-me, received] "))
    running = Running(path)
    try:
        wait_until((tmp_path / "received").exists, 20, what="the alert that nobody listens")
        assert '"code":"nobody-listens"' in (tmp_path / "received").read_text().replace(" ", "")
        assert '"charge_point":"driveway"' in (tmp_path / "received").read_text().replace(" ", "")
        running.process.terminate()
        assert running.ends() == 0
    finally:
        running.process.kill()
        running.process.wait(patience(20))
