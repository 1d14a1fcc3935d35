"""The bus against a real broker that is down, up, killed or frozen."""

from __future__ import annotations

import gc
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from threading import Event
from time import monotonic

import pytest
from paho.mqtt.client import MQTTMessage

from adapters.bus import bus as bus_module
from adapters.bus import pace
from adapters.bus.bus import Connected, MqttBus
from adapters.bus.connection import TOO_MANY_MESSAGES
from adapters.bus.events import Published
from config.files.errors import BusError
from tests.support.brokers import Mosquitto
from tests.support.listening import Listener
from tests.support.scripted import Script, scripted_broker
from tests.support.waiting import patience, wait_until

TOPIC = "lullwatt/kowhai-cottage/driveway/reading"
STATE = "lullwatt/kowhai-cottage/daemon"

OpenBus = Callable[..., tuple[MqttBus, Listener]]


@pytest.fixture
def opened() -> Iterator[OpenBus]:
    """Open buses that are stopped with the test."""
    with ExitStack() as ending:

        def open_bus(
            broker: Mosquitto | Script,
            client_id: str = "daemon",
            listener: Listener | None = None,
            **settings: object,
        ) -> tuple[MqttBus, Listener]:
            heard = listener or Listener()
            given = {"subscriptions": (TOPIC,), "first_pause_seconds": 0.05} | settings
            bus = MqttBus(broker.bus, client_id=client_id, on_event=heard, **given)  # type: ignore[arg-type]
            bus.start()
            ending.callback(bus.stop)
            return bus, heard

        yield open_bus


