"""Signing in with certificates, over real TLS; and files that can't be used, each with its why."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest

from adapters.bus.bus import MqttBus
from adapters.bus.credentials import check_credentials, client_id_of, tls_context
from config.files.errors import FileError
from config.household.household_file import Bus
from tests.support.brokers import Mosquitto
from tests.support.certificates import Authority
from tests.support.listening import Listener
from tests.support.waiting import wait_until

# paho lets go of a socket whose TLS handshake failed without closing it: Python then closes it.
closed_by_python = pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")

UNANSWERED = "over TLS that is how it refuses a client without a certificate"


@pytest.fixture
def authority(tmp_path: Path) -> Authority:
    return Authority(tmp_path / "ours", "Ours")


@pytest.fixture
def strict(make_mosquitto: Callable[..., Mosquitto], authority: Authority) -> Mosquitto:
    """Return a running broker that admits clients with a certificate of this authority."""
    own = authority.sign("broker")
    broker = make_mosquitto(
        f"cafile {authority.certificate}", f"certfile {own.certificate}", f"keyfile {own.key}",
        "require_certificate true", "use_identity_as_username true",
    )  # fmt: skip
    broker.start()
    return broker


def bus_of(broker: Mosquitto, authority: Authority, **keys: object) -> Bus:
    address = f"mqtts://127.0.0.1:{broker.port}"
    return Bus.model_validate({"broker": address, "ca_file": str(authority.certificate)} | keys)


@contextmanager
def trying(bus: Bus) -> Iterator[Listener]:
    heard = Listener()
    tries = MqttBus(bus, client_id="daemon", on_event=heard, first_pause_seconds=0.05)
    tries.start()
    try:
        yield heard
    finally:
        tries.stop()


def shown(authority: Authority, name: str = "lullwatt", **how: Any) -> dict[str, str]:  # noqa: ANN401
    signed = authority.sign(name, **how)
    return {
        "client_certificate_file": str(signed.certificate), "client_key_file": str(signed.key),
    }  # fmt: skip


def test_a_certificate_lets_the_bus_in(strict: Mosquitto, authority: Authority) -> None:
    """With a certificate that the broker's authority has signed, there is a connection."""
    bus = bus_of(strict, authority, **shown(authority))
    check_credentials(bus)
    with trying(bus) as heard:
        heard.wait_connected()


@closed_by_python
def test_without_a_certificate_it_is_said_what_is_missing(
    strict: Mosquitto, authority: Authority
) -> None:
    """The broker says nothing in TLS 1.3 that MQTT would carry; the bus says what that means."""
    with trying(bus_of(strict, authority)) as heard:
        wait_until(lambda: heard.reasons, what="a reason")
        assert UNANSWERED in heard.reasons[0] or "certificate required" in heard.reasons[0]
        assert heard.connections == []


@closed_by_python
def test_a_certificate_of_another_authority_is_no_sign_in(
    strict: Mosquitto, authority: Authority, tmp_path: Path
) -> None:
    """The same name, signed by somebody else: no connection, and a reason."""
    forged = Authority(tmp_path / "theirs", "Ours")
    with trying(bus_of(strict, authority, **shown(forged))) as heard:
        wait_until(lambda: heard.reasons, what="a reason")
        assert heard.connections == []


@closed_by_python
def test_a_broker_of_another_authority_is_not_trusted(
    strict: Mosquitto, authority: Authority, tmp_path: Path
) -> None:
    """A broker with another authority's certificate receives nothing, not even a password."""
    other = Authority(tmp_path / "theirs", "Theirs")
    with trying(bus_of(strict, other, **shown(authority))) as heard:
        heard.wait_reason("is not trusted")
        assert heard.connections == []


def test_the_bus_says_what_is_wrong_with_a_file(strict: Mosquitto, authority: Authority) -> None:
    """A key that others may read is a reason; after a correction no restart is needed."""
    bus = bus_of(strict, authority, **shown(authority))
    assert bus.client_key_file is not None
    bus.client_key_file.chmod(0o644)
    with trying(bus) as heard:
        heard.wait_reason("expected a key file that only its owner may read or write")
        bus.client_key_file.chmod(0o600)
        heard.wait_connected()


def test_a_key_with_a_passphrase_is_refused(strict: Mosquitto, authority: Authority) -> None:
    """Nobody is asked for it: a daemon that waits for a terminal would wait for ever."""
    bus = bus_of(strict, authority, **shown(authority, passphrase="open sesame"))  # noqa: S106
    with pytest.raises(FileError, match="expected a key without a passphrase"):
        tls_context(bus)


def test_every_file_is_looked_at(tmp_path: Path, authority: Authority) -> None:
    """All faults of the password and of the certificates are reported together."""
    bus = Bus.model_validate(
        {
            "broker": "mqtts://127.0.0.1", "username": "lullwatt",
            "password_file": str(tmp_path / "nowhere"), **shown(authority),
        }
    )  # fmt: skip
    assert bus.client_key_file is not None
    bus.client_key_file.chmod(0o640)
    with pytest.raises(FileError) as caught:
        check_credentials(bus)
    messages = [fault.message for fault in caught.value.faults]
    assert any("expected a password file, got no such file" in text for text in messages)
    assert any("got the rights 0640; chmod 600" in text for text in messages)


@pytest.mark.parametrize(
    ("spoilt", "wanted"),
    [
        ("ca_file", "expected certificates (PEM), got something else"),
        ("client_certificate_file", "expected the key (PEM) of the certificate in"),
        ("client_key_file", "expected the key (PEM) of the certificate in"),
    ],
)
def test_files_that_hold_something_else(
    authority: Authority, tmp_path: Path, spoilt: str, wanted: str
) -> None:
    """A file that is no PEM, and a key of another certificate, are named."""
    keys = {"broker": "mqtts://127.0.0.1", "ca_file": str(authority.certificate)}
    keys |= shown(authority)
    (tmp_path / "else").write_text("dear diary\n")
    (tmp_path / "else").chmod(0o600)
    with pytest.raises(FileError) as caught:
        tls_context(Bus.model_validate(keys | {spoilt: str(tmp_path / "else")}))
    assert wanted in str(caught.value)
    other = shown(authority, "another")["client_key_file"]
    with pytest.raises(FileError, match="expected the key"):
        tls_context(Bus.model_validate(keys | {"client_key_file": other}))


def test_a_client_id_can_not_be_guessed(tmp_path: Path) -> None:
    """It depends on the password and the name, and is the same at every start."""
    secrets = tmp_path / "one", tmp_path / "other"
    for secret in secrets:
        secret.write_text(f"password {secret.name}\n")
        secret.chmod(0o600)
    one, other = (
        Bus(broker="mqtt://127.0.0.1", username="daemon", password_file=secret)
        for secret in secrets
    )
    named = client_id_of(one, "home")
    assert re.fullmatch("home-[0-9a-f]{16}", named)
    assert client_id_of(one, "home") == named
    assert len({named, client_id_of(other, "home"), client_id_of(one, "house")}) == 3
    assert client_id_of(Bus(broker="mqtt://127.0.0.1"), "home") == "home"
    secrets[0].unlink()
    assert client_id_of(one, "home") == "home"
