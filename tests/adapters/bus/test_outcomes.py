"""The broker's responses to published messages: MQTT 5 has them, and each change is reported."""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest

from adapters.bus.bus import MqttBus, Published
from adapters.bus.connection import ConnectionSettings
from adapters.bus.retained import read_retained
from tests.support.brokers import Mosquitto
from tests.support.listening import Listener
from tests.support.scripted import scripted_broker
from tests.support.waiting import patience, wait_until

TOPIC = "lullwatt/kowhai-cottage/driveway/command"
OTHER = "lullwatt/kowhai-cottage/driveway/plan"

Open = Callable[..., tuple[MqttBus, Listener]]


@pytest.fixture
def opened() -> Iterator[Open]:
    with ExitStack() as ending:

        def open_bus(broker: Mosquitto, client_id: str, *topics: str) -> tuple[MqttBus, Listener]:
            heard = Listener()
            bus = MqttBus(
                broker.bus, client_id=client_id, on_event=heard, subscriptions=topics,
                first_pause_seconds=0.05,
            )  # fmt: skip
            bus.start()
            ending.callback(bus.stop)
            heard.wait_connected()
            return bus, heard

        yield open_bus


def outcomes(heard: Listener) -> list[Published]:
    return [event for event in heard.events if isinstance(event, Published)]


def send(bus: MqttBus, topic: str, times: int = 1) -> None:
    for _ in range(times):
        assert bus.publish(topic, b"{}", retain=True)
        assert bus.wait_acknowledged(patience(5))


def test_a_topic_that_nobody_listens_to(mosquitto: Mosquitto, opened: Open) -> None:
    """It is reported once (OASIS MQTT 5, 3.4.2.1: 0x10), and the end of it once too."""
    bus, heard = opened(mosquitto, "daemon")
    send(bus, TOPIC, times=3)
    assert outcomes(heard) == [Published(TOPIC, "nobody-listens")]
    opened(mosquitto, "hardware", TOPIC)
    send(bus, TOPIC, times=3)
    assert outcomes(heard) == [Published(TOPIC, "nobody-listens"), Published(TOPIC, "accepted")]


def test_each_topic_for_itself(mosquitto: Mosquitto, opened: Open) -> None:
    """A subscriber of one topic says nothing about another topic."""
    bus, heard = opened(mosquitto, "daemon")
    opened(mosquitto, "hardware", TOPIC)
    send(bus, TOPIC)
    send(bus, OTHER)
    assert outcomes(heard) == [Published(OTHER, "nobody-listens")]


def test_an_accepted_message_is_not_reported(mosquitto: Mosquitto, opened: Open) -> None:
    """As long as every message is accepted, nothing is reported."""
    bus, heard = opened(mosquitto, "daemon")
    opened(mosquitto, "hardware", TOPIC)
    send(bus, TOPIC, times=100)
    assert outcomes(heard) == []


@pytest.fixture
def restricted(make_mosquitto: Callable[..., Mosquitto], tmp_path: Path) -> Mosquitto:
    """Return a broker whose access list allows one topic."""
    access = tmp_path / "access"
    access.write_text(f"topic readwrite {OTHER}\n")
    broker = make_mosquitto("allow_anonymous true", f"acl_file {access}")
    broker.start()
    return broker


REFUSED = Published(TOPIC, "refused", "its access list does not allow it")


def test_a_topic_that_may_not_be_published_on(restricted: Mosquitto, opened: Open) -> None:
    """It is reported once (0x87). If that ends the connection, other topics still work."""
    bus, heard = opened(restricted, "daemon", OTHER)
    assert bus.publish(TOPIC, b"{}", retain=True)
    wait_until(lambda: outcomes(heard), what="an outcome")
    bus.publish(OTHER, b"1", retain=True)  # Mosquitto 2.0.11 hangs up, now or a little later
    wait_until(lambda: heard.reasons or heard.payloads(OTHER), what="an end or an echo")
    if heard.reasons:
        heard.wait_connected(2)
        assert f"after a message on {TOPIC} was refused" in heard.reasons[0]
        assert not bus.publish(TOPIC, b"{}", retain=True)
    assert bus.publish(OTHER, b"2", retain=True)
    heard.wait_payload(OTHER, b"2")
    assert outcomes(heard) == [REFUSED]


