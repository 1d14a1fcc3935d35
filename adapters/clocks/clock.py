"""The clocks that are passed in: the machine's own, and a virtual one.

No other module may ask what time it is.
"""

from __future__ import annotations

import time
from datetime import UTC, datetime
from threading import Lock
from typing import Final, Protocol

from adapters.clocks.instants import in_utc

_SINCE_START: Final = getattr(time, "CLOCK_BOOTTIME", time.CLOCK_MONOTONIC)
"""Linux has one that goes on while the machine sleeps."""


class Clock(Protocol):
    """A source of the present instant."""

    def now(self) -> datetime:
        """Return the present instant, an aware datetime in UTC."""
        ...

    def seconds(self) -> float:
        """Return how much time has passed since some instant [s], though the clock be set."""
        ...


class SystemClock:
    """The machine's own clock."""

    def now(self) -> datetime:
        """Return the present instant, an aware datetime in UTC."""
        return datetime.now(UTC)  # noqa: TID251 - the one place that reads the machine's clock

    def seconds(self) -> float:
        """Return how much time has passed since the machine started [s], its sleep included."""
        return time.clock_gettime(_SINCE_START)


class VirtualClock:
    """A clock that stands still until it is advanced; may be shared between threads.

    Parameters
    ----------
    start
        The first instant it shows; must be aware.

    Raises
    ------
    ValueError
        If `start` has no offset from UTC.
    """

    def __init__(self, start: datetime) -> None:
        self._now = self._start = in_utc(start)
        self._lock = Lock()

    def now(self) -> datetime:
        """Return the instant the clock stands at, an aware datetime in UTC."""
        with self._lock:
            return self._now

    def seconds(self) -> float:
        """Return by how much the clock was advanced [s]."""
        return (self.now() - self._start).total_seconds()

    def advance_to(self, instant: datetime) -> None:
        """Move the clock on to `instant`.

        Parameters
        ----------
        instant
            An aware datetime, not before the present instant.

        Raises
        ------
        ValueError
            If the clock would run backwards, or `instant` has no offset from UTC.
        """
        wanted = in_utc(instant)
        with self._lock:
            if wanted < self._now:
                msg = f"a clock cannot run backwards: {wanted} is before {self._now}"
                raise ValueError(msg)
            self._now = wanted
