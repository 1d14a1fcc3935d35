"""Cost to go in every state before one departure: what the exact planner fills in and follows."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.steps import Steps


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Least cost from each state on [currency]; row `i` is the span's tick `i`, the last its end.

    Attributes
    ----------
    steps : Steps
        The span, its levels and its ticks.
    min_run : int
        Shortest run [ticks].
    on : ndarray of float, shape (ticks + 1, 2 x min_run - 1, levels)
        On: see `running`.
    off, fresh : ndarray of float, shape (ticks + 1, levels)
        Off and rested; `fresh` where nothing was bought since the last departure.
    done : ndarray of float, shape (levels,)
        At the departure.
    start, start_first : ndarray of bool, shape (ticks, levels)
        Whether to start from `off`, or from `fresh`.
    bonus : float
        By how much more a start, or one more tick, may cost than its rival: the benefit of the
        doubt, negative where the late plan is preferred [currency].
    """

    steps: Steps
    min_run: int
    on: NDArray[np.float64]
    off: NDArray[np.float64]
    fresh: NDArray[np.float64]
    done: NDArray[np.float64]
    start: NDArray[np.bool_]
    start_first: NDArray[np.bool_]
    bonus: float

    def running(self, ticks: int, *, first: bool) -> int:
        """Give the row of `on` for a run of `ticks`, the first since the departure or not."""
        if ticks >= self.min_run:
            return 2 * self.min_run - 2
        return ticks - 1 + (self.min_run - 1 if first else 0)


def empty_tables(steps: Steps, min_run: int, done: NDArray[np.float64], bonus: float) -> Tables:
    """Make the tables of a span, with its departure filled in.

    Parameters
    ----------
    steps : Steps
        The span's ticks.
    min_run : int
        Shortest run [ticks].
    done : ndarray of float, shape (levels,)
        Cost from the departure on [currency].
    bonus : float
        See `Tables`.

    Returns
    -------
    Tables
        All other rows are to be filled in.
    """
    ticks = steps.span.end - steps.span.start
    levels = len(steps.levels)
    on = np.empty((ticks + 1, 2 * min_run - 1, levels))
    off = np.empty((ticks + 1, levels))
    fresh = off if min_run == 1 else np.empty((ticks + 1, levels))
    start = np.empty((ticks, levels), dtype=bool)
    first = start if min_run == 1 else np.empty_like(start)
    on[ticks] = off[ticks] = fresh[ticks] = done
    return Tables(steps, min_run, on, off, fresh, done, start, first, bonus)
