"""Report that the broker is away once it has been for a minute, and that it is back.

When it is back, hardware has some time to connect again too. Reads no clock.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from adapters.bus.events import Connected
from daemon.control.events import HouseholdHealth

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.bus.events import Disconnected

AWAY_FOR = timedelta(minutes=1)
"""A broker that is only started again is back sooner."""


HARDWARE_BACK = timedelta(seconds=90)
"""Hardware notices a broken connection within its keep-alive time, usually a minute."""


class BrokerWatch:
    """Knows since when the broker has been away, or back."""

    def __init__(self) -> None:
        self._since: datetime | None = None
        self._back_at: datetime | None = None
        self._not_listening: set[str] = set()
        self._why = ""
        self._is_reported = False

    def note(self, event: Connected | Disconnected, now: datetime) -> None:
        """Note that the connection came up, or that there is none."""
        if isinstance(event, Connected):
            self._back_at = None if self._since is None else now
            self._since = None
        else:
            self._since = self._since or now
            self._why = event.reason
            self._back_at = None

    def may_connect_soon(self, point: str, now: datetime) -> bool:
        """Whether hardware that does not listen may be about to; then it is named later."""
        if self._back_at is None or now >= self._back_at + HARDWARE_BACK:
            return False
        self._not_listening.add(point)
        return True

    def to_send_again(self, now: datetime) -> list[str]:
        """Name, once, the charge points that nothing listened for when the broker was back."""
        if self._back_at is None or now < self._back_at + HARDWARE_BACK:
            return []
        points, self._back_at = sorted(self._not_listening), None
        self._not_listening.clear()
        return points

    @property
    def due(self) -> datetime | None:
        """When to ask for news, or what to send again; None if nothing is due."""
        if self._back_at is not None and self._not_listening:
            return self._back_at + HARDWARE_BACK
        return self._away_due

    @property
    def _away_due(self) -> datetime | None:
        return None if self._since is None or self._is_reported else self._since + AWAY_FOR

    def news(self, now: datetime) -> HouseholdHealth | None:
        """Report, once, that the broker is away, or that it is back."""
        if self._is_reported and self._since is None:
            self._is_reported = False
            return HouseholdHealth("no-broker", None)
        if self._away_due is None or now < self._away_due:
            return None
        self._is_reported = True
        return HouseholdHealth("no-broker", self._why)
