"""An exercise that is interrupted, killed or cut off leaves the charge point stopped."""

from __future__ import annotations

import json
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event
from typing import TYPE_CHECKING

import pytest
import yaml

from adapters.bus.bus import MqttBus
from adapters.bus.events import BusEvent, Connected, MessageArrived
from adapters.ledger.ledger import open_ledger
from tests.support.forked import Forked
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from config.doors.broker import Bus
    from tests.support.brokers import Mosquitto

ROOT = Path(__file__).parents[3]
EXAMPLE = ROOT / "config" / "examples" / "plug.yaml"


class Charger:
    """A charge point that does what it is told, by its own topics or by the daemon's."""

    def __init__(self, bus: Bus, topic: str, reports_on: str) -> None:
        self.does: list[str] = []
        self.serial = 0
        self._topic = topic
        self._reports_on = reports_on
        self._up = Event()
        self._bus = MqttBus(
            bus, client_id="charger", on_event=self._on_event, subscriptions=[topic],
            keep_session=False,
        )  # fmt: skip

    @contextmanager
    def connected(self) -> Iterator[None]:
        self._bus.start()
        try:
            assert self._up.wait(patience(10))
            yield
        finally:
            self._bus.stop()

    def _on_event(self, event: BusEvent) -> None:
        match event:
            case Connected():
                self._up.set()
            case MessageArrived(topic, payload) if topic == self._topic:
                self._obey(payload.decode())
                event.ack()
            case _:
                pass

    def _obey(self, text: str) -> None:
        if text.startswith("{"):
            command = json.loads(text)
            if command["serial"] <= self.serial:
                return
            self.serial, text = command["serial"], {"start": "on", "stop": "off"}[command["do"]]
        self.does.append(text)
        watts = 2300 if text == "on" else 0
        reading = {"v": 1, "at": "2026-11-28T19:00:00Z", "register_kwh": 1000.0, "watts": watts}
        wired = {"power": watts, "total": 1000.0}
        body = wired if self._reports_on.endswith("energy") else reading
        self._bus.publish(self._reports_on, json.dumps(body).encode(), retain=False)


def household(mosquitto: Mosquitto, folder: Path, *, wired: bool) -> Path:
    house = yaml.safe_load(EXAMPLE.read_text("utf-8"))
    house["bus"]["broker"] = f"mqtt://127.0.0.1:{mosquitto.port}"
    if not wired:
        del house["charge_points"]["carport"]["wiring"]
    path = folder / "house.yaml"
    path.write_text(yaml.safe_dump(house), "utf-8")
    return path


def charger(mosquitto: Mosquitto, *, wired: bool) -> Charger:
    if wired:
        return Charger(mosquitto.bus, "carport/plug/set", "carport/plug/energy")
    base = "lullwatt/kowhai-cottage/carport"
    return Charger(mosquitto.bus, f"{base}/command", f"{base}/reading")


HURRIED = """\
from adapters.bus import connection
from daemon.command_line.cli import main
from daemon.trial import trial
connection.KEEPALIVE_SECONDS = {keepalive_seconds}
trial.RETAINED_SECONDS = 0.1
main()
"""
"""Lullwatt, but it does not wait for a daemon, as there is none. Its broker takes it for lost after
half as long again as the keepalive."""


@contextmanager
def exercising(path: Path, hardware: Charger, *, keepalive_seconds: int = 10) -> Iterator[Forked]:
    """Run the command until the charge point charges; write its standard error to a file."""
    code = HURRIED.format(keepalive_seconds=keepalive_seconds)
    with path.with_name("said").open("wb") as said:
        trying = Forked(["-c", code, "wiring", path, "--exercise", "--yes"], stderr=said)
    try:
        wait_until(lambda: hardware.does[-1:] == ["on"], 60, what="the charge")
        yield trying
    finally:
        trying.kill()
        trying.wait(patience(20))


@pytest.mark.parametrize("wired", [True, False], ids=["its own topics", "the daemon's topics"])
@pytest.mark.parametrize("number", [signal.SIGHUP, signal.SIGTERM, signal.SIGINT, signal.SIGKILL])
def test_a_signal_leaves_it_stopped(
    mosquitto: Mosquitto, tmp_path: Path, number: signal.Signals, *, wired: bool
) -> None:
    hardware = charger(mosquitto, wired=wired)
    path = household(mosquitto, tmp_path, wired=wired)
    with hardware.connected(), exercising(path, hardware) as trying:
        trying.send_signal(number)
        trying.wait(patience(20))
        wait_until(lambda: hardware.does[-1] == "off", what="the stop")
    if number != signal.SIGKILL:
        assert trying.returncode == 4
        said = (tmp_path / "said").read_text("utf-8")
        assert "the trial was interrupted, and the charge point told to stop" in said
    # The daemon's next command must be newer than any that the hardware has taken.
    with open_ledger(tmp_path / "ledger.sqlite3", read_only=True) as ledger:
        last = ledger.last_command("carport")
    assert last is not None
    assert last.serial >= hardware.serial


def test_a_silent_process_is_stopped_by_the_broker(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """A frozen process looks to the broker like a network that has failed."""
    hardware = charger(mosquitto, wired=True)
    path = household(mosquitto, tmp_path, wired=True)
    with hardware.connected(), exercising(path, hardware, keepalive_seconds=3) as trying:
        trying.send_signal(signal.SIGSTOP)
        wait_until(lambda: hardware.does[-1] == "off", 40, what="the stop")
        trying.send_signal(signal.SIGCONT)
