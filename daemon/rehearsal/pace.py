"""Let the time of a rehearsal pass at a pace that a person can follow, until told to stop."""

from __future__ import annotations

from datetime import datetime, timedelta
from threading import Event
from time import monotonic
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

STEP_SECONDS: Final = 0.2
"""How often time moves on: a wish of a person is obeyed this soon [s of real time]."""


class Pace:
    """How fast the time of a rehearsal passes.

    Parameters
    ----------
    minutes_per_second
        Minutes of the night for each second of real time.
    start
        When the rehearsal begins.
    seconds
        A clock of real time that only grows [s].
    """

    def __init__(
        self,
        minutes_per_second: float,
        start: datetime,
        seconds: Callable[[], float] = monotonic,
    ) -> None:
        self._minute_seconds = 1 / minutes_per_second
        self._seconds = seconds
        self._stopping = Event()
        self._at = start
        self._since = seconds()

    @property
    def is_stopped(self) -> bool:
        """Whether it was told to stop."""
        return self._stopping.is_set()

    def stop(self) -> None:
        """End the rehearsal; from any thread."""
        self._stopping.set()

    def next_step(self) -> datetime:
        """Return the instant to which time moves on next, if nothing is due before."""
        return self._at + timedelta(minutes=STEP_SECONDS / self._minute_seconds)

    def wait_for(self, instant: datetime) -> None:
        """Wait until an instant of the rehearsal has come, or until told to stop.

        A rehearsal that is late goes on at its pace: it does not hurry.
        """
        due = self._since + (instant - self._at) / timedelta(minutes=1) * self._minute_seconds
        self._stopping.wait(max(0.0, due - self._seconds()))
        self._at, self._since = instant, max(due, self._seconds())
