"""Queue the events of the daemon's loop: bounded, and with a way past for what is urgent.

A flood of messages must cost neither memory nor a stop that comes too late. Events are handled in
the order in which they came, with two exceptions. The timer, the end, the broker's connection and
equipment with its own connection, and then requests of people and limits of the grid operator,
overtake the messages of hardware once they have waited `PATIENCE_SECONDS`. And of too many messages
some are dropped, as `EventQueue.put` says.
"""

from __future__ import annotations

from collections import Counter, deque
from dataclasses import replace
from queue import Empty
from threading import Condition
from time import monotonic
from typing import TYPE_CHECKING, Final, NamedTuple

from adapters.bus.events import MessageArrived
from daemon.messaging.incoming import WakeUp

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.messaging.incoming import Incoming

PATIENCE_SECONDS: Final = 0.1
"""How long what is urgent waits for the messages that came before it."""

MOST_OF_A_TOPIC: Final = 2500
"""Most messages of one topic: more than twice as many as a broker sends unacknowledged. After a
lost connection it sends those that still wait here again."""

MOST_REQUESTS: Final = 32
MOST_UNKNOWN: Final = 4
"""Most messages on topics that the household does not have; they are only logged."""

MOST_BYTES: Final = 4 * 1024 * 1024
"""Most bytes of all waiting messages."""

LONGEST_MESSAGE_BYTES: Final = 64 * 1024
"""As the contract says: of a longer message only so much is kept, enough to refuse it."""

UNKNOWN: Final = "topics of no charge point"
_CONTROL: Final = ""
"""Stands in place of a topic for all that is no message."""


class _Waiting(NamedTuple):
    place: int
    since_seconds: float
    event: Incoming


class EventQueue:
    """The events that wait for the daemon's loop; `put` may be called from any thread.

    Parameters
    ----------
    lane_of : callable
        The name under which a topic's messages are counted; None if the household does not have
        the topic. Asked from any thread.
    is_request : callable
        Whether a topic is that of a person's requests, or of limits; asked from any thread.
    seconds : callable
        A clock that only goes forward [s].
    """

    def __init__(
        self,
        lane_of: Callable[[str], str | None],
        is_request: Callable[[str], bool],
        seconds: Callable[[], float] = monotonic,
    ) -> None:
        self._lane_of = lane_of
        self._is_request = is_request
        self._seconds = seconds
        self._changed = Condition()
        self._waiting: dict[str, deque[_Waiting]] = {}
        self._bytes = 0
        self._places = 0
        self._dropped: Counter[str] = Counter()

    def put(self, event: Incoming) -> None:
        """Add an event.

        Of one topic at most `MOST_OF_A_TOPIC` messages wait: then every second of them is dropped,
        but never the newest, whose register still says what flowed.
        Of requests the newest 32 wait. What is dropped is acknowledged, and counted.

        Parameters
        ----------
        event : Incoming
            The event.
        """
        with self._changed:
            if isinstance(event, MessageArrived):
                dropped = self._add_message(event)
            else:
                dropped = []
                self._add(_CONTROL, event)
            self._changed.notify()
        for message in dropped:
            message.ack()

    def get(self, timeout: float | None = None) -> Incoming:
        """Take the next event.

        Parameters
        ----------
        timeout : float, optional
            The longest wait [s]; without it, as long as it takes.

        Returns
        -------
        Incoming
            The event.

        Raises
        ------
        Empty
            If none came in time.
        """
        with self._changed:
            if not self._changed.wait_for(lambda: bool(self._waiting), timeout):
                raise Empty
            return self._take(self._next_key())

    def empty(self) -> bool:
        """Whether nothing waits."""
        with self._changed:
            return not self._waiting

    def take_dropped(self) -> Counter[str]:
        """Return how many messages were dropped since the last call, by topic."""
        with self._changed:
            dropped, self._dropped = self._dropped, Counter()
        return dropped

    # --- all below is called with the lock held -----------------------------------------------

    def _add(self, key: str, event: Incoming) -> None:
        waiting = self._waiting.setdefault(key, deque())
        if isinstance(event, WakeUp) and any(isinstance(each.event, WakeUp) for each in waiting):
            return  # one is enough
        self._places += 1
        waiting.append(_Waiting(self._places, self._seconds(), event))

    def _add_message(self, message: MessageArrived) -> list[MessageArrived]:
        key = self._lane_of(message.topic) or UNKNOWN
        if len(message.payload) > LONGEST_MESSAGE_BYTES:
            message = replace(message, payload=message.payload[: LONGEST_MESSAGE_BYTES + 1])
        dropped: list[MessageArrived] = []
        is_request = self._is_request(key)
        count = len(self._waiting.get(key, ()))
        if key == UNKNOWN and count >= MOST_UNKNOWN:
            self._dropped[key] += 1
            return [message]
        if is_request and count >= MOST_REQUESTS:
            dropped.append(self._drop_oldest(key))
        elif count >= MOST_OF_A_TOPIC:
            dropped += self._thin(key)
        self._bytes += len(message.payload)
        self._add(key, message)
        while self._bytes > MOST_BYTES:
            dropped += self._thin(max(self._messages(), key=self._size_of))
        return dropped

    def _drop_oldest(self, key: str) -> MessageArrived:
        message = self._take(key)
        assert isinstance(message, MessageArrived)  # noqa: S101 - only they wait by topic
        self._dropped[key] += 1
        return message

    def _thin(self, key: str) -> list[MessageArrived]:
        """Drop every second message of a topic, but not the newest of several."""
        messages = list(self._waiting[key])
        if len(messages) == 1:
            return [self._drop_oldest(key)]
        kept, gone = messages[len(messages) % 2 == 0 :: 2], messages[len(messages) % 2 :: 2]
        self._waiting[key] = deque(kept)
        dropped = [each.event for each in gone if isinstance(each.event, MessageArrived)]
        self._bytes -= sum(len(message.payload) for message in dropped)
        self._dropped[key] += len(dropped)
        return dropped

    def _messages(self) -> list[str]:
        return [key for key in self._waiting if key != _CONTROL]

    def _size_of(self, key: str) -> int:
        events = (each.event for each in self._waiting[key])
        return sum(len(event.payload) for event in events if isinstance(event, MessageArrived))

    def _next_key(self) -> str:
        """Return the lane of the next event: the one that came first, or an urgent one."""
        urgent = [key for key in self._waiting if key == _CONTROL or self._is_request(key)]
        long_ago = self._seconds() - PATIENCE_SECONDS
        for key in sorted(urgent):  # the empty name of control comes first
            if self._waiting[key][0].since_seconds <= long_ago:
                return key
        return min(self._waiting, key=lambda key: self._waiting[key][0].place)

    def _take(self, key: str) -> Incoming:
        waiting = self._waiting[key]
        taken = waiting.popleft()
        if not waiting:
            del self._waiting[key]
        if isinstance(taken.event, MessageArrived):
            self._bytes -= len(taken.event.payload)
        return taken.event
