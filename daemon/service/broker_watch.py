"""Report that the broker is away once it has been for a minute, and that it is back.

Reads no clock.
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


class BrokerWatch:
    """Knows since when the broker has been away."""

    def __init__(self) -> None:
        self._since: datetime | None = None
        self._why = ""
        self._is_reported = False

    def note(self, event: Connected | Disconnected, now: datetime) -> None:
        """Note that the connection came up, or that there is none."""
        if isinstance(event, Connected):
            self._since = None
        else:
            self._since = self._since or now
            self._why = event.reason

    @property
    def due(self) -> datetime | None:
        """When to ask for news if the broker stays away; None if there will be none."""
        return None if self._since is None or self._is_reported else self._since + AWAY_FOR

    def news(self, now: datetime) -> HouseholdHealth | None:
        """Report, once, that the broker is away, or that it is back."""
        if self._is_reported and self._since is None:
            self._is_reported = False
            return HouseholdHealth("no-broker", None)
        if self.due is None or now < self.due:
            return None
        self._is_reported = True
        return HouseholdHealth("no-broker", self._why)
