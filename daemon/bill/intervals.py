"""Put a bill's intervals on the grid of half-hours, or of hours if it has no shorter ones. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, NamedTuple

from planners.local_time.settlement import HALF_HOUR, HalfHour

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

HOUR = timedelta(hours=1)


class Interval(NamedTuple):
    """The energy of an interval of a bill [Wh]."""

    start: datetime
    length: timedelta
    wh: Decimal


def on_grid(
    intervals: Sequence[Interval], grid: Mapping[datetime, int]
) -> tuple[dict[datetime, Decimal], timedelta]:
    """Add up intervals by half-hours; by hours if an interval is longer than a half-hour.

    Parameters
    ----------
    intervals : sequence of Interval
        In any order, without overlaps.
    grid : mapping of datetime to int
        The half-hours by start, counted from a midnight.

    Returns
    -------
    sums : dict of datetime to Decimal
        Only those that the intervals cover whole [Wh].
    step : timedelta
        A half-hour or an hour.
    """
    step = HOUR if any(each.length > HALF_HOUR for each in intervals) else HALF_HOUR
    sums: dict[datetime, Decimal] = {}
    covered: dict[datetime, timedelta] = {}
    for each in intervals:
        start = (
            each.start - (each.start - datetime.min.replace(tzinfo=each.start.tzinfo)) % HALF_HOUR
        )
        if step == HOUR and grid.get(start, 0) % 2:
            start -= HALF_HOUR
        if start in grid:
            sums[start] = sums.get(start, Decimal(0)) + each.wh
            covered[start] = covered.get(start, timedelta(0)) + each.length
    return {start: wh for start, wh in sums.items() if covered[start] == step}, step


def by_step(ours: Sequence[HalfHour], step: timedelta) -> tuple[HalfHour, ...]:
    """Return our half-hours, or join each two to an hour."""
    if step == HALF_HOUR:
        return tuple(ours)
    return tuple(
        HalfHour(
            one.start,
            two.end,
            None if one.wh is None or two.wh is None else one.wh + two.wh,
            one.estimated_wh + two.estimated_wh,
        )
        for one, two in zip(ours[::2], ours[1::2], strict=True)
    )
