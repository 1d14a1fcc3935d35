"""Notice a grid meter that is the wrong way round: what the home takes falls as charging begins.

Pure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from datetime import datetime

LEAST_STEP_WATTS: Final = 1000.0
"""A smaller step of the charging may be hidden by what else the home does [W]."""

WITHIN: Final = timedelta(minutes=2)
"""Readings further apart say nothing: the home and the sun have changed as well."""

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
    if share > 0.5:  # noqa: PLR2004 - half of the step is seen
        return replace(found, reversed_steps=0)
    if share < -0.5:  # noqa: PLR2004 - and the other way round
        return replace(found, reversed_steps=min(STEPS, sign.reversed_steps + 1))
    return found
