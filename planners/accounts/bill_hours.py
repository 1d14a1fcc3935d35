"""A supplier's half-hours beside ours: where they differ, and the likely cause. Pure.

The causes are tried in this order: a clock that is whole hours away, a half-hour that only one side
has, an estimate of ours, and more on the bill all the time, which is what the rest of the home
draws through the supplier's meter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal
from itertools import groupby
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from planners.local_time.settlement import HalfHour

TOLERANCE_WH = 50
"""Two figures of a half-hour that differ by no more agree [Wh]."""

HOUR = timedelta(hours=1)
MOST_HOURS = 14
"""The farthest that a clock on Earth is from UTC [h]."""

LEFT_OVER = Decimal("0.1")
"""A shifted clock explains what is missing if at most this part of it stays."""

ALL_THE_TIME = 0.9
"""More on the bill in this part of the half-hours is more all the time."""

CLOCK, MISSING, NOT_ON_BILL = "clock", "readings-missing", "not-on-the-bill"
ESTIMATED, OTHER_LOAD, UNEXPLAINED = "estimated", "other-load", "unexplained"
_FOR_THE_WHOLE = {CLOCK, OTHER_LOAD}


@dataclass(frozen=True, slots=True)
class HalfHourComparison:
    """One half-hour of both sides.

    Attributes
    ----------
    start, end : datetime
        UTC.
    ours_wh : int or None
        At our meters [Wh]; None where they were not read.
    estimated_wh : int
        Part of ours that is not measured [Wh].
    theirs_wh : Decimal or None
        On the bill [Wh]; None where it does not have the half-hour.
    cause : str
        Likely cause of a difference above the tolerance; empty where there is none.
    shift_hours : int
        For a clock: by how many hours the bill's is ahead of ours.
    """

    start: datetime
    end: datetime
    ours_wh: int | None
    estimated_wh: int
    theirs_wh: Decimal | None
    cause: str = ""
    shift_hours: int = 0


@dataclass(frozen=True, slots=True)
class Finding:
    """Half-hours that differ for one cause.

    Attributes
    ----------
    start, end : datetime
        From the first to the last of them, UTC.
    count : int
        How many they are.
    ours_wh, theirs_wh : Decimal
        Their energy; what one side does not have counts as nothing [Wh].
    cause : str
        The likely cause.
    shift_hours : int
        As in `HalfHourComparison`.
    """

    start: datetime
    end: datetime
    count: int
    ours_wh: Decimal
    theirs_wh: Decimal
    cause: str
    shift_hours: int


def compare_half_hours(
    ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal], zone: ZoneInfo
) -> tuple[HalfHourComparison, ...]:
    """Lay half-hours beside each other.

    Parameters
    ----------
    ours : sequence of HalfHour
        In order of time.
    theirs : mapping of datetime to Decimal
        Energy by the UTC instant at which its half-hour begins [Wh].
    zone : ZoneInfo
        The household's; a clock may be wrong on one side of a change only.

    Returns
    -------
    tuple of HalfHourComparison
        One for each of ours.
    """
    lines: list[HalfHourComparison] = []
    for _, group in groupby(ours, lambda it: it.start.astimezone(zone).utcoffset()):
        part = list(group)
        shift = _shift_hours(part, theirs)
        lines += _lines(part, theirs, shift)
    return tuple(lines)


def findings(lines: Sequence[HalfHourComparison]) -> tuple[Finding, ...]:
    """Gather the differences: neighbours of one cause, or all where it holds for the whole bill.

    Parameters
    ----------
    lines : sequence of HalfHourComparison
        In order of time.

    Returns
    -------
    tuple of Finding
        In order of their first half-hour.
    """
    found: list[Finding] = []
    for (cause, shift), group in groupby(lines, lambda it: (it.cause, it.shift_hours)):
        if cause and cause not in _FOR_THE_WHOLE:
            found.append(_finding(list(group), cause, shift))
    for cause, shift in dict.fromkeys((it.cause, it.shift_hours) for it in lines):
        if cause in _FOR_THE_WHOLE:
            same = [it for it in lines if (it.cause, it.shift_hours) == (cause, shift)]
            found.append(_finding(same, cause, shift))
    return tuple(sorted(found, key=lambda it: it.start))


def _finding(lines: Sequence[HalfHourComparison], cause: str, shift: int) -> Finding:
    ours = Decimal(sum(it.ours_wh or 0 for it in lines))
    theirs = sum((it.theirs_wh or Decimal(0) for it in lines), Decimal(0))
    return Finding(lines[0].start, lines[-1].end, len(lines), ours, theirs, cause, shift)


def _shift_hours(ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal]) -> int:
    """Find by how many hours the bill's clock is ahead, 0 if no shift explains what is missing."""
    now = _apart(ours, theirs, 0)
    if now[0] <= 10 * TOLERANCE_WH:
        return 0
    shifts = sorted(range(-MOST_HOURS, MOST_HOURS + 1), key=abs)
    best = min(shifts, key=lambda hours: _apart(ours, theirs, hours))
    lacking, _ = _apart(ours, theirs, best)
    return best if lacking <= LEFT_OVER * now[0] else 0


def _apart(
    ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal], hours: int
) -> tuple[Decimal, Decimal]:
    """Tell what the bill lacks of ours at a shift, and how far apart they are in all [Wh]."""
    # What it has more may be other load; what it lacks can't be.
    known = [
        (it.wh, theirs.get(it.start + hours * HOUR, Decimal(0))) for it in ours if it.wh is not None
    ]
    lacking = sum((max(Decimal(0), wh - other) for wh, other in known), Decimal(0))
    return lacking, sum((abs(wh - other) for wh, other in known), Decimal(0))


def _lines(
    ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal], shift: int
) -> Iterator[HalfHourComparison]:
    pairs = [(it, theirs.get(it.start + shift * HOUR)) for it in ours]
    both = [(it.wh, other) for it, other in pairs if it.wh is not None and other is not None]
    more = sum(other > wh for wh, other in both)
    all_the_time = bool(both) and more >= ALL_THE_TIME * len(both)
    for it, shifted in pairs:
        line = HalfHourComparison(it.start, it.end, it.wh, it.estimated_wh, theirs.get(it.start))
        if not _differs(line):
            yield line
        elif shift and _explains(line, shifted):
            yield replace(line, cause=CLOCK, shift_hours=shift)
        else:
            cause = _cause(replace(line, theirs_wh=shifted), all_the_time=all_the_time)
            yield replace(line, cause=cause)


def _explains(line: HalfHourComparison, shifted: Decimal | None) -> bool:
    """Whether a shifted clock has what this half-hour should, or at least what it lacks."""
    moved = replace(line, theirs_wh=shifted)
    return not _differs(moved) or (_lacks(line) and not _lacks(moved))


def _lacks(line: HalfHourComparison) -> bool:
    return (line.theirs_wh or Decimal(0)) + TOLERANCE_WH < (line.ours_wh or 0)


def _differs(line: HalfHourComparison) -> bool:
    return abs((line.theirs_wh or Decimal(0)) - (line.ours_wh or 0)) > TOLERANCE_WH


def _cause(line: HalfHourComparison, *, all_the_time: bool) -> str:
    if line.ours_wh is None:
        return MISSING
    if line.theirs_wh is None:
        return NOT_ON_BILL
    if line.estimated_wh:
        return ESTIMATED
    return OTHER_LOAD if all_the_time and line.theirs_wh > line.ours_wh else UNEXPLAINED
