"""Reckon the mean power of the rest of the home in quarter-hours, from readings of its load.

A reading counts until the next one, at most a minute. A capacity charge needs the means: the meter
that the supplier bills by averages whole quarter-hours too. Knows no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from planners.local_time.conversion import EPOCH
from planners.power.live_load import LoadQuarter

if TYPE_CHECKING:
    from datetime import datetime

QUARTER: Final = timedelta(minutes=15)

COUNTS_FOR: Final = timedelta(minutes=1)
"""For how long a reading counts if no other follows."""

QUARTERS_KEPT: Final = timedelta(days=400)
"""For how long they are stored: a year's charge needs those of a year."""

COVERED: Final = timedelta(minutes=12)
"""How much of a quarter-hour must have been read."""


@dataclass(frozen=True, slots=True)
class QuarterInProgress:
    """The readings of a quarter-hour that has not ended.

    Attributes
    ----------
    at : datetime
        Instant of the latest reading, UTC.
    watts : float
        The latest reading [W].
    joules : float
        Energy in the quarter-hour up to then [Ws].
    covered : timedelta
        How much of it was read by then.
    """

    at: datetime
    watts: float
    joules: float = 0.0
    covered: timedelta = timedelta(0)

    def until(self, end: datetime) -> QuarterInProgress:
        """Let the latest reading count until an instant of the same quarter-hour."""
        counts = max(timedelta(0), min(end - self.at, COUNTS_FOR))
        joules = self.joules + self.watts * counts.total_seconds()
        return QuarterInProgress(end, self.watts, joules, self.covered + counts)


def with_power(
    quarter: QuarterInProgress | None, watts: float, now: datetime
) -> tuple[QuarterInProgress, LoadQuarter | None]:
    """Take up a reading of the rest of the home.

    Parameters
    ----------
    quarter : QuarterInProgress or None
        The readings before.
    watts : float
        The reading, of all phases [W].
    now : datetime
        Its instant, UTC; one before the last reading is left out.

    Returns
    -------
    quarter : QuarterInProgress
        The readings with it.
    ended : LoadQuarter or None
        The quarter-hour before, if this reading is the first of another and enough of it was read.
    """
    if quarter is None:
        return QuarterInProgress(now, watts), None
    if now < quarter.at:
        return quarter, None
    start = EPOCH + (quarter.at - EPOCH) // QUARTER * QUARTER
    end = start + QUARTER
    if now < end:
        before = quarter.until(now)
        return QuarterInProgress(now, watts, before.joules, before.covered), None
    whole = quarter.until(end)
    ended = None
    if whole.covered >= COVERED:
        ended = LoadQuarter(start, whole.joules / whole.covered.total_seconds())
    if now >= end + QUARTER:
        return QuarterInProgress(now, watts), ended
    # What the last reading before its end counts for after it.
    left = max(timedelta(0), min(now - end, COUNTS_FOR - (end - quarter.at)))
    joules = quarter.watts * left.total_seconds()
    return QuarterInProgress(now, watts, joules, left), ended
