"""A look at what a broker keeps on one topic, under a client id of its own.

Who has lost its connection may have lost it to another with the same client id; to come back would
throw that one out. A look throws nobody out.
"""

from __future__ import annotations

from dataclasses import replace
from secrets import token_hex
from threading import Event, Timer
from typing import TYPE_CHECKING, Final, NamedTuple

from adapters.bus.connection import Link
from adapters.bus.events import BusEvent, Connected, MessageArrived, Protocol

if TYPE_CHECKING:
    from adapters.bus.connection import Setup

RETAINED_WITHIN_SECONDS: Final = 0.5  # a broker sends what it keeps right after the subscription


class Look(NamedTuple):
    """What came of a look: whether there was a broker, and what it keeps, if anything."""

    connected: bool
    payload: bytes | None


class _Looking:
    """Takes the first message, and ends the connection."""

    def __init__(self) -> None:
        self.payload: bytes | None = None
        self.link: Link | None = None
        self._timer: Timer | None = None

    def hear(self, event: BusEvent) -> None:
        """Take an event; on the looking thread."""
        match event:
            case Connected():
                self._timer = Timer(RETAINED_WITHIN_SECONDS, self.end)
                self._timer.daemon = True
                self._timer.start()
            case MessageArrived(_topic, payload):
                self.payload = payload
                event.ack()
                self.end()
            case _:
                pass

    def end(self) -> None:
        """End the connection, and wait for nothing more."""
        if self.link is not None:
            self.link.close()

    def close(self) -> None:
        """Let no timer outlive the look."""
        if self._timer is not None:
            self._timer.cancel()


def look(setup: Setup, topic: str, protocol: Protocol, stopping: Event) -> Look:
    """Ask the broker what it keeps on a topic.

    Parameters
    ----------
    setup
        Of the connection that was lost; its client id and its Will are left alone.
    topic
        Where to look.
    protocol
        The version of MQTT that the broker speaks.
    stopping
        Set by whoever wants no connection any more.

    Returns
    -------
    Look
        Without a payload where there is none within half a second.
    """
    looking = _Looking()
    own = replace(
        setup,
        client_id=f"{setup.client_id}-looks-{token_hex(4)}",
        will=None,
        subscriptions=(topic,),
        keep_session=False,
    )
    looking.link = link = Link(own, protocol, looking.hear)
    link.run(stopping)
    looking.close()
    return Look(link.was_up, looking.payload)
