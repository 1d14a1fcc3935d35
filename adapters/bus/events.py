"""What a bus tells its listener: it is up, it is down and why, a message has come or gone."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

Protocol = Literal["5", "3.1.1"]
Outcome = Literal["taken", "nobody-listens", "refused"]


@dataclass(frozen=True)
class Connected:
    """The broker has accepted the connection and every subscription."""

    protocol: Protocol


@dataclass(frozen=True)
class Disconnected:
    """There is no connection, and why, in plain words. Said once for each new reason."""

    reason: str


@dataclass(frozen=True)
class MessageArrived:
    """A message on a subscribed topic; may come before `Connected` and more than once.

    Whoever receives it calls `ack` once it is safely kept, from any thread. A message that is
    never acknowledged comes again on the next connection, and too many of them stop the flow.
    """

    topic: str
    payload: bytes
    retain: bool
    ack: Callable[[], None] = field(compare=False, repr=False)


@dataclass(frozen=True)
class Published:
    """What became of a message, where it is another thing than with the last one on its topic.

    Only MQTT 5 tells: before, every message seems to be taken. That nobody listens means that
    there is no subscriber at all; a dashboard is one as good as hardware. `why` is in plain words
    where the message was refused.
    """

    topic: str
    outcome: Outcome
    why: str = ""


BusEvent = Connected | Disconnected | MessageArrived | Published
