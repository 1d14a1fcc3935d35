"""The MQTT bus: a connection to the household's broker that reconnects by itself.

Each connection uses a new client, so nothing that was meant for an earlier connection is ever sent
on a later one: no stale command, no stray acknowledgement. Other modules decide what an event
means.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from threading import Event, Thread
from time import monotonic
from typing import Final

import structlog

from adapters.bus.connection import BrokerConnection, ConnectionSettings
from adapters.bus.events import (
    BusEvent,
    Connected,
    Disconnected,
    MessageArrived,
    Outcome,
    Protocol,
    Published,
)
from adapters.bus.retained import read_retained
from adapters.contract.topics import is_topic_filter
from config.files.errors import BusError
from config.household.household_file import Bus

__all__ = [
    "BusEvent",
    "Connected",
    "Disconnected",
    "MessageArrived",
    "MqttBus",
    "Protocol",
    "Published",
]

LONGEST_PAUSE_SECONDS: Final = 30.0
URGENT_PAUSE_SECONDS: Final = 5.0
LAST_ACKNOWLEDGEMENTS_SECONDS: Final = 5.0
THREAD_ENDS_SECONDS: Final = 10.0
DECIDED_SECONDS: Final = 10.0
MUTED_SECONDS: Final = 300.0
FIRST_PROTOCOL: Protocol = "5"

_log = structlog.get_logger(__name__)


class MqttBus:
    """A connection to the broker that reconnects by itself.

    Parameters
    ----------
    bus
        The household's bus. An embedded broker must be running, with its address here in place
        of `embedded`.
    client_id
        Fixed for each purpose: two connections with the same id end each other for ever.
    on_event
        Called with every event, mostly on the bus's own thread; it must only pass them on.
    will
        Topic and payload that the broker publishes, retained, if this side vanishes.
    subscriptions
        Topic filters to subscribe to.
    keep_session
        Whether the broker stores messages for this client id while it is disconnected.
    first_pause_seconds
        The pause before the first attempt to reconnect; it doubles up to 30 seconds.
    will_is_kept
        Whether the broker retains the Will.
    former_subscriptions
        Topic filters that an earlier version subscribed to under this client id: they are taken
        back, and messages that still wait for them are delivered.
    is_urgent
        Asked on the bus's own thread: whether to try again within 5 seconds, whatever the pause.
    most_a_second
        The most messages that are read in a second, on average; None for any number. The rest
        waits at the broker.
    read_before_reconnecting
        A topic. After a lost connection the bus reads its retained message under a separate client
        id, and reconnects once the listener has acknowledged that message (or after 10 seconds).
        So a daemon that has taken over in the meantime is not disconnected before its message is
        read.

    Raises
    ------
    BusError
        If a subscription is not a valid topic filter.
    """

    def __init__(
        self,
        bus: Bus,
        *,
        client_id: str,
        on_event: Callable[[BusEvent], None],
        will: tuple[str, bytes] | None = None,
        subscriptions: Sequence[str] = (),
        keep_session: bool = True,
        first_pause_seconds: float = 1.0,
        read_before_reconnecting: str | None = None,
        will_is_kept: bool = True,
        former_subscriptions: Sequence[str] = (),
        is_urgent: Callable[[], bool] = lambda: False,
        most_a_second: float | None = None,
    ) -> None:
        for wanted in subscriptions:
            if not is_topic_filter(wanted):
                raise BusError(f"not a topic filter: {wanted!r}")
        self._settings = ConnectionSettings(
            bus, client_id, will, tuple(subscriptions), keep_session, will_is_kept=will_is_kept,
            former_subscriptions=tuple(former_subscriptions), most_a_second=most_a_second,
        )  # fmt: skip
        self._on_event = on_event
        self._first_pause_seconds = first_pause_seconds
        self._read_before_reconnecting = read_before_reconnecting
        self._is_urgent = is_urgent
        self._outcomes: dict[str, Outcome] = {}
        self._muted_until_seconds: dict[str, float] = {}
        self._stopping = Event()
        self._connection: BrokerConnection | None = None
        self._reason: str | None = None
        self._thread = Thread(target=self._stay_connected, name=f"bus {client_id}", daemon=True)

    def start(self) -> None:
        """Start connecting; returns at once, whether or not there is a broker."""
        self._thread.start()

    def stop(self) -> None:
        """Disconnect once published messages are acknowledged, or after 5 seconds.

        Publishes nothing and triggers no Will. Must not be called from `on_event`.
        """
        self.wait_acknowledged(LAST_ACKNOWLEDGEMENTS_SECONDS)
        self._stopping.set()
        connection = self._connection
        if connection is not None:
            connection.close()
        if self._thread.is_alive():
            self._thread.join(THREAD_ENDS_SECONDS)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Hand a message to the broker.

        Parameters
        ----------
        topic
            A topic name without wildcards.
        payload
            The bytes to send.
        retain
            Whether the broker keeps the message for later subscribers.
        qos
            Quality of service; the daemon's own messages use 1.

        Returns
        -------
        bool
            False while disconnected: the message is dropped, and never sent later. False also for
            five minutes on a topic whose refusal ended the connection: Mosquitto 2.0.11
            disconnects when it refuses a message, and the other topics must still get through.
        """
        connection = self._connection
        if connection is None or self._muted_until_seconds.get(topic, 0.0) > monotonic():
            return False
        return connection.publish(topic, payload, retain=retain, qos=qos)

    def wait_acknowledged(self, timeout: float) -> bool:
        """Wait until the broker has acknowledged everything published on this connection.

        Must not be called from `on_event`, which would wait for itself.

        Parameters
        ----------
        timeout
            The longest wait [seconds].

        Returns
        -------
        bool
            False if it took too long, or without a connection.
        """
        connection = self._connection
        return connection is not None and connection.wait_acknowledged(timeout)

    def _stay_connected(self) -> None:
        protocol = FIRST_PROTOCOL
        to_read = False
        pause_seconds = self._first_pause_seconds / 2  # is doubled before it is first used
        while not self._stopping.is_set():
            if to_read:
                to_read = not self._read_retained(protocol)
            if self._stopping.is_set():
                return
            connection = BrokerConnection(self._settings, protocol, self._deliver)
            self._connection = connection
            reason = connection.run(self._stopping)
            self._connection = None
            to_read = to_read or connection.was_up
            muted_until_seconds = monotonic() + MUTED_SECONDS
            self._muted_until_seconds |= dict.fromkeys(connection.refused, muted_until_seconds)
            if self._stopping.is_set():
                return
            if connection.wants_other_protocol:
                protocol = "3.1.1" if protocol == "5" else "5"
                if protocol == "3.1.1":
                    continue
            self._deliver(Disconnected(reason))
            pause_seconds = (
                self._first_pause_seconds
                if connection.stayed_up
                else longer_pause_seconds(pause_seconds)
            )
            self._pause(pause_seconds)

    def _pause(self, seconds: float) -> None:
        """Wait, but only until the next attempt becomes urgent or the bus is to stop."""
        left = seconds
        while left > 0 and not self._stopping.wait(min(left, URGENT_PAUSE_SECONDS)):
            left = 0 if self._is_urgent() else left - URGENT_PAUSE_SECONDS

    def _read_retained(self, protocol: Protocol) -> bool:
        """Deliver the retained message; return False if the broker is unreachable."""
        topic = self._read_before_reconnecting
        if topic is None:
            return True
        retained = read_retained(self._settings, topic, protocol, self._stopping)
        if retained.payload is not None:
            decided = Event()
            self._deliver(MessageArrived(topic, retained.payload, retain=True, ack=decided.set))
            deadline = monotonic() + DECIDED_SECONDS
            while not (decided.wait(0.02) or self._stopping.is_set() or monotonic() > deadline):
                pass
        return retained.connected

    def _deliver(self, event: BusEvent) -> None:
        if self._is_repetition(event):
            return
        try:
            self._on_event(event)
        except Exception:  # noqa: BLE001 - see below
            # The thread must survive a failing listener; an unacknowledged message comes again.
            _log.exception("bus event could not be handled", event_type=type(event).__name__)

    def _is_repetition(self, event: BusEvent) -> bool:
        """Whether the event only repeats the last one of its kind; remembers it."""
        match event:
            case Disconnected(reason):
                last_reason, self._reason = self._reason, reason
                return last_reason == reason
            case Connected():
                self._reason = None
            case Published(topic, outcome):
                last = self._outcomes.get(topic, "accepted")
                self._outcomes[topic] = outcome
                return last == outcome
            case MessageArrived():
                pass
        return False


def longer_pause_seconds(pause_seconds: float) -> float:
    """Return the pause after one more failed attempt: doubled, at most 30 seconds."""
    return min(2 * pause_seconds, LONGEST_PAUSE_SECONDS)
