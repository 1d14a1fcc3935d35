"""Compare the half-hours of a supplier's bill with ours; find causes. Pure.

The causes are tried in this order: a clock that is whole hours off, a half-hour that only one side
has, an estimate of ours, and a bill that is higher all the time. The last is the rest of the home,
which the supplier's meter counts too.
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
"""Two figures of a half-hour agree if they differ by no more than this [Wh]."""

HOUR = timedelta(hours=1)
MOST_HOURS = 14
"""The largest offset from UTC of any clock on Earth [h]."""

LEFT_OVER = Decimal("0.1")
"""A shifted clock is the cause if at most this part of the missing energy remains."""

ALL_THE_TIME = 0.9
"""A bill that is higher in this part of the half-hours is higher all the time."""

CLOCK, MISSING, NOT_ON_BILL = "clock", "readings-missing", "not-on-the-bill"
ESTIMATED, OTHER_LOAD, UNEXPLAINED = "estimated", "other-load", "unexplained"
_FOR_THE_WHOLE_BILL = {CLOCK, OTHER_LOAD}


@dataclass(frozen=True, slots=True)
class HalfHourComparison:
    """One half-hour on both sides.

    Attributes
    ----------
    start, end : datetime
        UTC.
    ours_wh : int or None
        Energy at our meters [Wh]; None if they were not read.
    estimated_wh : int
        Part of ours that is estimated [Wh].
    theirs_wh : Decimal or None
        Energy on the bill [Wh]; None if the half-hour is not on it.
    cause : str
        Likely cause of a difference above the tolerance; empty if there is none.
    shift_hours : int
        If the cause is the clock: by how many hours the bill's is ahead of ours.
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
    """Half-hours that differ for the same cause.

    Attributes
    ----------
    start, end : datetime
        Start of the first and end of the last of them, UTC.
    count : int
        Number of half-hours.
    ours_wh, theirs_wh : Decimal
        Their energy; a half-hour that one side lacks counts as 0 [Wh].
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
    """Compare our half-hours with those of a bill.

    Parameters
    ----------
    ours : sequence of HalfHour
        In order of time.
    theirs : mapping of datetime to Decimal
        Energy by the UTC instant at which its half-hour begins [Wh].
    zone : ZoneInfo
        The household's zone; a clock may be wrong on one side of a clock change only.

    Returns
    -------
    tuple of HalfHourComparison
        One for each of ours.
    """
    lines: list[HalfHourComparison] = []
    for _, group in groupby(ours, lambda half_hour: half_hour.start.astimezone(zone).utcoffset()):
        part = list(group)
        shift = _shift_hours(part, theirs)
        lines += _lines(part, theirs, shift)
    return tuple(lines)


def findings(lines: Sequence[HalfHourComparison]) -> tuple[Finding, ...]:
    """Group neighbours of one cause, or all if the cause is for the whole bill.

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
    for (cause, shift), group in groupby(lines, lambda line: (line.cause, line.shift_hours)):
        if cause and cause not in _FOR_THE_WHOLE_BILL:
            found.append(_finding(list(group), cause, shift))
    for cause, shift in dict.fromkeys((line.cause, line.shift_hours) for line in lines):
        if cause in _FOR_THE_WHOLE_BILL:
            same = [line for line in lines if (line.cause, line.shift_hours) == (cause, shift)]
            found.append(_finding(same, cause, shift))
    return tuple(sorted(found, key=lambda finding: finding.start))


def _finding(lines: Sequence[HalfHourComparison], cause: str, shift: int) -> Finding:
    ours = Decimal(sum(line.ours_wh or 0 for line in lines))
    theirs = sum((line.theirs_wh or Decimal(0) for line in lines), Decimal(0))
    return Finding(lines[0].start, lines[-1].end, len(lines), ours, theirs, cause, shift)


def _shift_hours(ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal]) -> int:
    """Find by how many hours the bill's clock is ahead; 0 if no shift helps."""
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
    """Return what the bill lacks at a shift, and the sum of all differences [Wh]."""
    # What the bill has more may be other load; what it lacks can't be.
    known = [
        (half_hour.wh, theirs.get(half_hour.start + hours * HOUR, Decimal(0)))
        for half_hour in ours
        if half_hour.wh is not None
    ]
    lacking = sum((max(Decimal(0), wh - other) for wh, other in known), Decimal(0))
    return lacking, sum((abs(wh - other) for wh, other in known), Decimal(0))


def _lines(
    ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal], shift: int
) -> Iterator[HalfHourComparison]:
    pairs = [(half_hour, theirs.get(half_hour.start + shift * HOUR)) for half_hour in ours]
    both = [(our.wh, their) for our, their in pairs if our.wh is not None and their is not None]
    more = sum(their_wh > our_wh for our_wh, their_wh in both)
    all_the_time = more >= ALL_THE_TIME * len(both)
    for our, shifted in pairs:
        line = HalfHourComparison(
            our.start, our.end, our.wh, our.estimated_wh, theirs.get(our.start)
        )
        if not _differs(line):
            yield line
        elif shift and _explains(line, shifted):
            yield replace(line, cause=CLOCK, shift_hours=shift)
        else:
            cause = _cause(replace(line, theirs_wh=shifted), all_the_time=all_the_time)
            yield replace(line, cause=cause)


def _explains(line: HalfHourComparison, shifted: Decimal | None) -> bool:
    """Tell whether a shifted clock explains what differs, or what the bill lacks."""
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
