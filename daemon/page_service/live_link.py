"""Keep the daemon's last messages, and tell the page's streams when they change."""

from __future__ import annotations

import asyncio
import json
from datetime import timedelta
from secrets import token_hex
from typing import TYPE_CHECKING

from adapters.bus.bus import MqttBus
from adapters.bus.events import Connected, Disconnected, MessageArrived
from adapters.clocks.instants import parse_instant
from adapters.contract.topics import Topics
from daemon.remote.health import Report, report_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from adapters.bus.events import BusEvent
    from config.household.household_file import HouseholdFile

_SETTLES_SECONDS = 0.2
"""Messages that come together are shown together."""


class LiveLink:
    """A connection to the broker that only listens.

    Must be made where an event loop runs; all of it but the bus's own thread runs there.

    Parameters
    ----------
    file
        The household.
    now
        The page's clock.
    """

    def __init__(self, file: HouseholdFile, now: Callable[[], datetime]) -> None:
        self._file = file
        self._now = now
        self._ahead = timedelta()
        self._topics = Topics.of_file(file)
        self._loop = asyncio.get_running_loop()
        self._payloads: dict[str, bytes] = {}
        self._no_broker: str | None = "it was not reached yet"
        self._report: Report | None = None
        self._changed = asyncio.Condition()
        self.version = 0
        self._bus = MqttBus(
            file.bus,
            client_id=f"{self._topics.client_id}-page-{token_hex(4)}",
            on_event=self._pass_on,
            subscriptions=[
                self._topics.daemon,
                *(f"{self._topics.base}/+/{level}" for level in ("status", "plan")),
            ],
            keep_session=False,
        )

    def start(self) -> None:
        """Start connecting; returns at once."""
        self._bus.start()

    async def stop(self) -> None:
        """Disconnect."""
        await asyncio.to_thread(self._bus.stop)

    @property
    def report(self) -> Report:
        """The daemon's last messages, and why the broker can't be reached if it can't."""
        if self._report is None:
            report = report_of(self._file, self._payloads.get)
            self._report = Report(report.points, report.daemon, self._no_broker, self._ahead)
        return self._report

    async def wait_changed(self, most_seconds: float, seen: int) -> None:
        """Wait until something newer than a version has come, but not for longer than a time."""
        try:
            async with asyncio.timeout(most_seconds), self._changed:
                await self._changed.wait_for(lambda: self.version != seen)
        except TimeoutError:
            return
        await asyncio.sleep(_SETTLES_SECONDS)

    def _compare_clocks(self, payload: bytes, *, is_old: bool) -> None:
        """Note how far the daemon's clock is ahead; an old message may only show that it is."""
        at = _instant_of(payload)
        if at is not None and not (is_old and at <= self._now()):
            self._ahead = at - self._now()

    def _pass_on(self, event: BusEvent) -> None:
        """Hand an event to the loop; called on the bus's thread."""
        if not self._loop.is_closed():
            asyncio.run_coroutine_threadsafe(self._take(event), self._loop)

    async def _take(self, event: BusEvent) -> None:
        match event:
            case Connected():
                self._no_broker = None
            case Disconnected(reason):
                self._no_broker = reason
            case MessageArrived(topic, payload, retain):
                self._payloads[topic] = payload
                self._compare_clocks(payload, is_old=retain)
                event.ack()
            case _:
                return
        self._report = None
        self.version += 1
        async with self._changed:
            self._changed.notify_all()


def _instant_of(payload: bytes) -> datetime | None:
    """Return when a message was written; None if it does not say so."""
    try:
        return parse_instant(json.loads(payload)["at"])
    except (ValueError, KeyError, TypeError):
        return None
