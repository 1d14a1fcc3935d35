"""The events of a bus: connected, disconnected, message arrived, published."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

Protocol = Literal["5", "3.1.1"]
Outcome = Literal["accepted", "nobody-listens", "refused"]


@dataclass(frozen=True)
class Connected:
    """The broker has accepted the connection and every subscription."""

    protocol: Protocol


@dataclass(frozen=True)
class Disconnected:
    """There is no connection, and why, in plain words.

    Reported once for each new reason.
    """

    reason: str


@dataclass(frozen=True)
class MessageArrived:
    """A message on a subscribed topic.

    It may come before `Connected`, and more than once. The receiver calls `ack`, from any thread,
    once the message is stored safely. A message that is never acknowledged comes again on the next
    connection; too many of them stop the flow.
    """

    topic: str
    payload: bytes
    retain: bool
    ack: Callable[[], None] = field(compare=False, repr=False)


@dataclass(frozen=True)
class Published:
    """The broker's response to a message, if it is new for that topic.

    Only MQTT 5 has such responses; with 3.1.1 every message counts as accepted. "nobody-listens"
    means that the topic has no subscriber at all; a dashboard counts as one. `why` says in plain
    words why a message was refused.
    """

    topic: str
    outcome: Outcome
    why: str = ""


BusEvent = Connected | Disconnected | MessageArrived | Published
