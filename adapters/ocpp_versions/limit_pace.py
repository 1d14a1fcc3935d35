"""Say how long a limit from equipment waits, so that no flood of them keeps the daemon planning."""

from __future__ import annotations

from typing import Final

MOST_AT_ONCE: Final = 5
"""A station may give one for each schedule: so many are obeyed at once."""
SECONDS_EACH: Final = 1.0
"""After those, the others are taken one at a time."""


class LimitPace:
    """Lets some limits pass at once, and then one a second."""

    def __init__(self) -> None:
        self._full_at = float("-inf")

    def wait_seconds(self, now: float) -> float:
        """Take up a limit.

        Parameters
        ----------
        now
            The time of a clock that only grows [s].

        Returns
        -------
        float
            How long it waits [s].
        """
        self._full_at = max(self._full_at, now) + SECONDS_EACH
        return max(0.0, self._full_at - now - MOST_AT_ONCE * SECONDS_EACH)
