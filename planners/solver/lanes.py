"""Count the use of stretches that may be used in part only.

Before a tick inside such a stretch, the planner tells states apart by the whole ticks of it that
were used: each count is a lane. All lanes lead to lane 0 of the next stretch.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.solver.problem import UseLimit


class Lanes:
    """The lanes of the ticks of one span.

    Parameters
    ----------
    limits : sequence of UseLimit
        Of the whole problem.
    start, end : int
        The span [ticks].

    Attributes
    ----------
    limits : list of UseLimit or None, one for each tick of the span and one for its end
        The limit that holds in each tick, if one does.
    is_limited : bool
        Whether one holds in any tick.
    """

    def __init__(self, limits: Sequence[UseLimit], start: int, end: int) -> None:
        self.limits: list[UseLimit | None] = [None] * (end - start + 1)
        self._counts = [1] * (end - start + 1)
        self.is_limited = False
        for limit in limits:
            if limit.whole_ticks >= limit.end - limit.start:
                continue  # it limits nothing
            first, self.is_limited = max(start, limit.start), True
            for i in range(first, min(end, limit.end)):
                self.limits[i - start] = limit
                self._counts[i - start] = min(i - first, limit.whole_ticks) + 1

    @property
    def most(self) -> int:
        """The most lanes of any tick."""
        return max(self._counts) if self.is_limited else 1

    def at(self, row: int) -> int:
        """Return how many lanes there are before a tick of the span."""
        return self._counts[row]

    def end_of(self, row: int) -> int:
        """Return the first tick after all those that are in the same stretch, or in none."""
        limit, last = self.limits[row], len(self.limits) - 1
        if limit is None and not self.is_limited:
            return last
        return next((i for i in range(row, last) if self.limits[i] is not limit), last)

    def is_same(self, row: int, later: int) -> bool:
        """Tell whether a later tick is in the same stretch, so that its count goes on."""
        limit = self.limits[row]
        return limit is not None and self.limits[later] is limit

    def lane(self, row: int, later: int, used: int) -> int:
        """Return the lane before a later tick, with so many whole ticks used."""
        return used if self.is_same(row, later) else 0

    def left(self, row: int, used: int) -> float:
        """Return how much more of the stretch may be used [ticks]; infinite without a limit."""
        limit = self.limits[row]
        return float("inf") if limit is None else limit.most_ticks - used

    def total(self) -> int:
        """Count the lanes of all ticks."""
        return sum(self._counts[:-1])