def test_an_access_list_that_is_put_right(
    restricted: Mosquitto, opened: Open, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The topic is tried again after a while, and its acceptance is reported once."""
    monkeypatch.setattr("adapters.bus.bus.MUTED_SECONDS", 0.3)
    bus, heard = opened(restricted, "daemon", OTHER)
    assert bus.publish(TOPIC, b"{}", retain=True)
    wait_until(lambda: outcomes(heard), what="an outcome")
    (tmp_path / "access").write_text(f"topic readwrite {OTHER}\ntopic readwrite {TOPIC}\n")
    restricted._signal(signal.SIGHUP)
    wait_until(
        lambda: bus.publish(TOPIC, b"{}", retain=True) and len(outcomes(heard)) > 1,
        what="accepted again",
    )
    assert outcomes(heard)[:2] == [REFUSED, Published(TOPIC, "nobody-listens")]


def test_the_older_version_reports_nothing(
    mosquitto: Mosquitto, opened: Open, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In MQTT 3.1.1 every message counts as accepted."""
    monkeypatch.setattr("adapters.bus.bus.FIRST_PROTOCOL", "3.1.1")
    bus, heard = opened(mosquitto, "daemon")
    send(bus, TOPIC, times=3)
    assert heard.connections[0].protocol == "3.1.1"
    assert outcomes(heard) == []


# --- what is read before reconnecting ---------------------------------------------------------


def settings_of(broker: Mosquitto, client_id: str = "daemon") -> ConnectionSettings:
    return ConnectionSettings(broker.bus, client_id, (TOPIC, b"will"), (), keep_session=True)


@pytest.mark.parametrize("is_retained", [True, False])
def test_reading_a_retained_message_disconnects_nobody(
    mosquitto: Mosquitto, opened: Open, *, is_retained: bool
) -> None:
    """It returns the retained payload; the client with the original id stays connected."""
    bus, heard = opened(mosquitto, "daemon", OTHER)
    if is_retained:
        send(bus, TOPIC)
    found = read_retained(settings_of(mosquitto), TOPIC, "5", bus._stopping)
    assert found == (True, b"{}" if is_retained else None)
    send(bus, OTHER)
    assert heard.reasons == []
    assert heard.payloads(TOPIC) == []  # nor was its Will published


def test_reading_from_no_broker(make_mosquitto: Callable[..., Mosquitto]) -> None:
    """A missing broker is distinguished from a topic without a retained message."""
    bus = MqttBus(make_mosquitto().bus, client_id="x", on_event=Listener())
    assert read_retained(settings_of(make_mosquitto()), TOPIC, "5", bus._stopping) == (False, None)


def test_it_reconnects_only_after_the_retained_message_was_handled(
    mosquitto: Mosquitto, opened: Open
) -> None:
    """After a lost connection it delivers the retained message and waits for the acknowledgement.

    A client that has taken over the client id stays connected until then.
    """
    sender, _ = opened(mosquitto, "sender")
    send(sender, OTHER)
    waiting = Listener(acknowledges=False)
    bus = MqttBus(
        mosquitto.bus, client_id="daemon", on_event=waiting, subscriptions=[TOPIC],
        first_pause_seconds=0.05, read_before_reconnecting=OTHER,
    )  # fmt: skip
    bus.start()
    waiting.wait_connected()
    _, other = opened(mosquitto, "daemon", TOPIC)  # takes the client id over
    waiting.wait_payload(OTHER, b"{}")
    assert len(waiting.connections) == 1
    bus.stop()
    assert other.reasons == []
    assert len(waiting.connections) == 1


def test_a_first_connection_reads_nothing_before() -> None:
    """A first connection, and one after a failed attempt, is made at once."""
    with scripted_broker(b"\x20\x03\x00\x88\x00") as script:
        heard = Listener()
        bus = MqttBus(
            script.bus, client_id="daemon", on_event=heard, first_pause_seconds=0.05,
            read_before_reconnecting=OTHER,
        )  # fmt: skip
        bus.start()
        wait_until(lambda: len(script.received) >= 3)
        bus.stop()
    assert not [packet for packet in script.received if b"looks" in packet]
