"""Reasons without a connection are plain words: passwords, certificates, files, odd brokers."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from threading import Event

import pytest

from adapters.bus.bus import Connected, Disconnected, MqttBus, longer_pause_seconds
from adapters.bus.connection import BrokerConnection, ConnectionSettings
from config.household.household_file import Bus
from tests.support.brokers import Mosquitto
from tests.support.listening import Listener
from tests.support.scripted import scripted_broker
from tests.support.waiting import wait_until

# paho lets go of a socket whose TLS handshake failed without closing it: Python then closes it.
closed_by_python = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

TOPIC = "lullwatt/kowhai-cottage/prices"

# Packets of MQTT 5 (OASIS): CONNACK success, SUBACK granted QoS 1 for packet 1, DISCONNECT.
CONNACK = b"\x20\x03\x00\x00\x00"
SUBACK = b"\x90\x04\x00\x01\x00\x01"
SUBACK_REFUSED = b"\x90\x04\x00\x01\x00\x87"
SESSION_TAKEN_OVER = b"\xe0\x02\x8e\x00"
SHUTTING_DOWN = b"\xe0\x02\x8b\x00"
QUOTA_EXCEEDED = b"\xe0\x02\x97\x00"


@pytest.fixture
def tried() -> Iterator[Callable[[Bus], Listener]]:
    """Start a bus that tries to connect, and return its listener."""
    with ExitStack() as ending:

        def try_bus(bus: Bus) -> Listener:
            heard = Listener()
            trying = MqttBus(
                bus,
                client_id="daemon",
                on_event=heard,
                subscriptions=(TOPIC,),
                first_pause_seconds=0.05,
            )
            trying.start()
            ending.callback(trying.stop)
            return heard

        yield try_bus


@pytest.fixture
def guarded(make_mosquitto: Callable[..., Mosquitto], tmp_path: Path) -> Mosquitto:
    """Return a running broker that knows one user, lullwatt, with the password 'right'."""
    passwords = tmp_path / "passwords"
    subprocess.run(
        ["mosquitto_passwd", "-c", "-b", str(passwords), "lullwatt", "right"], check=True
    )
    broker = make_mosquitto("allow_anonymous false", f"password_file {passwords}")
    broker.start()
    return broker


def _signed_in(broker: Mosquitto, password_file: Path) -> Bus:
    return Bus(broker=broker.bus.broker, username="lullwatt", password_file=password_file)


def password_file(directory: Path, text: str) -> None:
    """Write the password file that `_signed_in` names, as its owner would."""
    path = directory / "mqtt"
    path.touch(0o600)
    path.write_text(text)


def test_the_right_password(
    guarded: Mosquitto, tried: Callable[[Bus], Listener], tmp_path: Path
) -> None:
    """A password file with a line break at its end lets the bus in."""
    password_file(tmp_path, "right\n")
    tried(_signed_in(guarded, tmp_path / "mqtt")).wait_connected()


def test_a_wrong_password_that_is_put_right(
    guarded: Mosquitto, tried: Callable[[Bus], Listener], tmp_path: Path
) -> None:
    """A wrong password is reported once in plain words; a corrected file needs no restart."""
    password_file(tmp_path, "wrong")
    heard = tried(_signed_in(guarded, tmp_path / "mqtt"))
    heard.wait_reason("the broker refused the user name or password")
    password_file(tmp_path, "right")
    heard.wait_connected()
    assert heard.reasons == ["the broker refused the user name or password"]


def test_no_password_where_one_is_needed(
    guarded: Mosquitto, tried: Callable[[Bus], Listener]
) -> None:
    """A broker that wants a password refuses a client without one."""
    tried(guarded.bus).wait_reason("the broker refused the user name or password")


def test_a_password_file_that_is_missing(
    guarded: Mosquitto, tried: Callable[[Bus], Listener], tmp_path: Path
) -> None:
    """A missing password file is named; the bus connects once it is there."""
    heard = tried(_signed_in(guarded, tmp_path / "mqtt"))
    heard.wait_reason(f"{tmp_path / 'mqtt'}:1:1: expected a password file, got no such file")
    password_file(tmp_path, "right")
    heard.wait_connected()


def test_a_password_file_that_is_no_text(
    guarded: Mosquitto, tried: Callable[[Bus], Listener], tmp_path: Path
) -> None:
    """A password file that is not UTF-8 is reported as such, not as an unknown host."""
    password_file(tmp_path, "")
    (tmp_path / "mqtt").write_bytes(b"\xff\xfe")
    heard = tried(_signed_in(guarded, tmp_path / "mqtt"))
    heard.wait_reason("mqtt:1:1: expected a password file, got text that is not UTF-8")


def test_a_host_that_nobody_knows(tried: Callable[[Bus], Listener]) -> None:
    """A host name that can't be found is reported as unknown (RFC 6761: .invalid never exists)."""
    heard = tried(Bus(broker="mqtt://broker.invalid", in_the_clear=True, anonymous=True))
    heard.wait_reason("the host of broker.invalid:1883 is not known")


