"""Read what a broker retains on one topic, under a separate client id.

A daemon that lost its connection may have lost it to another daemon with the same client id. If it
came back at once it would disconnect that one. A separate client id disconnects nobody.
"""

from __future__ import annotations

from dataclasses import replace
from secrets import token_hex
from threading import Event, Timer
from typing import TYPE_CHECKING, Final, NamedTuple

from adapters.bus.connection import BrokerConnection
from adapters.bus.events import BusEvent, Connected, MessageArrived, Protocol

if TYPE_CHECKING:
    from adapters.bus.connection import ConnectionSettings

RETAINED_WITHIN_SECONDS: Final = 0.5  # a broker sends them right after a subscription


class RetainedPayload(NamedTuple):
    """Whether the broker could be reached, and the payload it retains, if any."""

    connected: bool
    payload: bytes | None


class _FirstMessage:
    """Keeps the first message that arrives, and then closes the connection."""

    def __init__(self) -> None:
        self.payload: bytes | None = None
        self.connection: BrokerConnection | None = None
        self._timer: Timer | None = None

    def on_event(self, event: BusEvent) -> None:
        """Handle an event of the connection, on the connection's thread."""
        match event:
            case Connected():
                self._timer = Timer(RETAINED_WITHIN_SECONDS, self.disconnect)
                self._timer.daemon = True
                self._timer.start()
            case MessageArrived(_topic, payload):
                self.payload = payload
                event.ack()
                self.disconnect()
            case _:
                pass

    def disconnect(self) -> None:
        """End the connection."""
        if self.connection is not None:
            self.connection.close()

    def cancel_timer(self) -> None:
        """Cancel the timer, so that it does not fire after the connection has ended."""
        if self._timer is not None:
            self._timer.cancel()


def read_retained(
    settings: ConnectionSettings, topic: str, protocol: Protocol, stopping: Event
) -> RetainedPayload:
    """Read the message that the broker retains on a topic.

    Parameters
    ----------
    settings
        Of the connection that was lost; its client id and its Will are not used.
    topic
        Where to read.
    protocol
        The version of MQTT that the broker speaks.
    stopping
        Set when the bus is to stop.

    Returns
    -------
    RetainedPayload
        Without a payload if none arrives within half a second.
    """
    first = _FirstMessage()
    separate = replace(
        settings,
        client_id=f"{settings.client_id}-looks-{token_hex(4)}",
        will=None,
        subscriptions=(topic,),
        keep_session=False,
    )
    first.connection = connection = BrokerConnection(separate, protocol, first.on_event)
    connection.run(stopping)
    first.cancel_timer()
    return RetainedPayload(connection.was_up, first.payload)
