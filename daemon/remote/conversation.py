"""A short word with a running daemon, over the household's bus, from whichever machine."""

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

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime
    from types import TracebackType

    from adapters.bus.events import BusEvent
    from config.household.household_file import HouseholdFile

RETAINED_SECONDS = 2.0
"""What a broker keeps is here within this time, or there is none."""


class Conversation:
    """A connection of its own, for as long as the block lasts.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    purpose : str
        What it is for; part of its client id.
    leaves : sequence of str
        Which topics of each charge point to hear.
    wait_seconds : float
        How long all of it may take.
    """

    def __init__(
        self, file: HouseholdFile, purpose: str, leaves: Sequence[str], wait_seconds: float
    ) -> None:
        self.topics = topics = Topics(file.bus.root, file.household.name)
        self._file = file
        self._changed = Condition()
        self._deadline = monotonic() + wait_seconds
        self._connected = False
        self._reason: str | None = None
        self._payloads: dict[str, list[bytes]] = {}
        self._not_taken: dict[str, Published] = {}
        self._bus = MqttBus(
            file.bus,
            client_id=f"{topics.client_id}-{purpose}-{token_hex(4)}",
            on_event=self._hear,
            subscriptions=[topics.daemon, *(f"{topics.base}/+/{leaf}" for leaf in leaves)],
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
        """Wait for the broker.

        Raises
        ------
        UnwellError
            If there is none, with the reason.
        """
        if not self.wait(lambda: self._connected):
            address = f"{self._file.bus.host}:{self._file.bus.port}"
            raise UnwellError(f"no broker: {self._reason or f'{address} does not answer'}")

    def find_daemon(self, now: datetime) -> None:
        """Wait for the word that the daemon runs.

        Parameters
        ----------
        now : datetime
            UTC.

        Raises
        ------
        UnwellError
            If it does not, with what is known of it.
        """
        self.wait(lambda: absence(self.daemon(), self._file, now) is None, RETAINED_SECONDS)
        why = absence(self.daemon(), self._file, now)
        if why is not None:
            raise UnwellError(why)

    def daemon(self) -> DaemonState | None:
        """Return what the daemon said last of whether it runs."""
        payload = self.last(self.topics.daemon)
        try:
            return decode(DaemonState, payload) if payload else None
        except MalformedMessage:
            return None

    def publish(self, topic: str, payload: bytes) -> None:
        """Hand a message to the broker, which is not to keep it."""
        self._bus.publish(topic, payload, retain=False)

    def not_taken(self, topic: str) -> Published | None:
        """Return what hindered the last message on a topic, if anything has."""
        return self._not_taken.get(topic)

    def heard(self, topic: str) -> list[bytes]:
        """Return all that came on a topic."""
        return list(self._payloads.get(topic, ()))

    def last(self, topic: str) -> bytes | None:
        """Return what came last on a topic."""
        heard = self.heard(topic)
        return heard[-1] if heard else None

    def wait(self, condition: Callable[[], bool], most_seconds: float | None = None) -> bool:
        """Wait until something holds; False if it takes too long."""
        left = max(0.0, self._deadline - monotonic())
        with self._changed:
            return self._changed.wait_for(
                condition, left if most_seconds is None else min(left, most_seconds)
            )

    def _hear(self, event: BusEvent) -> None:
        with self._changed:
            match event:
                case Connected():
                    self._connected = True
                case Disconnected(reason):
                    self._connected, self._reason = False, reason
                case Published(topic):
                    self._not_taken[topic] = event
                case MessageArrived(topic, payload):
                    self._payloads.setdefault(topic, []).append(payload)
                    event.ack()
            self._changed.notify_all()


def absence(heard: DaemonState | None, file: HouseholdFile, now: datetime) -> str | None:
    """Say why a daemon is not taken to run.

    Parameters
    ----------
    heard : DaemonState or None
        What it said last; None if nothing is kept of it.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Returns
    -------
    str or None
        In one line; None if it runs.
    """
    name, broker = file.household.name, f"{file.bus.host}:{file.bus.port}"
    if heard is None:
        return f"no daemon of {name} is known at the broker {broker}"
    at = f" since {heard.at.astimezone(file.zone):%a %d %b %H:%M}" if heard.at is not None else ""
    if heard.state == "offline":
        return f"the daemon of {name} is offline{at}"
    if heard.state == "waiting":
        return f"the daemon of {name} waits for a clock that can be believed"
    if heard.stale_after is None or now > heard.stale_after:
        return f"nothing has been heard of the daemon of {name}{at}"
    return None
