"""The main job over a real Mosquitto: its own tools watch the commands and send the readings."""

from __future__ import annotations

import json
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from importlib.resources import files
from itertools import pairwise
from pathlib import Path
from threading import Thread
from typing import Any

import pytest

from adapters.bus.events import Connected, MessageArrived, Published
from adapters.clocks.clock import VirtualClock
from adapters.ledger.ledger import open_ledger
from daemon.service.household_watch import HouseholdWatch
from daemon.service.running import Daemon
from daemon.service.service import HandledEvent, WakeUp
from tests.support.brokers import Mosquitto
from tests.support.waiting import patience, wait_until

BASE = "lullwatt/kowhai-cottage"
DRIVEWAY = f"{BASE}/driveway"
EVENING = datetime(2026, 6, 3, 6, 30, tzinfo=UTC)  # Wednesday 18:30 at Kowhai Cottage
CHEAP = datetime(2026, 6, 3, 9, 0, tzinfo=UTC)  # 21:00, when the night band begins
FULL = datetime(2026, 6, 3, 12, 31, 58, tzinfo=UTC)  # 26 kWh at 7.36 kW take 3 h 31 min 57.4 s
LEAVES = datetime(2026, 6, 3, 19, 20, tzinfo=UTC)  # 07:20


class Watcher:
    """What `mosquitto_sub` receives, line by line."""

    def __init__(self, port: int, log: Path) -> None:
        self._log = log
        with log.open("wb") as out:
            self._process = subprocess.Popen(
                ["mosquitto_sub", "-p", str(port), "-q", "1", "-t", f"{BASE}/#", "-v"], stdout=out
            )

    def received(self, topic: str) -> list[dict[str, Any]]:
        whole, _, _ = self._log.read_text().rpartition("\n")  # it may be writing the next one
        lines = (line.partition(" ") for line in whole.splitlines())
        # An empty payload, which takes a retained message away, is shown as (null).
        return [json.loads(text) for name, _, text in lines if name == topic and text != "(null)"]

    def stop(self) -> None:
        self._process.terminate()
        self._process.wait(patience(10))


class Home:
    """The daemon in virtual time, on a real broker, with a person's tools at hand."""

    def __init__(self, port: int, watcher: Watcher, daemon: Daemon, clock: VirtualClock) -> None:
        self.port = port
        self.watcher = watcher
        self.daemon = daemon
        self.clock = clock
        self.handled: list[HandledEvent] = []
        self._probes = 0

    def publish(self, leaf: str, message: dict[str, Any]) -> None:
        """Send a message as a hobbyist would, and wait until the daemon has taken it."""
        before = len(self.handled)
        self._send(f"{DRIVEWAY}/{leaf}", message)
        wait_until(lambda: len(self.handled) > before, what=f"{leaf} taken")

    def at(self, instant: datetime) -> None:
        """Let it be this instant."""
        self.clock.advance_to(instant)
        before = len(self.handled)
        self.daemon.post(WakeUp())
        wait_until(lambda: len(self.handled) > before, what=f"{instant} noticed")

    def commands(self) -> list[dict[str, Any]]:
        """List what was commanded, once the watcher has caught up with daemon and broker."""
        command = self.handled[-1].states["driveway"].command
        if command is not None:  # handled, but perhaps still on its way to the broker
            wait_until(lambda: self._has_heard(command.serial), what=f"command {command.serial}")
        self._probes += 1
        probe = {"probe": self._probes}
        self._send(f"{BASE}/probe", probe)
        wait_until(lambda: probe in self.watcher.received(f"{BASE}/probe"), what="the probe")
        return self.watcher.received(f"{DRIVEWAY}/command")

    def _has_heard(self, serial: int) -> bool:
        commands = self.watcher.received(f"{DRIVEWAY}/command")
        return any(command["serial"] >= serial for command in commands)

    def _send(self, topic: str, message: dict[str, Any]) -> None:
        subprocess.run(
            ["mosquitto_pub", "-p", str(self.port), "-q", "1", "-t", topic, "-s"],
            input=json.dumps(message).encode(),
            check=True,
        )


