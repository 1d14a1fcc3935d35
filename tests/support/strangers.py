"""Foreign MQTT clients: they sign in, try something, and report the broker's response."""

from __future__ import annotations

import ssl
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTProtocolVersion
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from tests.support.certificates import Signed
from tests.support.waiting import wait_until

LOST = "the connection was lost"


@dataclass(frozen=True)
class SignIn:
    """How a client signs in, and which authority it trusts; all optional."""

    username: str | None = None
    password: str | None = None
    trusts: Path | None = None
    shows: Signed | None = None


@dataclass
class Stranger:
    """A client of a broker on this machine; MQTT 5, so that the broker gives its reasons."""

    port: int
    sign_in: SignIn
    client_id: str = ""
    heard: list[tuple[str, bytes]] = field(default_factory=list)
    _answers: dict[object, str] = field(default_factory=dict)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_error: object) -> None:
        self._client.disconnect()
        self._client.loop_stop()

    def connect(self) -> str:
        """Connect; return the broker's reason, the TLS error, or that the connection was lost."""
        shown = self.sign_in
        self._client = client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.client_id,
            protocol=MQTTProtocolVersion.MQTTv5,
            reconnect_on_failure=False,
        )
        client.on_connect = self._on_connect
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        if shown.username is not None:
            client.username_pw_set(shown.username, shown.password)
        if shown.trusts is not None:
            client.tls_set_context(_context(shown.trusts, shown.shows))
        try:
            client.connect("127.0.0.1", self.port)
        except (OSError, ValueError) as error:
            return str(error)
        client.loop_start()
        return self._answer("connect")

    def publish(self, topic: str, payload: bytes, *, retain: bool = False) -> str:
        """Publish at quality of service 1; return the reason of the acknowledgement."""
        return self._answer(self._client.publish(topic, payload, 1, retain).mid)

    def subscribe(self, topic_filter: str) -> str:
        """Subscribe; return the reason of the acknowledgement."""
        _, mid = self._client.subscribe(topic_filter, 1)
        return self._answer(mid)

    def _answer(self, question: object) -> str:
        wait_until(
            lambda: question in self._answers or LOST in self._answers, what=f"answer to {question}"
        )
        return self._answers.get(question) or self._answers[LOST]

    def _on_connect(
        self, _c: Client, _u: object, _f: ConnectFlags, reason: ReasonCode, _p: Properties | None
    ) -> None:
        self._answers["connect"] = str(reason)

    def _on_disconnect(
        self, _c: Client, _u: object, flags: DisconnectFlags, why: ReasonCode, _p: Properties | None
    ) -> None:
        by_broker = flags.is_disconnect_packet_from_server
        self._answers[LOST] = f"disconnected: {why}" if by_broker else LOST

    def _on_publish(
        self, _c: Client, _u: object, mid: int, reason: ReasonCode, _p: Properties | None
    ) -> None:
        self._answers[mid] = str(reason)

    def _on_subscribe(
        self, _c: Client, _u: object, mid: int, reasons: list[ReasonCode], _p: Properties | None
    ) -> None:
        self._answers[mid] = str(reasons[0])

    def _on_message(self, _client: Client, _userdata: object, message: MQTTMessage) -> None:
        self.heard.append((message.topic, bytes(message.payload)))


def _context(trusts: Path, shows: Signed | None) -> ssl.SSLContext:
    context = ssl.create_default_context(cafile=str(trusts))
    if shows is not None:
        context.load_cert_chain(shows.certificate, shows.key)
    return context
