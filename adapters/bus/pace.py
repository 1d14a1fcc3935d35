"""Limit how fast a connection reads its messages."""

from __future__ import annotations

from typing import Final

BURST_SECONDS: Final = 1.0
REST_SECONDS: Final = 0.1
FLOOD_SECONDS: Final = 10.0
"""With more than the rate for so long, all that waits at the broker is a flood."""


class Pace:
    """Says when a reader must rest, so that a flood leaves time for other threads.

    Python runs one thread at a time. Without a rest, the thread that reads a flood takes most of
    it, and another thread needs ten times as long for its own work.

    Parameters
    ----------
    most_a_second : float, optional
        The most messages read in a second, on average; a burst may have as many at once. Without
        it there is no limit.
    """

    def __init__(self, most_a_second: float | None) -> None:
        self._interval_seconds = 1 / most_a_second if most_a_second else 0.0
        self._due_seconds = 0.0
        self._since_seconds = 0.0

    def rest_seconds(self, now_seconds: float) -> float:
        """Count a message that was read.

        Parameters
        ----------
        now_seconds : float
            A clock that only goes forward [s].

        Returns
        -------
        float
            How long to rest after it [s].
        """
        if self._due_seconds <= now_seconds:
            self._due_seconds = self._since_seconds = now_seconds
        self._due_seconds += self._interval_seconds
        ahead = self._due_seconds - now_seconds - BURST_SECONDS
        return ahead + REST_SECONDS if ahead > 0 else 0.0

    def is_flooded(self, now_seconds: float) -> bool:
        """Return whether more than the rate has come without a break for `FLOOD_SECONDS`."""
        return now_seconds - self._since_seconds > FLOOD_SECONDS
