"""The MQTT bus: a connection to the household's broker that comes back by itself.

Each connection is a client of its own, so nothing that was meant for an earlier one is ever sent
on a later one: no stale command, no stray acknowledgement. What an event means is decided
elsewhere.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from threading import Event, Thread
from time import monotonic
from typing import Final

import structlog

from adapters.bus.connection import Link, Setup
from adapters.bus.events import (
    BusEvent,
    Connected,
    Disconnected,
    MessageArrived,
    Outcome,
    Protocol,
    Published,
)
from adapters.bus.retained_look import look
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
LAST_ACKNOWLEDGEMENTS_SECONDS: Final = 5.0
THREAD_ENDS_SECONDS: Final = 10.0
DECIDED_SECONDS: Final = 10.0
MUTED_SECONDS: Final = 300.0
FIRST_PROTOCOL: Protocol = "5"

_log = structlog.get_logger(__name__)


class MqttBus:
    """A connection to the broker that comes back by itself.

    Parameters
    ----------
    bus
        The household's bus. A broker inside the daemon must be running, and its address stand
        here in place of `embedded`.
    client_id
        Fixed for each purpose: two connections with one id end each other for ever.
    on_event
        Takes every event, mostly on the bus's own thread; it must only pass them on.
    will
        Topic and payload that the broker publishes, retained, if this side vanishes.
    subscriptions
        The filters to hear.
    keep_session
        Whether the broker keeps messages for this client id while it is away.
    first_pause_seconds
        The pause before the first attempt to come back; it doubles up to 30 seconds.
    will_is_kept
        Whether the broker keeps the Will as a retained message.
    look_first
        A topic whose retained message is heard, under another client id, before this one is used
        again after a lost connection: whoever has taken the place meanwhile is not thrown out
        unheard. The bus waits with coming back until that message is acknowledged.

    Raises
    ------
    BusError
        If a subscription is no valid filter.
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
        look_first: str | None = None,
        will_is_kept: bool = True,
    ) -> None:
        for wanted in subscriptions:
            if not is_topic_filter(wanted):
                raise BusError(f"not a filter for topics: {wanted!r}")
        self._setup = Setup(
            bus, client_id, will, tuple(subscriptions), keep_session, will_is_kept=will_is_kept
        )
        self._on_event = on_event
        self._first_pause_seconds = first_pause_seconds
        self._look_first = look_first
        self._outcomes: dict[str, Outcome] = {}
        self._muted_until_seconds: dict[str, float] = {}
        self._stopping = Event()
        self._link: Link | None = None
        self._reason: str | None = None
        self._thread = Thread(target=self._keep_up, name=f"bus {client_id}", daemon=True)

    def start(self) -> None:
        """Begin to connect; returns at once, whether or not there is a broker."""
        self._thread.start()

    def stop(self) -> None:
        """Disconnect, after what was published is acknowledged (waits 5 seconds at most).

        Publishes nothing, says nothing, leaves no Will. Must not be called from `on_event`.
        """
        self.wait_acknowledged(LAST_ACKNOWLEDGEMENTS_SECONDS)
        self._stopping.set()
        link = self._link
        if link is not None:
            link.close()
        if self._thread.is_alive():
            self._thread.join(THREAD_ENDS_SECONDS)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Hand a message to the broker.

        Parameters
        ----------
        topic
            A topic name without wildcards.
        payload
            The bytes to carry.
        retain
            Whether the broker keeps it for later subscribers.
        qos
            Quality of service; the daemon's own messages have 1.

        Returns
        -------
        bool
            False while disconnected; the message is then dropped and never sent later. So it is
            for five minutes on a topic that cost the connection: Mosquitto 2.0.11 ends it when a
            message is refused, and what may be published must still get through.
        """
        link = self._link
        if link is None or self._muted_until_seconds.get(topic, 0.0) > monotonic():
            return False
        return link.publish(topic, payload, retain=retain, qos=qos)

    def wait_acknowledged(self, timeout: float) -> bool:
        """Wait until the broker has everything published on this connection.

        Must not be called from `on_event`, which would wait for itself.

        Parameters
        ----------
        timeout
            The longest wait [seconds].

        Returns
        -------
        bool
            False if it took too long, or there is no connection.
        """
        link = self._link
        return link is not None and link.wait_acknowledged(timeout)

    def _keep_up(self) -> None:
        protocol = FIRST_PROTOCOL
        to_look = False
        pause_seconds = self._first_pause_seconds / 2  # is doubled before it is first used
        while not self._stopping.is_set():
            if to_look:
                to_look = not self._look(protocol)
            if self._stopping.is_set():
                return
            link = Link(self._setup, protocol, self._deliver)
            self._link = link
            reason = link.run(self._stopping)
            self._link = None
            to_look = to_look or link.was_up
            muted_until_seconds = monotonic() + MUTED_SECONDS
            self._muted_until_seconds |= dict.fromkeys(link.refused, muted_until_seconds)
            if self._stopping.is_set():
                return
            if link.wants_other_protocol:
                protocol = "3.1.1" if protocol == "5" else "5"
                if protocol == "3.1.1":
                    continue
            self._deliver(Disconnected(reason))
            pause_seconds = (
                self._first_pause_seconds if link.held else longer_pause_seconds(pause_seconds)
            )
            self._stopping.wait(pause_seconds)

    def _look(self, protocol: Protocol) -> bool:
        """Hear what is kept on the topic to look at first; False if the broker can't be asked."""
        if self._look_first is None:
            return True
        seen = look(self._setup, self._look_first, protocol, self._stopping)
        if seen.payload is not None:
            decided = Event()
            self._deliver(MessageArrived(self._look_first, seen.payload, True, decided.set))  # noqa: FBT003 - a dataclass
            deadline = monotonic() + DECIDED_SECONDS
            while not (decided.wait(0.02) or self._stopping.is_set() or monotonic() > deadline):
                pass
        return seen.connected

    def _deliver(self, event: BusEvent) -> None:
        if self._is_said(event):
            return
        try:
            self._on_event(event)
        except Exception:  # noqa: BLE001 - see below
            # The thread must outlive whoever listens; an unacknowledged message comes again.
            _log.exception("bus event was not taken", event_type=type(event).__name__)

    def _is_said(self, event: BusEvent) -> bool:
        """Whether this is what was said last; takes note of it."""
        match event:
            case Disconnected(reason):
                before, self._reason = self._reason, reason
                return before == reason
            case Connected():
                self._reason = None
            case Published(topic, outcome):
                before_it = self._outcomes.get(topic, "taken")
                self._outcomes[topic] = outcome
                return before_it == outcome
            case MessageArrived():
                pass
        return False


def longer_pause_seconds(pause_seconds: float) -> float:
    """Return the pause after one more attempt in vain: twice as long, 30 seconds at most."""
    return min(2 * pause_seconds, LONGEST_PAUSE_SECONDS)
