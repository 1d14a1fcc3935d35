"""Keep virtual time, and break the daemon off at any step."""

from __future__ import annotations

import heapq
from datetime import UTC, datetime, timedelta
from itertools import count
from random import Random
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

BEGINS: Final = datetime(2026, 3, 2, 12, tzinfo=UTC)
"""A Monday; a year from it has both changes of the clock."""


class Crash(BaseException):
    """The process ends here, as by a kill."""


class PowerCut(Crash):
    """The machine ends here, and with it what was not synced."""


class World:
    """Time, chance, and what is due when.

    Parameters
    ----------
    seed : int
        Decides everything.
    """

    def __init__(self, seed: int) -> None:
        self.now = BEGINS
        self.chance = Random(seed)
        self.history: list[str] = []
        self._due: list[tuple[datetime, int, Callable[[], None]]] = []
        self._numbers = count()
        self._steps_left: int | None = None
        self._cuts_power = False

    def at(self, when: datetime, call: Callable[[], None]) -> None:
        """Have something called at an instant, or now if that has passed."""
        heapq.heappush(self._due, (max(when, self.now), next(self._numbers), call))

    def after(self, seconds: float, call: Callable[[], None]) -> None:
        """Have something called after so many seconds."""
        self.at(self.now + timedelta(seconds=seconds), call)

    def run_until(self, end: datetime) -> None:
        """Let time pass."""
        while self._due and self._due[0][0] <= end:
            self.now, _, call = heapq.heappop(self._due)
            call()
        self.now = end

    def note(self, what: str) -> None:
        """Keep what happened; the history of one seed is always the same."""
        self.history.append(f"{self.now:%m-%d %H:%M:%S.%f} {what}")

    def crash_in(self, steps: int, *, cuts_power: bool = False) -> None:
        """Break the daemon, or its machine, off after so many of its steps."""
        self._steps_left, self._cuts_power = steps, cuts_power

    @property
    def is_crashing(self) -> bool:
        """Whether the daemon is to be broken off at some step."""
        return self._steps_left is not None

    def cuts_power_within(self, steps: int) -> bool:
        """Whether the power is to be cut within so many steps."""
        return self._cuts_power and self._steps_left is not None and self._steps_left < steps

    def step(self) -> None:
        """Take a step of the daemon: a write, a commit, a message, an event."""
        if self._steps_left is None:
            return
        self._steps_left -= 1
        if self._steps_left < 0:
            self._steps_left = None
            raise PowerCut if self._cuts_power else Crash
