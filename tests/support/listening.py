"""A listener for bus events that records them, and can be made to fail."""

from __future__ import annotations

from threading import Lock

from adapters.bus.bus import BusEvent, Connected, Disconnected, MessageArrived
from tests.support.waiting import DEFAULT_LIMIT_SECONDS, wait_until


class Listener:
    """Receives bus events in place of the daemon."""

    def __init__(self, *, acknowledges: bool = True, fails_at: bytes | None = None) -> None:
        self._acknowledges = acknowledges
        self._fails_at = fails_at
        self._events: list[BusEvent] = []
        self._lock = Lock()

    def __call__(self, event: BusEvent) -> None:
        with self._lock:
            self._events.append(event)
        if isinstance(event, MessageArrived):
            if event.payload == self._fails_at:
                raise RuntimeError("cannot take this")
            if self._acknowledges:
                event.ack()

    @property
    def events(self) -> list[BusEvent]:
        with self._lock:
            return list(self._events)

    @property
    def connections(self) -> list[Connected]:
        return [event for event in self.events if isinstance(event, Connected)]

    @property
    def reasons(self) -> list[str]:
        return [event.reason for event in self.events if isinstance(event, Disconnected)]

    @property
    def messages(self) -> list[MessageArrived]:
        return [event for event in self.events if isinstance(event, MessageArrived)]

    def payloads(self, topic: str) -> list[bytes]:
        return [message.payload for message in self.messages if message.topic == topic]

    def wait_connected(self, times: int = 1, limit_seconds: float = DEFAULT_LIMIT_SECONDS) -> None:
        wait_until(
            lambda: len(self.connections) >= times,
            limit_seconds,
            what=f"connected {times} times, reasons so far: {self.reasons}",
        )

    def wait_payload(self, topic: str, payload: bytes) -> None:
        wait_until(lambda: payload in self.payloads(topic), what=f"{payload!r} on {topic}")

    def wait_reason(self, part: str) -> None:
        wait_until(
            lambda: any(part in reason for reason in self.reasons), what=f"a reason with {part!r}"
        )
