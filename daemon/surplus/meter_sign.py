"""Notice a grid meter that is the wrong way round: what the home takes falls as charging begins.

Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, Final

from planners.accounts.by_source import GRID_INTERVAL

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import datetime

    from planners.accounts.by_source import GridInterval

LEAST_STEP_WATTS: Final = 1000.0
"""A smaller step of the charging may be hidden by what else the home does [W]."""

WITHIN: Final = timedelta(minutes=2)
"""Readings further apart say nothing: the home and the sun have changed as well."""

SEEN: Final = 0.5
"""A meter sees a step if it shows more than this share of it."""

HOUR: Final = timedelta(hours=1)

STEPS: Final = 3
"""So many steps in a row must show the same."""


@dataclass(frozen=True, slots=True)
class MeterSign:
    """What the steps of the charging have shown.

    Attributes
    ----------
    at : datetime or None
        Instant of the last reading that counts, UTC.
    grid_watts, own_watts : float
        What flowed from the grid then, and into all vehicles [W].
    reversed_steps : int
        How many steps in a row have shown a meter that is the wrong way round.
    """

    at: datetime | None = None
    grid_watts: float = 0.0
    own_watts: float = 0.0
    reversed_steps: int = 0

    @property
    def is_reversed(self) -> bool:
        """Whether enough steps in a row have shown that."""
        return self.reversed_steps >= STEPS


def shows_wrong_way(
    intervals: Sequence[GridInterval], own_until: Callable[[datetime], int]
) -> tuple[int, int]:
    """Count the steps of the charging that a past record of the grid meter shows.

    Parameters
    ----------
    intervals : sequence of GridInterval
        What flowed to and from the grid, in order of time.
    own_until : callable
        From an instant to the energy of all charge points behind the meter by then [Wh].

    Returns
    -------
    tuple of int and int
        How many steps from one interval to the next it shows the wrong way round, and how many at
        all.
    """
    wrong = seen = 0
    least_wh = LEAST_STEP_WATTS * (GRID_INTERVAL / HOUR)
    for before, after in pairwise(intervals):
        own_wh = own_until(after.end) - own_until(after.start)
        step_wh = own_wh - (own_until(before.end) - own_until(before.start))
        if before.end != after.start or abs(step_wh) < least_wh:
            continue
        taken_wh = after.import_wh - before.import_wh - (after.export_wh - before.export_wh)
        wrong += taken_wh / step_wh < -SEEN
        seen += abs(taken_wh / step_wh) > SEEN
    return wrong, seen


def with_step(sign: MeterSign, at: datetime, grid_watts: float, own_watts: float) -> MeterSign:
    """Take up a reading.

    Parameters
    ----------
    sign : MeterSign
        What was known.
    at : datetime
        UTC.
    grid_watts, own_watts : float
        What flows from the grid, and into all vehicles, as their own meters show it [W].

    Returns
    -------
    MeterSign
        One step that shows the right direction makes up for all before it.
    """
    found = replace(sign, at=at, grid_watts=grid_watts, own_watts=own_watts)
    step = own_watts - sign.own_watts
    if sign.at is None or at - sign.at > WITHIN or abs(step) < LEAST_STEP_WATTS:
        return found
    share = (grid_watts - sign.grid_watts) / step
    if share > SEEN:
        return replace(found, reversed_steps=0)
    if share < -SEEN:
        return replace(found, reversed_steps=min(STEPS, sign.reversed_steps + 1))
    return found
