"""Reckon means over whole intervals, such as quarter-hours, from readings of power.

A reading counts until the next one, at most a minute. A capacity charge needs means, as the meter
that the supplier bills by averages too; so does the account of what came from the home's own roof.
Knows no clock.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from planners.local_time.conversion import EPOCH

if TYPE_CHECKING:
    from datetime import datetime

QUARTER: Final = timedelta(minutes=15)

COUNTS_FOR: Final = timedelta(minutes=1)
"""For how long a reading counts if no other follows."""

INTERVALS_KEPT: Final = timedelta(days=400)
"""For how long the means are stored: a year's charge needs those of a year."""

COVERED: Final = 0.8
"""How much of an interval must have been read."""


@dataclass(frozen=True, slots=True)
class IntervalMeans:
    """The means of an interval.

    Attributes
    ----------
    start : datetime
        UTC.
    watts : tuple of float
        The mean of each power that was read [W].
    """

    start: datetime
    watts: tuple[float, ...]


@dataclass(frozen=True, slots=True)
class IntervalInProgress:
    """The readings of an interval that has not ended.

    Attributes
    ----------
    at : datetime
        Instant of the latest reading, UTC.
    watts : tuple of float
        The latest reading [W].
    joules : tuple of float
        Energy in the interval up to then [Ws].
    covered : timedelta
        How much of it was read by then.
    """

    at: datetime
    watts: tuple[float, ...]
    joules: tuple[float, ...]
    covered: timedelta = timedelta(0)

    @classmethod
    def begun(
        cls, at: datetime, watts: tuple[float, ...], counted: timedelta = timedelta(0)
    ) -> IntervalInProgress:
        """Begin with a reading, of which some time has counted already."""
        seconds = counted.total_seconds()
        return cls(at, watts, tuple(each * seconds for each in watts), counted)

    def until(self, end: datetime) -> IntervalInProgress:
        """Let the latest reading count until an instant of the same interval."""
        counts = max(timedelta(0), min(end - self.at, COUNTS_FOR))
        seconds = counts.total_seconds()
        joules = tuple(
            before + each * seconds for before, each in zip(self.joules, self.watts, strict=True)
        )
        return IntervalInProgress(end, self.watts, joules, self.covered + counts)


def with_power(
    interval: IntervalInProgress | None,
    watts: tuple[float, ...],
    now: datetime,
    length: timedelta = QUARTER,
) -> tuple[IntervalInProgress, IntervalMeans | None]:
    """Take up a reading.

    Parameters
    ----------
    interval : IntervalInProgress or None
        The readings before.
    watts : tuple of float
        The reading, as many powers each time [W].
    now : datetime
        Its instant, UTC; one before the last reading is left out.
    length : timedelta
        Length of an interval, a part of an hour.

    Returns
    -------
    interval : IntervalInProgress
        The readings with it.
    ended : IntervalMeans or None
        The interval before, if this reading is the first of another and enough of it was read.
    """
    if interval is None:
        return IntervalInProgress.begun(now, watts), None
    if now < interval.at:
        return interval, None
    start = EPOCH + (interval.at - EPOCH) // length * length
    end = start + length
    if now < end:
        before = interval.until(now)
        return IntervalInProgress(now, watts, before.joules, before.covered), None
    whole = interval.until(end)
    ended = None
    if whole.covered >= COVERED * length:
        seconds = whole.covered.total_seconds()
        ended = IntervalMeans(start, tuple(each / seconds for each in whole.joules))
    if now >= end + length:
        return IntervalInProgress.begun(now, watts), ended
    # What the last reading before its end counts for after it.
    left = max(timedelta(0), min(now - end, COUNTS_FOR - (end - interval.at)))
    after = IntervalInProgress.begun(end, interval.watts, left)
    return IntervalInProgress(now, watts, after.joules, left), ended
