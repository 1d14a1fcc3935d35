"""One connection to an MQTT broker, from opening to its end.

The only module that imports paho. It tries once and never reconnects: the bus does that. Callbacks
only pass events on.
"""

from __future__ import annotations

import socket
from collections.abc import Callable
from dataclasses import dataclass
from threading import Condition, Event, Lock
from time import monotonic
from typing import TYPE_CHECKING, Final

from paho.mqtt.client import Client, ConnectFlags, DisconnectFlags, MQTTMessage
from paho.mqtt.enums import CallbackAPIVersion, MQTTErrorCode, MQTTProtocolVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from adapters.bus.credentials import password_of, tls_context
from adapters.bus.events import BusEvent, Connected, MessageArrived, Protocol, Published
from adapters.bus.pace import Pace
from adapters.bus.refusals import (
    NOBODY_LISTENS,
    TAKEN_OVER,
    UNANSWERED_OVER_TLS,
    UNSUPPORTED_PROTOCOL,
    why_ended,
    why_message_refused,
    why_refused,
    why_unreachable,
)
from adapters.contract.topics import matches
from config.household.household_file import Bus

if TYPE_CHECKING:
    from paho.mqtt.client import SocketLike

KEEPALIVE_SECONDS: Final = 10
SESSION_SECONDS: Final = 7 * 24 * 3600  # the broker stores messages so long for an absent client
AT_LEAST_ONCE: Final = 1
MOST_UNACKNOWLEDGED: Final = 1000
"""With so many messages unacknowledged, an MQTT 5 broker sends no others."""
TOO_MANY_MESSAGES: Final = "too many messages; those of QoS 0 that wait at the broker are skipped"
"""A broker may hold a hundred thousand, and readings behind them would come minutes late. What was
sent with QoS 1 and not acknowledged comes again on the next connection."""
LONGEST_PACKET_BYTES: Final = 1_048_576
"""Longest message that an MQTT 5 broker sends; a longer one than the contract allows is refused
with the reason, but not at any cost."""


@dataclass(frozen=True)
class ConnectionSettings:
    """The settings that all connections of one bus share."""

    bus: Bus
    client_id: str
    will: tuple[str, bytes] | None
    subscriptions: tuple[str, ...]
    keep_session: bool
    will_is_kept: bool = True
    former_subscriptions: tuple[str, ...] = ()
    most_a_second: float | None = None

    def accepts(self, topic: str) -> bool:
        """Whether a message on this topic is delivered."""
        return any(matches(each, topic) for each in self.subscriptions + self.former_subscriptions)

    @property
    def address(self) -> str:
        """The host and port as text."""
        return f"{self.bus.host}:{self.bus.port}"

    def client(self, protocol: Protocol) -> Client:
        """Make a client that is not connected yet.

        Parameters
        ----------
        protocol
            The version of MQTT to use.

        Returns
        -------
        Client
            With its Will, user name, password and TLS set. A fault in one of their files is passed
            on (`FileError`).
        """
        is_5 = protocol == "5"
        client = Client(
            CallbackAPIVersion.VERSION2,
            client_id=self.client_id,
            clean_session=None if is_5 else not self.keep_session,
            protocol=MQTTProtocolVersion.MQTTv5 if is_5 else MQTTProtocolVersion.MQTTv311,
            reconnect_on_failure=False,
            manual_ack=True,
        )
        if self.bus.username is not None:
            client.username_pw_set(self.bus.username, password_of(self.bus))
        if self.bus.tls:
            client.tls_set_context(tls_context(self.bus))
        if self.will is not None:
            topic, payload = self.will
            client.will_set(topic, payload, qos=AT_LEAST_ONCE, retain=self.will_is_kept)
        return client

    def open(self, client: Client, protocol: Protocol) -> None:
        """Connect the client's socket and send the first packet.

        Parameters
        ----------
        client
            A client made for the same protocol.
        protocol
            The version of MQTT to use. An error while connecting is passed on (mostly `OSError`).
        """
        if protocol == "3.1.1":
            client.connect(self.bus.host, self.bus.port, KEEPALIVE_SECONDS)
            return
        properties = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
        properties.SessionExpiryInterval = SESSION_SECONDS if self.keep_session else 0
        properties.ReceiveMaximum = MOST_UNACKNOWLEDGED
        properties.MaximumPacketSize = LONGEST_PACKET_BYTES
        client.connect(
            self.bus.host,
            self.bus.port,
            KEEPALIVE_SECONDS,
            clean_start=not self.keep_session,
            properties=properties,
        )


