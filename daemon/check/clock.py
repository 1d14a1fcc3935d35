"""Explain which clock a tariff's bands follow: local or standard time."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import numpy as np

from config.calendar.tables import calendar_mask
from config.calendar.words import WEEKDAY_NAMES, clock, hours_in_words
from planners.local_time.conversion import instant_of, minute_of
from planners.local_time.standard_time import standard_offsets_between
from planners.local_time.zone_offsets import offsets_between

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from config.tariffs.tariff import Tariff
    from planners.local_time.zone_offsets import Offsets

_LOOK_AHEAD = timedelta(days=366)
_HOUR = 60
_DAY = 1440


def clock_lines(tariff: Tariff, zone: ZoneInfo, now: datetime) -> Iterator[str]:
    """Say which clock the hours of a tariff's bands follow, and when it next changes.

    Parameters
    ----------
    tariff : Tariff
        A tariff of bands.
    zone : ZoneInfo
        The household's zone.
    now : datetime
        UTC.

    Yields
    ------
    str
        Lines of text.
    """
    change = _next_change(zone, now)
    if tariff.clock == "wall":
        yield f"    The hours follow the local clock, which {change}."
        return
    first, last = minute_of(now), minute_of(now + _LOOK_AHEAD)
    standard = standard_offsets_between(zone, first, last)
    local = offsets_between(zone, first, last)
    yield f"    The hours follow standard time, {_standard(standard)}. The local clock {change}."
    if len(standard.starts) > 1:
        yield "    Ask your supplier whether the meter's clock changes on that day too."
    changes = np.union1d(standard.starts, local.starts)
    for shift in np.unique(local.to_local(changes) - standard.to_local(changes)).tolist():
        if shift:
            yield f"    {_by_the_local_clock(tariff, shift)}"


def _next_change(zone: ZoneInfo, now: datetime) -> str:
    offsets = offsets_between(zone, minute_of(now), minute_of(now + _LOOK_AHEAD))
    if len(offsets.starts) == 1:
        return "does not change in the coming year"
    at = int(offsets.starts[1])
    before, after = (instant_of(at + int(minutes)) for minutes in offsets.minutes[:2])
    return (
        f"next changes on {WEEKDAY_NAMES[before.weekday()]} {before.day}"
        f" {before:%B %Y}, when {before:%H:%M} becomes {after:%H:%M}"
    )


def _standard(standard: Offsets) -> str:
    """Say which offset from UTC standard time has in the coming year, and when that changes."""
    offsets = [_offset(minutes) for minutes in standard.minutes.tolist()]
    if len(offsets) == 1:
        return f"{offsets[0]}, all year"
    days = [
        instant_of(start + minutes)
        for start, minutes in zip(
            standard.starts.tolist()[1:], standard.minutes.tolist(), strict=False
        )
    ]
    later = (
        f"and {offset} from {WEEKDAY_NAMES[day.weekday()]} {day.day} {day:%B %Y}"
        for day, offset in zip(days, offsets[1:], strict=True)
    )
    return ", ".join([offsets[0], *later])


def _offset(minutes: int) -> str:
    sign, (hours, rest) = "-" if minutes < 0 else "+", divmod(abs(minutes), _HOUR)
    return f"UTC{sign}{hours}" + (f":{rest:02d}" if rest else "")


def _by_the_local_clock(tariff: Tariff, shift: int) -> str:
    """Give the hours by a clock that is `shift` minutes ahead of standard time."""
    hours, rest = divmod(abs(shift), _HOUR)
    length = f"{hours} h" + (f" {rest} min" if rest else "") if hours else f"{rest} min"
    season = (
        f"In summer the local clock is {length} ahead"
        if shift > 0
        else f"At times the local clock is {length} behind"
    )
    moved = []
    for band in tariff.bands or ():
        minutes = np.roll(calendar_mask(band, tariff.calendar).any(axis=(0, 1)), shift)
        if minutes.any():
            moved.append(f"{band.name} is {hours_in_words(minutes, past_midnight=True)}")
    moved.append(f"the tariff's day begins at {clock(shift % _DAY)}")
    *most, last = moved
    return f"{season}: by it, {', '.join([*most, ''])}{'and ' * bool(most)}{last}."