@pytest.fixture(autouse=True)
def _broker_tools() -> None:
    assert shutil.which("mosquitto_sub"), "install mosquitto-clients"


@contextmanager
def a_home(broker: Mosquitto, tmp_path: Path, household: Path | None = None) -> Iterator[Home]:
    if household is None:
        text = files("config").joinpath("examples", "kowhai.yaml").read_text("utf-8")
        household = tmp_path / "house.yaml"
        household.write_text(text, "utf-8")
    watcher = Watcher(broker.port, tmp_path / "heard.txt")
    clock = VirtualClock(EVENING)
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        home: Home | None = None

        def observe(handled: HandledEvent) -> None:
            assert home is not None
            event = handled.event
            own = isinstance(event, MessageArrived) and event.topic == f"{BASE}/daemon"
            if not own and not isinstance(event, Published):
                home.handled.append(handled)

        daemon = Daemon(
            HouseholdWatch(household), ledger, clock, broker.bus,
            wake_at=lambda _instant: None, observer=observe,
        )  # fmt: skip
        home = Home(broker.port, watcher, daemon, clock)
        thread = Thread(target=daemon.run)
        thread.start()
        try:
            wait_until(
                lambda: any(isinstance(done.event, Connected) for done in home.handled),
                what="connected",
            )
            wait_until(home.commands, what="mosquitto_sub hears the command in force")
            yield home
        finally:
            daemon.halt()
            thread.join(patience(20))
            watcher.stop()
    assert not thread.is_alive()


def instant(moment: datetime) -> str:
    return moment.isoformat().replace("+00:00", "Z")


