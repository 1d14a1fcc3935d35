"""A plug without a time limit is not left on: if the daemon dies, the broker stops it."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from adapters.bus.bus import MqttBus
from tests.support.afternoon import in_the_afternoon
from tests.support.brokers import Mosquitto
from tests.support.forked import Forked
from tests.support.listening import Listener
from tests.support.waiting import patience, wait_until

EXAMPLE = Path(__file__).parents[3] / "config" / "examples" / "plug.yaml"
PLUG = "carport/plug/set"
REQUEST = "lullwatt/kowhai-cottage/carport/request"


def household(mosquitto: Mosquitto, folder: Path) -> Path:
    """Write the example for this broker, with a car that is there and waits for the night."""
    text = EXAMPLE.read_text(encoding="utf-8").replace(":1883", f":{mosquitto.port}")
    path = folder / "house.yaml"
    text = in_the_afternoon(text.replace("18:00-07:30", "00:00-00:00"))
    path.write_text(text, encoding="utf-8")
    return path


@contextmanager
def charging(mosquitto: Mosquitto, folder: Path) -> Iterator[tuple[Forked, Listener]]:
    """Run the daemon until it has switched the plug on for a person."""
    listener = Listener()
    bus = MqttBus(
        mosquitto.bus, client_id="beside the plug", on_event=listener, subscriptions=[PLUG],
        keep_session=False,
    )  # fmt: skip
    bus.start()
    listener.wait_connected()
    with (folder / "log").open("wb") as log:
        daemon = Forked(["lullwatt", "run", household(mosquitto, folder)], stderr=log)
    try:
        listener.wait_payload(PLUG, b"off")
        assert bus.publish(REQUEST, b'{"v":1,"charge_now":true,"want_percent":100}', retain=False)
        listener.wait_payload(PLUG, b"on")
        yield daemon, listener
    finally:
        daemon.kill()
        daemon.wait(patience(20))
        bus.stop()


@pytest.mark.parametrize("by", [signal.SIGKILL, signal.SIGTERM])
def test_the_plug_is_off_once_the_daemon_has_ended(
    by: signal.Signals, mosquitto: Mosquitto, tmp_path: Path
) -> None:
    """Killed or asked to stop, the last message to the plug is off."""
    with charging(mosquitto, tmp_path) as (daemon, listener):
        assert listener.payloads(PLUG)[-1] == b"on"
        daemon.send_signal(by)
        daemon.wait(patience(20))
        wait_until(lambda: listener.payloads(PLUG)[-1] == b"off", what="the plug is off")


def test_a_daemon_that_comes_back_switches_on_again(mosquitto: Mosquitto, tmp_path: Path) -> None:
    """Killed during a charge and started again, it goes on with the person's request."""
    with charging(mosquitto, tmp_path) as (daemon, listener):
        daemon.kill()
        daemon.wait(patience(20))
        wait_until(lambda: listener.payloads(PLUG)[-1] == b"off", what="the plug is off")
        with (tmp_path / "log2").open("wb") as log:
            again = Forked(["lullwatt", "run", tmp_path / "house.yaml"], stderr=log)
        try:
            wait_until(lambda: listener.payloads(PLUG)[-1] == b"on", 20, what="the plug is on")
        finally:
            again.terminate()
            again.wait(patience(20))
