"""A short exchange with a running daemon over the bus, from any machine."""

from __future__ import annotations

from secrets import token_hex
from threading import Condition
from time import monotonic
from typing import TYPE_CHECKING, Self

from adapters.bus.bus import MqttBus
from adapters.bus.events import Connected, Disconnected, MessageArrived, Published
from adapters.contract.messages import DaemonState, MalformedMessage, decode
from adapters.contract.topics import Topics
from config.files.errors import UnwellError
from daemon.presentation.figures import local_time

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from types import TracebackType

    from adapters.bus.events import BusEvent
    from config.household.household_file import HouseholdFile

RETAINED_SECONDS = 2.0
"""A retained message arrives within this time, or there is none."""


class Conversation:
    """A separate connection to the broker, open while its `with` block runs.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    purpose : str
        Part of its client id.
    levels : sequence of str
        Last levels of the topics of each charge point to subscribe to, such as ``"status"``.
    wait_seconds : float
        Longest time for the whole exchange [s].
    """

    def __init__(
        self, file: HouseholdFile, purpose: str, levels: Sequence[str], wait_seconds: float
    ) -> None:
        self.topics = topics = Topics.of_file(file)
        self._file = file
        self._changed = Condition()
        self._deadline = monotonic() + wait_seconds
        self._connected = False
        self._reason: str | None = None
        self._payloads: dict[str, list[bytes]] = {}
        self._undelivered: dict[str, Published] = {}
        self._bus = MqttBus(
            file.bus,
            client_id=f"{topics.client_id}-{purpose}-{token_hex(4)}",
            on_event=self._take_event,
            subscriptions=[
                topics.daemon,
                *(f"{topics.base}/+/{level}" for level in levels),
            ],
            keep_session=False,
            first_pause_seconds=0.5,
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
        """Wait until the broker accepts the connection.

        Raises
        ------
        UnwellError
            If it does not, with the reason.
        """
        if not self.wait(lambda: self._connected):
            address = f"{self._file.bus.host}:{self._file.bus.port}"
            raise UnwellError(f"no broker: {self._reason or f'{address} does not answer'}")

    def find_daemon(self, now: datetime) -> None:
        """Wait until the daemon reports that it runs.

        Parameters
        ----------
        now : datetime
            UTC.

        Raises
        ------
        UnwellError
            If it does not, with the reason.
        """
        self.wait(lambda: why_not_running(self.daemon(), self._file, now) is None, RETAINED_SECONDS)
        why = why_not_running(self.daemon(), self._file, now)
        if why is not None:
            raise UnwellError(why)

    def wait_from_now(self, seconds: float) -> None:
        """Wait for so long from now on, however long it has taken so far."""
        self._deadline = monotonic() + seconds

    def daemon(self) -> DaemonState | None:
        """Return the daemon's last report on whether it runs."""
        payload = self.last(self.topics.daemon)
        try:
            return decode(DaemonState, payload) if payload else None
        except MalformedMessage:
            return None

    def publish(self, topic: str, payload: bytes) -> None:
        """Publish a message that the broker does not retain."""
        self._bus.publish(topic, payload, retain=False)

    def undelivered(self, topic: str) -> Published | None:
        """Return why the last message on a topic reached nobody, if it did not."""
        return self._undelivered.get(topic)

    def payloads(self, topic: str) -> list[bytes]:
        """Return all payloads that arrived on a topic."""
        return list(self._payloads.get(topic, ()))

    def last(self, topic: str) -> bytes | None:
        """Return the last payload on a topic."""
        payloads = self.payloads(topic)
        return payloads[-1] if payloads else None

    def wait(self, condition: Callable[[], bool], most_seconds: float | None = None) -> bool:
        """Wait until a condition is true; return False if that takes too long."""
        left = max(0.0, self._deadline - monotonic())
        with self._changed:
            return self._changed.wait_for(
                condition, left if most_seconds is None else min(left, most_seconds)
            )

    def _take_event(self, event: BusEvent) -> None:
        with self._changed:
            match event:
                case Connected():
                    self._connected = True
                case Disconnected(reason):
                    self._connected, self._reason = False, reason
                case Published(topic):
                    self._undelivered[topic] = event
                case MessageArrived(topic, payload):
                    self._payloads.setdefault(topic, []).append(payload)
                    event.ack()
            self._changed.notify_all()


def why_not_running(state: DaemonState | None, file: HouseholdFile, now: datetime) -> str | None:
    """Say why a daemon does not count as running.

    Parameters
    ----------
    state : DaemonState or None
        Its last report; None if the broker has none.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Returns
    -------
    str or None
        The reason in one line; None if it runs.
    """
    start = "start it with `lullwatt run FILE`, or `systemctl start lullwatt` where it is a service"
    name, broker = file.household.name, f"{file.bus.host}:{file.bus.port}"
    if state is None:
        return f"no daemon of {name} is known at the broker {broker}; {start}"
    begun = state.at.replace(second=0, microsecond=0) if state.at else None
    at = f" since {local_time(begun, file.zone, '%a %d %b %H:%M')}" if begun else ""
    if state.state == "offline":
        return f"the daemon of {name} is offline{at}; {start}"
    if state.state == "waiting":
        return f"the daemon of {name} is waiting until the clock of its machine is set"
    if state.stale_after is None or now > state.stale_after:
        return f"no message has come from the daemon of {name}{at}; {start}"
    return None
