"""The embedded broker: MQTT 3.1.1 for trying out, quiet, on this machine only."""

from __future__ import annotations

import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack

import pytest

from adapters.bus.bus import Connected, MqttBus
from adapters.bus.embedded_broker import EmbeddedBroker
from config.files.errors import BusError
from config.household.household_file import Bus
from tests.support.listening import Listener
from tests.support.waiting import patience, wait_until

TOPIC = "lullwatt/kowhai-cottage/driveway/command"
OTHER = "lullwatt/kowhai-cottage/driveway/plan"


@pytest.fixture
def ending() -> Iterator[ExitStack]:
    """End what a test has started, last first."""
    with ExitStack() as stack:
        yield stack


@pytest.fixture
def address(ending: ExitStack) -> Bus:
    """Return the address of a running embedded broker."""
    broker = EmbeddedBroker()
    port = broker.start()
    ending.callback(broker.stop)
    return Bus(broker=f"mqtt://127.0.0.1:{port}")


def _open(
    ending: ExitStack, address: Bus, client_id: str, *filters: str
) -> tuple[MqttBus, Listener]:
    heard = Listener()
    bus = MqttBus(address, client_id=client_id, on_event=heard, subscriptions=filters)
    bus.start()
    ending.callback(bus.stop)
    heard.wait_connected()
    return bus, heard


def test_it_is_spoken_to_in_3_1_1(address: Bus, ending: ExitStack) -> None:
    """The bus offers MQTT 5, is refused, and connects in 3.1.1 without any report."""
    _, heard = _open(ending, address, "daemon", TOPIC)
    assert heard.events == [Connected("3.1.1")]


def test_messages_come_through(address: Bus, ending: ExitStack) -> None:
    """What one client publishes, another hears."""
    _, heard = _open(ending, address, "hears", TOPIC)
    bus, _ = _open(ending, address, "sends")
    assert bus.publish(TOPIC, b"start", retain=False)
    assert bus.wait_acknowledged(patience(5))
    heard.wait_payload(TOPIC, b"start")


def test_retained_messages(address: Bus, ending: ExitStack) -> None:
    """A retained message reaches a later subscriber (perhaps twice), and nobody else."""
    bus, _ = _open(ending, address, "sends")
    assert bus.publish(TOPIC, b"kept", retain=True)
    assert bus.publish(OTHER, b"a plan", retain=True)
    assert bus.wait_acknowledged(patience(5))
    _, _ = _open(ending, address, "makes the broker know the other filter", OTHER)
    _, later = _open(ending, address, "later", TOPIC)
    later.wait_payload(TOPIC, b"kept")
    assert set(later.payloads(TOPIC)) == {b"kept"}
    assert later.payloads(OTHER) == []


def test_the_will_of_a_client_that_vanishes(address: Bus, ending: ExitStack) -> None:
    """When the connection breaks without a goodbye, the Will is published."""
    _, heard = _open(ending, address, "hears", OTHER)
    with socket.create_connection((address.host, address.port)) as raw:
        # CONNECT of MQTT 3.1.1, Will at QoS 1: topic OTHER, message "gone", client id "raw".
        will = _text(OTHER) + _text("gone")
        body = _text("MQTT") + b"\x04\x0e\x00\x3c" + _text("raw") + will
        raw.sendall(b"\x10" + bytes([len(body)]) + body)
        assert raw.recv(4) == b"\x20\x02\x00\x00"
    heard.wait_payload(OTHER, b"gone")


def _text(text: str) -> bytes:
    return len(text).to_bytes(2) + text.encode()


@pytest.mark.parametrize(
    "noise",
    [b"", b"\x10", b"GET / HTTP/1.1\r\n\r\n", b"\x10\xff\xff\xff\xff\xff", b"\x00" * 100],
)
def test_noise_does_not_stop_it(noise: bytes, address: Bus, ending: ExitStack) -> None:
    """Peers that send nonsense, or break off, leave the broker serving others."""
    for _ in range(3):
        with socket.create_connection((address.host, address.port)) as raw:
            raw.sendall(noise)
    bus, heard = _open(ending, address, "daemon", TOPIC)
    assert bus.publish(TOPIC, b"still here", retain=False)
    heard.wait_payload(TOPIC, b"still here")


def test_the_port_is_free_after_a_stop(ending: ExitStack) -> None:
    """A stopped broker leaves no thread, and another can take its port; clients come back to it."""
    first = EmbeddedBroker()
    port = first.start()
    _, heard = _open(ending, Bus(broker=f"mqtt://127.0.0.1:{port}"), "daemon", TOPIC)
    first.stop()
    wait_until(lambda: heard.reasons)
    assert "embedded broker" not in {thread.name for thread in threading.enumerate()}
    second = EmbeddedBroker(port=port)
    assert second.start() == port
    ending.callback(second.stop)
    heard.wait_connected(2)


def test_a_port_in_use() -> None:
    """A port that another program uses is reported as such."""
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(BusError, match=f"127.0.0.1:{port}: another program uses that port"):
            EmbeddedBroker(port=port).start()


@pytest.mark.parametrize("host", ["0.0.0.0", "192.0.2.1", "example.org", "::"])  # noqa: S104 - refused
def test_it_stays_on_this_machine(host: str) -> None:
    """It has no passwords, so it listens on a loopback address or not at all."""
    with pytest.raises(BusError, match="stays on this machine"):
        EmbeddedBroker(host)


def test_stopping_what_never_started() -> None:
    """Stopping a broker that was never started does nothing."""
    broker = EmbeddedBroker()
    broker.stop()
    assert broker.start() > 0
    broker.stop()


def test_amqtt_is_optional(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without amqtt, the message says what to install."""
    monkeypatch.delitem(sys.modules, "adapters.bus.embedded_server", raising=False)
    monkeypatch.setitem(sys.modules, "amqtt", None)
    monkeypatch.setitem(sys.modules, "amqtt.adapters", None)
    with pytest.raises(BusError, match=r"install lullwatt\[embedded\]"):
        EmbeddedBroker().start()


_PROGRAM = """
import socket
from threading import Event
from adapters.bus.bus import Connected, MqttBus
from adapters.bus.embedded_broker import EmbeddedBroker
from config.household.household_file import Bus
from tests.support.waiting import patience
broker = EmbeddedBroker()
port = broker.start()
up = Event()
bus = MqttBus(Bus(broker=f"mqtt://127.0.0.1:{port}"), client_id="daemon", subscriptions=("a/b",),
              on_event=lambda event: up.set() if isinstance(event, Connected) else None)
bus.start()
assert up.wait(patience())
bus.publish("a/b", b"1", retain=True)
for noise in (b"", b"nonsense that is no MQTT", bytes(100)):
    with socket.create_connection(("127.0.0.1", port)) as raw:
        raw.sendall(noise)
with socket.create_connection(("127.0.0.1", port)):
    assert bus.publish("a/b", b"2", retain=True) and bus.wait_acknowledged(patience(10))
    broker.stop()
bus.stop()
"""


def test_it_is_quiet() -> None:
    """A run with warnings switched on and odd peers prints nothing on either stream."""
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", _PROGRAM],
        capture_output=True,
        timeout=patience(60),
        check=False,
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, b"", b"")
