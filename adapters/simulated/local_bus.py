"""A bus within the process: a message has been handled before `publish` returns.

It stands in for a broker where months are played in seconds: no thread and no network.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from adapters.bus.events import BusEvent, Connected, MessageArrived
from adapters.contract.topics import matches


@dataclass(frozen=True)
class LocalConnection:
    """One participant's connection.

    Attributes
    ----------
    bus : LocalBus
        The bus.
    on_event : callable
        Takes each message that its owner has subscribed to.
    subscriptions : sequence of str
        Topic filters.
    """

    bus: LocalBus
    on_event: Callable[[BusEvent], None]
    subscriptions: Sequence[str]

    def start(self) -> None:
        """Connect, and get what the bus has stored."""
        self.bus.join(self)

    def stop(self) -> None:
        """Disconnect."""
        self.bus.leave(self)

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:  # noqa: ARG002 - all are delivered
        """Publish a message; it always arrives."""
        self.bus.pass_on(topic, payload, retain=retain)
        return True

    def wants(self, topic: str) -> bool:
        """Return whether it has subscribed to a topic."""
        return any(matches(each, topic) for each in self.subscriptions)


class LocalBus:
    """Passes messages on between the connections of one thread."""

    def __init__(self) -> None:
        self._connections: list[LocalConnection] = []
        self._stored: dict[str, bytes] = {}

    def connect(
        self,
        _bus: object = None,
        *,
        on_event: Callable[[BusEvent], None],
        subscriptions: Sequence[str],
        **_rest: object,
    ) -> LocalConnection:
        """Return a connection that is not started yet; what only a broker needs is ignored.

        Parameters
        ----------
        on_event
            Takes each message.
        subscriptions
            Topic filters.

        Returns
        -------
        LocalConnection
            The connection.
        """
        return LocalConnection(self, on_event, tuple(subscriptions))

    def join(self, connection: LocalConnection) -> None:
        """Take a connection in, and hand it the stored messages."""
        self._connections.append(connection)
        connection.on_event(Connected("5"))
        for topic, payload in list(self._stored.items()):
            if connection.wants(topic):
                connection.on_event(MessageArrived(topic, payload, True, _nothing))  # noqa: FBT003 - stored

    def leave(self, connection: LocalConnection) -> None:
        """Let a connection go."""
        if connection in self._connections:
            self._connections.remove(connection)

    def pass_on(self, topic: str, payload: bytes, *, retain: bool) -> None:
        """Hand a message to all that have subscribed to its topic."""
        if retain and payload:
            self._stored[topic] = payload
        elif retain:
            self._stored.pop(topic, None)
        for connection in list(self._connections):
            if connection.wants(topic):
                connection.on_event(MessageArrived(topic, payload, False, _nothing))  # noqa: FBT003 - new


def _nothing() -> None:
    """Acknowledge a message."""
