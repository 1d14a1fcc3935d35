"""A broker in virtual time: MQTT's quality of service 1, as far as a client can tell.

What is sent to a client arrives in order, at least once, if it is connected or has a session that
is kept (MQTT 5, section 4.4 and 4.6). A broker that dies loses what is under way, and what it had
stored if its disk forgets.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Final

from adapters.bus.events import BusEvent, Connected, Disconnected, MessageArrived
from adapters.contract.topics import matches

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tests.virtual_years.world import World

USUAL_DELAY: Final = 0.05
MOST_QUEUED: Final = 5000
RECENT: Final = 60


@dataclass
class Client:
    """One participant.

    Attributes
    ----------
    on_event : callable
        Takes what comes.
    subscriptions : sequence of str
        Topic filters.
    keeps_session : bool
        Whether messages wait for it while it is away.
    will : tuple of str and bytes, or None
        What the broker publishes if it vanishes.
    """

    on_event: Callable[[BusEvent], None]
    subscriptions: Sequence[str]
    keeps_session: bool
    will: tuple[str, bytes] | None = None
    is_connected: bool = False
    number: int = 0
    last_number: int = 0
    unacknowledged: dict[int, tuple[str, bytes]] = field(default_factory=dict)
    arrives_at: datetime | None = None
    _wanted: dict[str, bool] = field(default_factory=dict)

    def wants(self, topic: str) -> bool:
        """Return whether it has subscribed to a topic."""
        if topic not in self._wanted:
            self._wanted[topic] = any(matches(each, topic) for each in self.subscriptions)
        return self._wanted[topic]


class Broker:
    """Passes messages on.

    Attributes
    ----------
    on_published : callable
        Called with each message that it accepts, and whose it is.
    on_acknowledged : callable
        Called with each message that was acknowledged, and by whom.
    """

    def __init__(self, world: World) -> None:
        self._world = world
        self._clients: list[Client] = []
        self._stored: dict[str, bytes] = {}
        self._life = 0
        self.is_up = True
        self.slowest = USUAL_DELAY
        self.recent: list[tuple[str, bytes]] = []
        self.on_published: Callable[[Client, str, bytes], None] = lambda *_: None
        self.on_acknowledged: Callable[[Client, str, bytes], None] = lambda *_: None

    def connect(self, client: Client) -> bool:
        """Take a client in; False while the broker is down."""
        if not self.is_up:
            return False
        if client not in self._clients:
            self._clients.append(client)
        if not client.keeps_session:
            client.unacknowledged.clear()
        client.is_connected, client.arrives_at = True, None
        client.number += 1
        client.on_event(Connected("5"))
        for number in list(client.unacknowledged):
            self._send(client, number, is_stored=False)
        for topic, payload in list(self._stored.items()):
            if client.wants(topic):
                self._queue(client, topic, payload, is_stored=True)
        return True

    def vanish(self, client: Client) -> None:
        """Lose a client without a goodbye; its Will is published."""
        if not client.is_connected:
            return
        client.is_connected = False
        if client.will is not None and self.is_up:
            self._pass_on(*client.will, retain=True)

    def publish(self, client: Client, topic: str, payload: bytes, *, retain: bool) -> bool:
        """Accept a message; False if the client is not connected."""
        if not (self.is_up and client.is_connected):
            return False
        self.on_published(client, topic, payload)
        self._pass_on(topic, payload, retain=retain)
        return True

    def stored(self, topic: str) -> bytes | None:
        """Return the message that is retained on a topic."""
        return self._stored.get(topic)

    def say_again(self, topic: str, payload: bytes) -> None:
        """Pass an old message on once more, as a bridge or a careless program may."""
        if self.is_up:
            self._pass_on(topic, payload, retain=False)

    def die(self, *, forgets: bool) -> None:
        """Go down: what is under way is lost, and all that was stored if it forgets."""
        self.is_up = False
        self._life += 1
        if forgets:
            self._stored.clear()
        for client in self._clients:
            if forgets:
                client.unacknowledged.clear()
            if client.is_connected:
                client.is_connected = False
                client.on_event(Disconnected("the broker is gone"))

    def come_back(self) -> None:
        """Accept connections again."""
        self.is_up = True

    def _pass_on(self, topic: str, payload: bytes, *, retain: bool) -> None:
        self.recent = [*self.recent[1 - RECENT :], (topic, payload)]
        if retain and payload:
            self._stored[topic] = payload
        elif retain:
            self._stored.pop(topic, None)
        for client in self._clients:
            if client.wants(topic) and (client.is_connected or client.keeps_session):
                self._queue(client, topic, payload, is_stored=False)

    def _queue(self, client: Client, topic: str, payload: bytes, *, is_stored: bool) -> None:
        if len(client.unacknowledged) >= MOST_QUEUED:
            return
        client.last_number += 1
        number = client.last_number
        client.unacknowledged[number] = (topic, payload)
        if client.is_connected:
            self._send(client, number, is_stored=is_stored)

    def _send(self, client: Client, number: int, *, is_stored: bool) -> None:
        """Let a message arrive a little later, after all before it, if nothing breaks off."""
        world, life, connection = self._world, self._life, client.number
        when = world.now + timedelta(seconds=world.chance.random() * self.slowest)
        client.arrives_at = when = max(when, client.arrives_at or when)

        def arrive() -> None:
            is_same = (self._life, client.number) == (life, connection)
            if not (is_same and client.is_connected and number in client.unacknowledged):
                return
            topic, payload = client.unacknowledged[number]

            def acknowledge() -> None:
                if client.number == connection and number in client.unacknowledged:
                    del client.unacknowledged[number]
                    self.on_acknowledged(client, topic, payload)

            client.on_event(MessageArrived(topic, payload, is_stored, acknowledge))

        world.at(when, arrive)
