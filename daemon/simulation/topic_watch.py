"""Look whether anybody else publishes what simulated hardware is about to say.

Whoever does may be real hardware, and what is simulated would then be taken for its own.
"""

from __future__ import annotations

from collections import Counter
from secrets import token_hex
from threading import Condition
from typing import TYPE_CHECKING, Final, Self

from adapters.bus.bus import MqttBus
from adapters.bus.events import Connected, Disconnected, MessageArrived
from config.files.errors import UnwellError, UsageError
from config.files.texts import printable

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from types import TracebackType

    from adapters.bus.events import BusEvent
    from config.doors.broker import Bus

PATIENCE_SECONDS: Final = 15.0
"""How long the broker may take."""


class TopicWatch:
    """Listens to the topics of simulated hardware.

    Parameters
    ----------
    bus
        The household's broker.
    client_id
        The beginning of the name with which it connects.
    topics
        The topics on which only the simulated hardware may publish.
    will
        What the broker publishes for it if its connection breaks.

    Attributes
    ----------
    stored : set of str
        Topics on which the broker has stored a message.
    """

    def __init__(
        self, bus: Bus, client_id: str, topics: Iterable[str], will: tuple[str, bytes] | None
    ) -> None:
        self.stored: set[str] = set()
        self._changed = Condition()
        self._is_up = False
        self._is_stopped = False
        self._reason = ""
        self._foreign: str | None = None
        self._own: Counter[tuple[str, bytes]] = Counter()
        self._will = will
        self._bus = MqttBus(
            bus,
            client_id=f"{client_id}-simulate-{token_hex(4)}",
            on_event=self._on_event,
            subscriptions=tuple(topics),
            keep_session=False,
        )

    def __enter__(self) -> Self:
        self._bus.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._bus.stop()

    def connect(self) -> None:
        """Wait for the broker.

        Raises
        ------
        UnwellError
            If there is none.
        """
        with self._changed:
            if not self._changed.wait_for(lambda: self._is_up, PATIENCE_SECONDS):
                raise UnwellError(
                    f"no broker: {self._reason or 'it does not answer'}; start it, or correct"
                    " broker under bus in the household file"
                )

    def ask(self, questions: Sequence[tuple[str, bytes]]) -> None:
        """Ask what hardware that only answers is asked, to see whether there is any."""
        for topic, payload in questions:
            self._bus.publish(topic, payload, retain=False)

    def expect(self, topic: str, payload: bytes) -> None:
        """Take note of a message that the simulated hardware publishes itself."""
        with self._changed:
            self._own[topic, payload] += 1

    def stop(self) -> None:
        """End the waiting; from any thread."""
        with self._changed:
            self._is_stopped = True
            self._changed.notify_all()

    def wait(self, seconds: float) -> bool:
        """Wait; return False once it is told to stop.

        Parameters
        ----------
        seconds
            How long.

        Returns
        -------
        bool
            Whether to go on.

        Raises
        ------
        UsageError
            If somebody else publishes on one of the topics.
        """
        with self._changed:
            self._changed.wait_for(lambda: self._is_stopped or self._foreign is not None, seconds)
            if self._foreign is not None:
                raise UsageError(
                    f"somebody else publishes on {self._foreign}: is real hardware connected, or"
                    " another simulation? Disconnect it first; what is simulated would be taken for"
                    " its own"
                )
            return not self._is_stopped

    def _on_event(self, event: BusEvent) -> None:
        with self._changed:
            match event:
                case Connected():
                    self._is_up = True
                case Disconnected(reason):
                    self._is_up, self._reason = False, reason
                    self._own.clear()  # what it published meanwhile does not come back
                case MessageArrived(topic, payload):
                    self._receive(topic, payload, is_stored=event.retain)
                    event.ack()
                case _:
                    pass
            self._changed.notify_all()

    def _receive(self, topic: str, payload: bytes, *, is_stored: bool) -> None:
        if (topic, payload) == self._will:
            return
        if self._own[topic, payload] > 0:
            self._own[topic, payload] -= not is_stored
        elif is_stored:
            self.stored.add(printable(topic))
        elif payload:  # an empty one only clears what the broker has stored
            self._foreign = printable(topic)
