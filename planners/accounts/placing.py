"""Place the energy between two readings where a start was in force. Pure.

A register shows how much flowed between two readings, and not when. The commands show it better:

- What flowed is placed in the time in which a start was in force, evenly, as much as can have
  flowed there.
- What is more than that flowed without a start (a relay stuck, a stop came late): it is placed
  evenly in the other time.
- If no start was in force, or one was all the time, the powers at both readings show when it
  changed: the vehicle ended by itself, or began to take less. Between readings that are near, or if
  no single change explains what flowed, everything flows evenly.
"""

from __future__ import annotations

from bisect import bisect_right
from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING, TypeAlias

from planners.accounts.register import ALLOWANCE, MICROSECOND, RegisterReading, possible

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

Start: TypeAlias = "tuple[datetime, datetime]"
"""From when until when a start was in force, UTC."""

_HOUR, _NONE = timedelta(hours=1), timedelta(0)

NEAR = timedelta(minutes=5)
"""Between readings no farther apart, flowing evenly is near enough."""
LEAST_CHANGE_WATTS = 500
"""A smaller change of power is no change of what is charged [W]."""


def placed(
    readings: Sequence[RegisterReading], starts: Sequence[Start], max_kw: float
) -> tuple[RegisterReading, ...]:
    """Add the register at the instants at which a start came into force or ended.

    Parameters
    ----------
    readings : sequence of RegisterReading
        In order of time.
    starts : sequence of Start
        In any order: a clock that was put back repeats instants.
    max_kw : float
        Highest power that could flow [kW].

    Returns
    -------
    tuple of RegisterReading
        The readings, and inferred ones between them, which have a `gap`.
    """
    starts = list(_apart(starts))
    ends = [end for _, end in starts]
    found: list[RegisterReading] = []
    for earlier, later in pairwise(readings):
        found.append(earlier)
        if earlier.register_wh < later.register_wh and possible(
            later.register_wh - earlier.register_wh, earlier, later, max_kw
        ):
            near = starts[bisect_right(ends, earlier.at) : bisect_right(ends, later.at) + 1]
            found += _inferred(earlier, later, near, max_kw)
    return (*found, *readings[-1:])


def _apart(starts: Sequence[Start]) -> Iterator[Start]:
    """Put the starts in order of time, without overlaps."""
    latest = None
    for start, end in sorted(starts):
        begins = start if latest is None else max(start, latest)
        if begins < end:
            latest = end
            yield begins, end


def _inferred(
    earlier: RegisterReading, later: RegisterReading, starts: Sequence[Start], max_kw: float
) -> Iterator[RegisterReading]:
    apart, rise_wh = later.at - earlier.at, later.register_wh - earlier.register_wh
    within = [
        (max(start, earlier.at), min(end, later.at))
        for start, end in starts
        if start < later.at and end > earlier.at
    ]
    on = sum((end - start for start, end in within), _NONE)
    if on in {_NONE, apart}:
        yield from _at_change_of_power(earlier, later)
        return
    by_start_wh = min(rise_wh, int(max_kw * 1000 * ALLOWANCE * (on / _HOUR)))
    for instant in sorted({edge for start in within for edge in start} - {earlier.at, later.at}):
        on_by_then = sum(
            (min(end, instant) - start for start, end in within if start < instant), _NONE
        )
        wh = _share(by_start_wh, on_by_then, on)
        wh += _share(rise_wh - by_start_wh, instant - earlier.at - on_by_then, apart - on)
        yield RegisterReading(instant, earlier.register_wh + wh, apart)


def _at_change_of_power(
    earlier: RegisterReading, later: RegisterReading
) -> Iterator[RegisterReading]:
    """Infer the register at the one change of power that explains what flowed, if there is one."""
    apart, before, after = later.at - earlier.at, earlier.watts, later.watts
    if apart <= NEAR or before is None or after is None:
        return
    if abs(before - after) < LEAST_CHANGE_WATTS:
        return
    rise_wh = later.register_wh - earlier.register_wh
    part = (rise_wh / (apart / _HOUR) - after) / (before - after)
    if 0 < part < 1:
        wh = min(rise_wh, round(before * part * (apart / _HOUR)))
        yield RegisterReading(earlier.at + part * apart, earlier.register_wh + wh, apart)


def _share(wh: int, elapsed: timedelta, duration: timedelta) -> int:
    """Return the share of an energy that has flowed by then, rounded to whole Wh."""
    whole = duration // MICROSECOND
    return (2 * wh * (elapsed // MICROSECOND) + whole) // (2 * whole)