def test_it_speaks_mqtt_5_first(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """A broker that knows MQTT 5 is spoken to in MQTT 5."""
    _, heard = opened(mosquitto)
    heard.wait_connected()
    assert heard.events == [Connected("5")]


def test_messages_come_through(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """What one side publishes, the other hears: topic, payload, and that it was not retained."""
    bus, heard = opened(mosquitto)
    heard.wait_connected()
    assert bus.publish(TOPIC, b'{"v":1}', retain=False)
    wait_until(lambda: heard.messages)
    (message,) = heard.messages
    assert (message.topic, message.payload, message.retain) == (TOPIC, b'{"v":1}', False)


def test_a_flooded_connection_is_given_up(
    mosquitto: Mosquitto, opened: OpenBus, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It says why, and connects again; what was sent with QoS 1 still comes."""
    monkeypatch.setattr(pace, "FLOOD_SECONDS", 0.5)
    sender, sending = opened(mosquitto, client_id="sender", subscriptions=())
    sending.wait_connected()
    _, heard = opened(mosquitto, most_a_second=50.0)
    heard.wait_connected()
    sent = [str(number).encode() for number in range(150)]
    for payload in sent:
        assert sender.publish(TOPIC, payload, retain=False)
    heard.wait_connected(2)
    assert heard.reasons == [TOO_MANY_MESSAGES]
    wait_until(lambda: set(heard.payloads(TOPIC)) == set(sent))


def test_former_subscriptions_are_taken_back(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """Those of an earlier version, also by a connection that hears nothing any more."""
    earlier, heard = opened(mosquitto)
    heard.wait_connected()
    earlier.stop()
    bus, heard = opened(mosquitto, subscriptions=(), former_subscriptions=(TOPIC,))
    heard.wait_connected()
    assert bus.publish(TOPIC, b"{}", retain=False)
    wait_until(lambda: Published(TOPIC, "nobody-listens") in heard.events)


def test_a_waiting_message_is_small(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """Until it is acknowledged, thousands may wait; paho's own object, 10 KB, does not."""
    bus, heard = opened(mosquitto)
    heard.wait_connected()
    assert bus.publish(TOPIC, b"small", retain=False)
    wait_until(lambda: heard.messages)
    wait_until(lambda: b"small" not in [each.payload for each in paho_messages()])


def paho_messages() -> list[MQTTMessage]:
    return [each for each in gc.get_objects() if isinstance(each, MQTTMessage)]


def test_what_comes_too_fast_waits_at_the_broker(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """A flood is read slowly, and none of it is lost that was sent with QoS 1."""
    sender, sending = opened(mosquitto, client_id="sender", subscriptions=())
    sending.wait_connected()
    _, heard = opened(mosquitto, most_a_second=50.0)
    heard.wait_connected()
    begin = monotonic()
    for number in range(100):
        assert sender.publish(TOPIC, str(number).encode(), retain=False)
    wait_until(lambda: len(heard.messages) == 100)
    assert monotonic() - begin > 0.9  # 50 at once, then 50 a second
    assert [int(message.payload) for message in heard.messages] == list(range(100))


def test_retained_messages_await_later_subscribers(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """A later subscriber receives a retained message, marked as retained."""
    bus, heard = opened(mosquitto)
    heard.wait_connected()
    assert bus.publish(TOPIC, b"kept", retain=True)
    assert bus.wait_acknowledged(patience(5))
    _, later = opened(mosquitto, client_id="later")
    later.wait_payload(TOPIC, b"kept")
    assert later.messages[0].retain


def test_a_broker_that_is_down_at_first(
    make_mosquitto: Callable[..., Mosquitto], opened: OpenBus
) -> None:
    """Starting before the broker is no error: the bus reports it once, then connects."""
    broker = make_mosquitto()
    bus, heard = opened(broker)
    heard.wait_reason("nothing listens at 127.0.0.1")
    assert not bus.publish(TOPIC, b"lost", retain=True)
    broker.start()
    heard.wait_connected()
    assert heard.reasons == [f"nothing listens at 127.0.0.1:{broker.port}"]


def test_a_reason_is_said_once(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """Each new reason is reported once however often it is tried, and again after a connection."""
    _, heard = opened(mosquitto)
    for times in (1, 2):
        heard.wait_connected(times)
        mosquitto.kill()
        wait_until(lambda: len(heard.reasons) == 2 * times)  # noqa: B023 - used within the turn
        mosquitto.start()
    heard.wait_connected(3)
    nothing_listens = f"nothing listens at 127.0.0.1:{mosquitto.port}"
    assert heard.reasons == 2 * ["the connection to the broker was lost", nothing_listens]


def test_a_killed_broker_that_returns(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """After a broker is killed and started again on its port, messages flow as before."""
    bus, heard = opened(mosquitto)
    heard.wait_connected()
    mosquitto.kill()
    wait_until(lambda: heard.reasons)
    mosquitto.start()
    heard.wait_connected(2)
    assert bus.publish(TOPIC, b"after", retain=False)
    heard.wait_payload(TOPIC, b"after")


def test_nothing_is_published_later(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """What is published while disconnected is refused, and not sent after reconnecting either."""
    bus, heard = opened(mosquitto)
    heard.wait_connected()
    mosquitto.kill()
    wait_until(lambda: heard.reasons)
    assert not bus.publish(TOPIC, b"stale", retain=False)
    assert not bus.publish(TOPIC, b"stale", retain=True)
    mosquitto.start()
    heard.wait_connected(2)
    assert bus.publish(TOPIC, b"fresh", retain=False)
    heard.wait_payload(TOPIC, b"fresh")
    assert heard.payloads(TOPIC) == [b"fresh"]


def test_nothing_is_published_too_early(opened: OpenBus) -> None:
    """While the broker has not yet accepted the connection, publishing is refused."""
    with scripted_broker(b"", b"") as script:
        bus, heard = opened(script)
        wait_until(lambda: script.received)
        assert not bus.publish(TOPIC, b"early", retain=False)
        assert not bus.wait_acknowledged(0)
        assert heard.events == []


def test_an_unacknowledged_publication_is_not_sent_again(
    mosquitto: Mosquitto, opened: OpenBus
) -> None:
    """A message that a frozen broker never acknowledged is not sent on the next connection."""
    bus, heard = opened(mosquitto)
    heard.wait_connected()
    mosquitto.freeze()
    assert bus.publish(TOPIC, b"stale", retain=False)
    assert not bus.wait_acknowledged(0.1)
    mosquitto.kill()
    wait_until(lambda: heard.reasons)
    assert not bus.wait_acknowledged(0.1)
    mosquitto.start()
    heard.wait_connected(2)
    assert bus.publish(TOPIC, b"fresh", retain=False)
    heard.wait_payload(TOPIC, b"fresh")
    assert heard.payloads(TOPIC) == [b"fresh"]


def test_an_unacknowledged_message_comes_again(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """A message that was not acknowledged comes again to the same client id, and only that one."""
    bus, first = opened(mosquitto, listener=Listener(acknowledges=False))
    first.wait_connected()
    assert bus.publish(TOPIC, b"one", retain=False)
    assert bus.publish(TOPIC, b"two", retain=False)
    wait_until(lambda: len(first.messages) == 2)
    first.messages[0].ack()
    assert bus.wait_acknowledged(patience(5))
    bus.stop()
    again, second = opened(mosquitto)
    second.wait_payload(TOPIC, b"two")
    second.wait_connected()
    assert again.publish(TOPIC, b"three", retain=False)
    second.wait_payload(TOPIC, b"three")
    assert second.payloads(TOPIC) == [b"two", b"three"]


def test_a_late_acknowledgement_has_no_effect(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """Acknowledging a message of an earlier connection acknowledges nothing on this one."""
    listener = Listener(acknowledges=False)
    bus, heard = opened(mosquitto, listener=listener)
    heard.wait_connected()
    assert bus.publish(TOPIC, b"one", retain=False)
    wait_until(lambda: heard.messages)
    stale = heard.messages[0]
    mosquitto.stop()
    wait_until(lambda: heard.reasons)
    mosquitto.start()
    wait_until(lambda: len(heard.messages) == 2)
    stale.ack()
    bus.stop()
    _, later = opened(mosquitto)
    later.wait_payload(TOPIC, b"one")


def test_messages_wait_for_an_absent_client(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """Messages published while a client is away reach it when it reconnects."""
    bus, heard = opened(mosquitto)
    heard.wait_connected()
    bus.stop()
    hardware, other = opened(mosquitto, client_id="hardware", subscriptions=())
    other.wait_connected()
    assert hardware.publish(TOPIC, b"meanwhile", retain=False)
    assert hardware.wait_acknowledged(patience(5))
    _, back = opened(mosquitto)
    back.wait_payload(TOPIC, b"meanwhile")


def test_no_session_is_left_behind(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """A client without a session receives nothing that was sent while it was away."""
    bus, heard = opened(mosquitto, client_id="asker", keep_session=False)
    heard.wait_connected()
    bus.stop()
    hardware, other = opened(mosquitto, client_id="hardware", subscriptions=())
    other.wait_connected()
    assert hardware.publish(TOPIC, b"meanwhile", retain=False)
    assert hardware.wait_acknowledged(patience(5))
    _, back = opened(mosquitto, client_id="asker", keep_session=False)
    back.wait_connected()
    assert hardware.publish(TOPIC, b"now", retain=False)
    back.wait_payload(TOPIC, b"now")
    assert back.payloads(TOPIC) == [b"now"]


def test_a_listener_that_fails(
    mosquitto: Mosquitto, opened: OpenBus, capsys: pytest.CaptureFixture[str]
) -> None:
    """An exception in the listener ends neither the thread nor the connection, and is logged."""
    bus, heard = opened(mosquitto, listener=Listener(fails_at=b"bad"))
    heard.wait_connected()
    assert bus.publish(TOPIC, b"bad", retain=False)
    heard.wait_payload(TOPIC, b"bad")
    assert bus.publish(TOPIC, b"good", retain=False)
    heard.wait_payload(TOPIC, b"good")
    assert heard.reasons == []
    assert "cannot take this" in capsys.readouterr().out


def test_stopping_waits_for_acknowledgements(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """Everything published before a stop reaches the broker, however many messages it is."""
    _, heard = opened(mosquitto, client_id="hears")
    heard.wait_connected()
    bus, other = opened(mosquitto, client_id="sends", subscriptions=())
    other.wait_connected()
    sent = [str(number).encode() for number in range(300)]
    for payload in sent:
        assert bus.publish(TOPIC, payload, retain=False)
    bus.stop()
    wait_until(lambda: len(heard.messages) >= len(sent))
    assert heard.payloads(TOPIC) == sent


def test_no_will_after_a_stop(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """A client that stops properly triggers no Will."""
    _, heard = opened(mosquitto, client_id="hears", subscriptions=(STATE, TOPIC))
    heard.wait_connected()
    bus, other = opened(mosquitto, client_id="daemon", will=(STATE, b"offline"))
    other.wait_connected()
    bus.stop()
    hardware, third = opened(mosquitto, client_id="hardware", subscriptions=())
    third.wait_connected()
    assert hardware.publish(TOPIC, b"after", retain=False)
    heard.wait_payload(TOPIC, b"after")
    assert heard.payloads(STATE) == []


_VICTIM = """
import sys
from threading import Event
from adapters.bus.bus import Connected, MqttBus
from config.household.household_file import Bus
from tests.support.waiting import patience
up = Event()
bus = MqttBus(Bus(broker=sys.argv[1]), client_id="daemon", will=(sys.argv[2], b"offline"),
              on_event=lambda event: up.set() if isinstance(event, Connected) else None)
bus.start()
up.wait(patience())
print("up", flush=True)
Event().wait(patience(60))
"""


def test_the_will_of_a_killed_process(mosquitto: Mosquitto, opened: OpenBus) -> None:
    """After a kill the broker publishes the Will, and retains it for later subscribers."""
    _, heard = opened(mosquitto, client_id="hears", subscriptions=(STATE,))
    heard.wait_connected()
    with subprocess.Popen(
        [sys.executable, "-c", _VICTIM, mosquitto.bus.broker, STATE], stdout=subprocess.PIPE
    ) as victim:
        assert victim.stdout is not None
        assert victim.stdout.readline() == b"up\n"
        assert heard.payloads(STATE) == []
        victim.send_signal(signal.SIGKILL)
    heard.wait_payload(STATE, b"offline")
    _, later = opened(mosquitto, client_id="later", subscriptions=(STATE,))
    later.wait_payload(STATE, b"offline")


def test_a_malformed_filter(mosquitto: Mosquitto) -> None:
    """A malformed subscription is refused at once, not by the broker in the night."""
    with pytest.raises(BusError, match="not a topic filter"):
        MqttBus(mosquitto.bus, client_id="x", on_event=Listener(), subscriptions=("a/#/b",))


def test_an_attempt_that_becomes_urgent_is_made_soon(
    make_mosquitto: Callable[..., Mosquitto], opened: OpenBus, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A long pause is cut short, even if it has begun."""
    monkeypatch.setattr(bus_module, "URGENT_PAUSE_SECONDS", 0.05)
    is_urgent = Event()
    broker = make_mosquitto()
    _, heard = opened(broker, first_pause_seconds=3600.0, is_urgent=is_urgent.is_set)
    heard.wait_reason("nothing listens")
    broker.start()
    is_urgent.set()
    heard.wait_connected()


def test_stopping_while_there_is_no_broker(
    make_mosquitto: Callable[..., Mosquitto], opened: OpenBus
) -> None:
    """A bus that never connected stops at once, though its next attempt is far away."""
    bus, heard = opened(make_mosquitto(), first_pause_seconds=30.0)
    heard.wait_reason("nothing listens")
    bus.stop()
    assert not bus.publish(TOPIC, b"late", retain=False)
    assert not bus.wait_acknowledged(0)