def test_an_evening_is_charged_in_the_cheapest_hours_and_closed(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Plugged in at 18:30, it starts at 21:00, stops when full, and the account is the meter's."""
    with a_home(mosquitto, tmp_path) as home:
        assert {command["do"] for command in home.commands()} == {"stop"}
        home.publish("reading", {"v": 1, "at": instant(EVENING), "register_kwh": 1234.5})
        home.publish("vehicle", {"v": 1, "at": instant(EVENING), "pilot": "B", "soc_percent": 35})
        wait_until(lambda: home.watcher.received(f"{DRIVEWAY}/plan"), what="a plan")
        [plan] = home.watcher.received(f"{DRIVEWAY}/plan")
        assert [(p["start"], p["end"]) for p in plan["periods"]] == [
            ("2026-06-03T09:00:00Z", "2026-06-03T12:31:57Z")
        ]
        assert home.commands()[-1]["do"] == "stop"

        home.at(CHEAP - timedelta(seconds=1))
        assert home.commands()[-1]["do"] == "stop"
        home.at(CHEAP)
        wait_until(lambda: home.commands()[-1]["do"] == "start", what="the start")
        assert home.commands()[-1]["amps"] == 32

        register = Decimal("1234.5")
        for minutes in range(0, 211, 15):
            now = CHEAP + timedelta(minutes=minutes)
            home.at(now)
            register = Decimal("1234.5") + Decimal("7.36") * minutes / 60
            reading = {"v": 1, "at": instant(now), "register_kwh": float(register), "watts": 7360}
            home.publish("reading", reading)
        assert home.commands()[-1]["do"] == "start"
        home.at(FULL)
        wait_until(lambda: home.commands()[-1]["do"] == "stop", what="the stop")
        done = {"v": 1, "at": instant(FULL), "register_kwh": 1260.5, "watts": 0}
        home.publish("reading", done)

        home.at(LEAVES)
        wait_until(lambda: home.watcher.received(f"{DRIVEWAY}/night"), what="the night")
        [night] = home.watcher.received(f"{DRIVEWAY}/night")
        # Independently: 26 kWh at 0.168 NZD per kWh, and 15 % of tax.
        assert night["energy_kwh"] == pytest.approx(26.0)
        assert Decimal(str(night["cost"])) == round(Decimal(26) * Decimal("0.1932"), 2)
        assert night["need_met"] is True
        assert night["starts"] == 1
        assert night["soc_after_percent"] == pytest.approx(80, abs=0.1)
        assert night["baselines"]["at_once"]["cost"] == pytest.approx(10.19, abs=0.005)
        for command, following in pairwise(home.commands()):
            # The same serial again is the same command, asserted on connecting.
            assert following["serial"] > command["serial"] or following == command


def test_doubled_late_and_mangled_messages_change_nothing(
    mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """What is not news, not in order, or not JSON leaves plan and command as they are."""
    with a_home(mosquitto, tmp_path) as home:
        first = {"v": 1, "at": instant(EVENING), "register_kwh": 1234.5}
        vehicle = {"v": 1, "at": instant(EVENING), "pilot": "B", "soc_percent": 35}
        home.publish("reading", first)
        home.publish("vehicle", vehicle)
        wait_until(lambda: home.watcher.received(f"{DRIVEWAY}/plan"), what="a plan")
        commands = home.commands()
        home.publish("reading", first)
        home.publish("vehicle", vehicle)
        late = instant(EVENING - timedelta(hours=1))
        home.publish("vehicle", {"v": 1, "at": late, "pilot": "A"})
        home.publish("reading", {"v": 1, "at": late, "register_kwh": 1.0})
        home.publish("reading", {"v": 2, "at": "yesterday", "register_kwh": "many"})
        home.publish("request", {"v": 1, "make_it": "so"})
        home.at(EVENING + timedelta(minutes=1))
        assert len(home.watcher.received(f"{DRIVEWAY}/plan")) == 1
        assert home.commands() == commands


def test_a_person_is_obeyed(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Charge now starts at a dear rate; cleared, the plan is back once the run may be ended."""
    with a_home(mosquitto, tmp_path) as home:
        home.publish("vehicle", {"v": 1, "at": instant(EVENING), "pilot": "B", "soc_percent": 35})
        home.publish("request", {"v": 1, "charge_now": True})
        wait_until(lambda: home.commands()[-1]["do"] == "start", what="the start")
        assert home.commands()[-1]["why"] == "a person asked to charge now"
        home.publish("request", {"v": 1, "clear": True})
        home.at(EVENING + timedelta(minutes=14))
        assert home.commands()[-1]["do"] == "start", "min_run_minutes is 15"
        home.at(EVENING + timedelta(minutes=15))
        wait_until(lambda: home.commands()[-1]["do"] == "stop", what="the stop")
        home.publish("request", {"v": 1, "want_percent": 100})
        wait_until(
            lambda: home.watcher.received(f"{DRIVEWAY}/plan")[-1]["reaches_percent"] == 100,
            what="a plan to 100 %",
        )


def test_the_same_night_after_a_restart(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """A daemon started again in mid-charge asserts the same, and the night is one night."""
    with a_home(mosquitto, tmp_path) as home:
        home.publish("reading", {"v": 1, "at": instant(EVENING), "register_kwh": 10.0})
        home.publish("vehicle", {"v": 1, "at": instant(EVENING), "pilot": "B", "soc_percent": 35})
        home.at(CHEAP)
        wait_until(lambda: home.commands()[-1]["do"] == "start", what="the start")
        home.publish("vehicle", {"v": 1, "at": instant(CHEAP), "pilot": "C"})
        last = home.commands()[-1]
    with a_home(mosquitto, tmp_path) as home:
        now = CHEAP + timedelta(minutes=5)
        home.at(now)
        wait_until(lambda: home.commands()[-1]["do"] == "start", what="start asserted again")
        assert home.commands()[-1]["serial"] >= last["serial"]
        register = 10.0 + 7.36 * 5 / 60
        home.publish(
            "reading", {"v": 1, "at": instant(now), "register_kwh": register, "watts": 7360}
        )
        home.at(LEAVES)
        wait_until(lambda: home.watcher.received(f"{DRIVEWAY}/night"), what="the night")
        [night] = home.watcher.received(f"{DRIVEWAY}/night")
        assert night["soc_before_percent"] == 35
        assert night["plugged_since"] == instant(EVENING)
