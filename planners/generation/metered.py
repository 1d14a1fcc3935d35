"""Reckon what the roofs gave in each hour, from readings of their own meter. Knows no clock."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from planners.local_time.conversion import EPOCH

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

HOUR: Final = timedelta(hours=1)
MINUTE: Final = timedelta(minutes=1)

COVERED_MINUTES: Final = 45
"""In how many minutes of an hour there must have been a reading."""


@dataclass(frozen=True, slots=True)
class GenerationHour:
    """What the roofs gave in an hour, on average.

    Attributes
    ----------
    start : datetime
        UTC, on a full hour of UTC.
    watts : float
        Mean power [W].
    """

    start: datetime
    watts: float


@dataclass(frozen=True, slots=True)
class HourInProgress:
    """The readings of an hour that has not ended.

    Attributes
    ----------
    start : datetime
        UTC.
    watts_by_minute : mapping of int to float
        The last reading of each minute in which there was one [W].
    """

    start: datetime
    watts_by_minute: Mapping[int, float] = field(default_factory=dict)

    @property
    def mean_watts(self) -> float:
        """The mean of the minutes that were read [W]."""
        return sum(self.watts_by_minute.values()) / max(1, len(self.watts_by_minute))


def with_reading(
    hour: HourInProgress | None, watts: float, at: datetime
) -> tuple[HourInProgress, GenerationHour | None]:
    """Take up a reading of the roofs.

    Parameters
    ----------
    hour : HourInProgress or None
        The readings before.
    watts : float
        What they give; less than 0 is what the inverters draw, and counts as nothing [W].
    at : datetime
        Its instant, UTC; one of an earlier hour is left out.

    Returns
    -------
    hour : HourInProgress
        The readings with it.
    ended : GenerationHour or None
        The hour before, if this reading is the first of another and enough of it was read.
    """
    start, ended = EPOCH + (at - EPOCH) // HOUR * HOUR, None
    if hour is not None and start < hour.start:
        return hour, None
    if hour is not None and start > hour.start:
        if len(hour.watts_by_minute) >= COVERED_MINUTES:
            ended = GenerationHour(hour.start, hour.mean_watts)
        hour = None
    before = {} if hour is None else hour.watts_by_minute
    return HourInProgress(start, {**before, (at - start) // MINUTE: max(0.0, watts)}), ended