def test_a_host_that_cannot_be_a_name(tried: Callable[[Bus], Listener]) -> None:
    """A host name with an empty part is unknown too, and no crash of the thread."""
    heard = tried(Bus(broker="mqtt://broker..invalid", in_the_clear=True, anonymous=True))
    heard.wait_reason("the host of broker..invalid:1883 is not known")


@pytest.fixture
def certificates(tmp_path: Path) -> Path:
    """Make a certificate for 127.0.0.1 that signs itself, and return its directory."""
    files = ("-keyout", str(tmp_path / "key.pem"), "-out", str(tmp_path / "cert.pem"))
    key = ("-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes")
    name = ("-subj", "/CN=broker", "-addext", "subjectAltName=IP:127.0.0.1")
    subprocess.run(
        ["openssl", "req", "-x509", *key, *files, *name], check=True, capture_output=True
    )
    return tmp_path


@pytest.fixture
def encrypted(make_mosquitto: Callable[..., Mosquitto], certificates: Path) -> Mosquitto:
    """Return a running broker that speaks TLS."""
    broker = make_mosquitto(
        f"certfile {certificates / 'cert.pem'}",
        f"keyfile {certificates / 'key.pem'}",
        "allow_anonymous true",
    )
    broker.start()
    return broker


def test_a_certificate_that_is_given(
    encrypted: Mosquitto, tried: Callable[[Bus], Listener], certificates: Path
) -> None:
    """With the authority's certificate in ca_file, the bus connects over TLS."""
    broker = f"mqtts://127.0.0.1:{encrypted.port}"
    tried(Bus(broker=broker, ca_file=certificates / "cert.pem")).wait_connected()


@closed_by_python
def test_a_certificate_that_is_not_trusted(
    encrypted: Mosquitto, tried: Callable[[Bus], Listener]
) -> None:
    """Without it, the bus does not connect, and says that it does not trust the certificate."""
    heard = tried(Bus(broker=f"mqtts://127.0.0.1:{encrypted.port}"))
    heard.wait_reason("is not trusted: self-signed certificate")
    assert heard.connections == []


@closed_by_python
def test_a_certificate_for_another_host(
    encrypted: Mosquitto, tried: Callable[[Bus], Listener], certificates: Path
) -> None:
    """A trusted certificate that names another host is refused all the same."""
    broker = f"mqtts://localhost:{encrypted.port}"
    heard = tried(Bus(broker=broker, ca_file=certificates / "cert.pem"))
    heard.wait_reason("is not trusted: Hostname mismatch")


@closed_by_python
def test_a_broker_without_tls(mosquitto: Mosquitto, tried: Callable[[Bus], Listener]) -> None:
    """TLS towards a broker that does not speak it is a reason, and no crash."""
    heard = tried(Bus(broker=f"mqtts://127.0.0.1:{mosquitto.port}"))
    heard.wait_reason(f"no connection to 127.0.0.1:{mosquitto.port}")


@pytest.mark.parametrize(
    ("last", "reason"),
    [
        (SESSION_TAKEN_OVER, "another client has connected with the same client id"),
        (SHUTTING_DOWN, "the broker is shutting down"),
        (QUOTA_EXCEEDED, "the broker closed the connection: quota exceeded"),
        (b"", "the connection to the broker was lost"),
    ],
)
def test_the_broker_says_why_it_ends(
    last: bytes, reason: str, tried: Callable[[Bus], Listener]
) -> None:
    """The reason in the broker's DISCONNECT packet is passed on in words (OASIS MQTT 5, 3.14.2)."""
    with scripted_broker(CONNACK, SUBACK + last) as script:
        heard = tried(script.bus)
        heard.wait_reason(reason)
    assert heard.events[0] == Connected("5")