class BrokerConnection:
    """One connection to the broker, from opening to its end.

    Attributes
    ----------
    refused : set of str
        Topics on which the broker refused the latest message.
    """

    def __init__(
        self, settings: ConnectionSettings, protocol: Protocol, deliver: Callable[[BusEvent], None]
    ) -> None:
        self._settings = settings
        self._protocol: Protocol = protocol
        self._deliver = deliver
        self._client: Client | None = None
        self._is_up = False
        self._answered = False
        self._opened = False
        self._has_message = False
        self._reason = ""
        self._pending = 0
        self._pending_changed = Condition()
        self._was_up = False
        self._taken_over = False
        self.refused: set[str] = set()
        self._unpaired: dict[int, str | ReasonCode] = {}
        self._unpaired_lock = Lock()

    @property
    def was_up(self) -> bool:
        """Whether the broker accepted the connection and every subscription."""
        return self._was_up

    @property
    def wants_other_protocol(self) -> bool:
        """Whether the broker was reached but does not accept this version of MQTT."""
        return self._opened and not self._answered

    @property
    def stayed_up(self) -> bool:
        """Whether it was up, and no other client took over its client id."""
        return self._was_up and not self._taken_over

    def run(self, stopping: Event) -> str:
        """Connect and run the connection until it ends; return why it ended."""
        try:
            self._client = client = self._settings.client(self._protocol)
            self._listen_to(client)
            self._settings.open(client, self._protocol)
            self._opened = True
            if stopping.is_set():  # `close` may have been called before there was a client
                client.disconnect()
            pace = Pace(self._settings.most_a_second)
            while client.loop(timeout=1.0) == MQTTErrorCode.MQTT_ERR_SUCCESS:
                if self._has_message:
                    self._has_message = False
                    stopping.wait(pace.rest_seconds(now := monotonic()))
                    if pace.is_flooded(now):
                        self._reason = TOO_MANY_MESSAGES
                        break
        except Exception as error:  # noqa: BLE001 - the next attempt may succeed
            self._reason = why_unreachable(error, self._settings.address)
        finally:
            self._client = None  # paho closes its remaining sockets with the last reference
            with self._pending_changed:
                self._is_up = False
                self._pending_changed.notify_all()
        if self._settings.bus.tls and self.wants_other_protocol:
            return UNANSWERED_OVER_TLS
        return self._reason or "the connection to the broker was lost"

    def close(self) -> None:
        """Disconnect without triggering the Will; `run` returns soon after."""
        client = self._client
        if client is not None:
            client.disconnect()

    def publish(
        self, topic: str, payload: bytes, *, retain: bool, qos: int = AT_LEAST_ONCE
    ) -> bool:
        """Publish a message; return False, and drop it, if the connection is not up."""
        client = self._client
        if client is None or not self._is_up:
            return False
        # Counted before sending: the acknowledgement may be faster than this thread. The condition
        # is not held while sending: paho holds its own lock in both places.
        self._count(+1)
        sent = client.publish(topic, payload, qos, retain)
        if sent.rc != MQTTErrorCode.MQTT_ERR_SUCCESS:
            self._count(-1)
            return False
        reason = self._pair(sent.mid, topic)
        if isinstance(reason, ReasonCode):
            self._report_outcome(topic, reason)
        return True

    def wait_acknowledged(self, timeout: float) -> bool:
        """Wait up to `timeout` seconds; return whether all messages are acknowledged."""
        with self._pending_changed:
            self._pending_changed.wait_for(lambda: self._pending == 0 or not self._is_up, timeout)
            return self._pending == 0 and self._is_up

    def _count(self, change: int) -> None:
        with self._pending_changed:
            self._pending += change
            self._pending_changed.notify_all()

    def _listen_to(self, client: Client) -> None:
        client.on_socket_open = _disable_send_delay
        client.on_socket_register_write = _leave_writing_to_the_loop
        client.on_connect = self._on_connect
        client.on_subscribe = self._on_subscribe
        client.on_disconnect = self._on_disconnect
        client.on_publish = self._on_publish
        client.on_message = self._on_message

    def _on_connect(
        self,
        client: Client,
        _userdata: object,
        _flags: ConnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._answered = reason.value != UNSUPPORTED_PROTOCOL
        if reason.is_failure:
            self._reason = why_refused(reason.value, str(reason))
            return
        if self._settings.former_subscriptions:
            client.unsubscribe(list(self._settings.former_subscriptions))
        if self._settings.subscriptions:
            client.subscribe([(wanted, AT_LEAST_ONCE) for wanted in self._settings.subscriptions])
        else:
            self._come_up()

    def _on_subscribe(
        self,
        client: Client,
        _userdata: object,
        _mid: int,
        reasons: list[ReasonCode],
        _properties: Properties | None,
    ) -> None:
        granted = zip(self._settings.subscriptions, reasons, strict=True)
        refused = [wanted for wanted, reason in granted if reason.is_failure]
        if refused:
            self._reason = f"the broker refused the subscription to {', '.join(refused)}"
            client.disconnect()
        else:
            self._come_up()

    def _come_up(self) -> None:
        self._is_up = self._was_up = True
        self._deliver(Connected(self._protocol))

    def _on_disconnect(
        self,
        _client: Client,
        _userdata: object,
        flags: DisconnectFlags,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        self._taken_over = reason.value == TAKEN_OVER
        by_broker = flags.is_disconnect_packet_from_server
        why = why_ended(reason.value, str(reason), by_broker=by_broker)
        if self.refused:
            why += f", after a message on {', '.join(sorted(self.refused))} was refused"
        self._reason = self._reason or why

    def _on_publish(
        self,
        _client: Client,
        _userdata: object,
        mid: int,
        reason: ReasonCode,
        _properties: Properties | None,
    ) -> None:
        topic = self._pair(mid, reason)
        if isinstance(topic, str):
            self._report_outcome(topic, reason)
        self._count(-1)

    def _pair(self, mid: int, part: str | ReasonCode) -> str | ReasonCode | None:
        """Return the other part, topic or acknowledgement, if it came earlier."""
        with self._unpaired_lock:
            other = self._unpaired.pop(mid, None)
            if other is None:
                self._unpaired[mid] = part
            return other

    def _report_outcome(self, topic: str, reason: ReasonCode) -> None:
        if reason.is_failure:
            self.refused.add(topic)
            why = why_message_refused(reason.value, str(reason))
            self._deliver(Published(topic, "refused", why))
        else:
            self.refused.discard(topic)
            nobody = reason.value == NOBODY_LISTENS
            self._deliver(Published(topic, "nobody-listens" if nobody else "accepted"))

    def _on_message(self, client: Client, _userdata: object, message: MQTTMessage) -> None:
        # Not the message itself: paho's takes 10 KB, and thousands may wait for this.
        number, qos = message.mid, message.qos

        def ack() -> None:
            client.ack(number, qos)

        self._has_message = True
        try:
            topic = message.topic
        except UnicodeDecodeError:
            topic = ""
        # A broker may send retained messages that were never subscribed to (amqtt does).
        if self._settings.accepts(topic):
            payload = bytes(message.payload)
            self._deliver(MessageArrived(topic, payload, retain=message.retain, ack=ack))
        else:
            ack()


def _disable_send_delay(_client: Client, _userdata: object, opened: SocketLike) -> None:
    if isinstance(opened, socket.socket):
        opened.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


def _leave_writing_to_the_loop(_client: Client, _userdata: object, _socket: SocketLike) -> None:
    """Do nothing: its presence keeps paho from writing on the publishing thread."""