def test_a_subscription_that_is_refused(tried: Callable[[Bus], Listener]) -> None:
    """A refused subscription ends the connection (OASIS MQTT 5, 3.9.3: 0x87)."""
    with scripted_broker(CONNACK, SUBACK_REFUSED) as script:
        heard = tried(script.bus)
        heard.wait_reason(f"the broker refused the subscription to {TOPIC}")
    assert heard.connections == []


@pytest.mark.parametrize(
    ("connack", "reason"),
    [
        (b"\x20\x03\x00\x85\x00", "the broker refused the client id"),
        (b"\x20\x03\x00\x86\x00", "the broker refused the user name or password"),
        (b"\x20\x03\x00\x88\x00", "the broker is not available"),
        (b"\x20\x03\x00\x97\x00", "the broker refused the connection: quota exceeded"),
    ],
)
def test_the_broker_says_why_it_refuses(
    connack: bytes, reason: str, tried: Callable[[Bus], Listener]
) -> None:
    """The reason code of a CONNACK is passed on in words (OASIS MQTT 5, 3.2.2.2)."""
    with scripted_broker(connack) as script:
        tried(script.bus).wait_reason(reason)


def test_a_reason_that_stays_is_said_once(tried: Callable[[Bus], Listener]) -> None:
    """A repeated refusal is reported once."""
    with scripted_broker(b"\x20\x03\x00\x88\x00") as script:
        heard = tried(script.bus)
        wait_until(lambda: len(script.received) >= 4)
    assert heard.reasons[0] == "the broker is not available"
    assert heard.reasons.count("the broker is not available") == 1


def test_a_reason_is_said_again_after_a_connection(tried: Callable[[Bus], Listener]) -> None:
    """Each lost connection is reported, even with the same reason as before."""
    with scripted_broker(CONNACK, SUBACK) as script:
        heard = tried(script.bus)
        wait_until(lambda: len(heard.reasons) >= 3)
    lost = Disconnected("the connection to the broker was lost")
    assert heard.events[:6] == [Connected("5"), lost] * 3


@pytest.mark.parametrize(("last", "stayed_up"), [(b"", True), (SESSION_TAKEN_OVER, False)])
def test_a_fight_over_a_client_id_slows_down(last: bytes, *, stayed_up: bool) -> None:
    """The bus reconnects soon after a lost connection, and ever later after a takeover."""
    with scripted_broker(CONNACK, SUBACK + last) as script:
        connection = BrokerConnection(
            ConnectionSettings(script.bus, "daemon", None, (TOPIC,), keep_session=True),
            "5",
            Listener(),
        )
        connection.run(Event())
    assert connection.stayed_up is stayed_up


def test_pauses_grow() -> None:
    """Failed attempts come 1, 2, 4, 8 and 16 seconds apart, then every 30."""
    pauses = [1.0]
    for _ in range(6):
        pauses.append(longer_pause_seconds(pauses[-1]))
    assert pauses == [1, 2, 4, 8, 16, 30, 30]


def test_a_peer_that_is_no_broker(tried: Callable[[Bus], Listener]) -> None:
    """A peer that answers nonsense is a reason, whatever it says; the bus goes on trying."""
    with scripted_broker(b"HTTP/1.1 400 Bad Request\r\n\r\n") as script:
        heard = tried(script.bus)
        wait_until(lambda: heard.reasons)
    assert heard.connections == []


@pytest.mark.parametrize("refusal", [b"\x20\x03\x00\x84\x00", b"\x20\x02\x00\x01", b""])
def test_a_broker_of_the_older_version(refusal: bytes, tried: Callable[[Bus], Listener]) -> None:
    """A broker that refuses MQTT 5, in its words or those of 3.1.1 or none, is asked in 3.1.1."""
    with scripted_broker(refusal) as script:
        tried(script.bus)
        wait_until(lambda: len(script.received) >= 2)
    assert script.received[0].startswith(b"\x10")
    assert b"\x00\x04MQTT\x05" in script.received[0]
    assert b"\x00\x04MQTT\x04" in script.received[1]
