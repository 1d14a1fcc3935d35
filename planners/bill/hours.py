"""Compare the half-hours of a supplier's bill with ours; find causes, and price them. Pure.

First the shape of the charging is found in the bill (`planners.bill.shape`): by how much its clock
is ahead, on each side of a clock change, and whether its meter counts as ours does. What is left is
the rest of the home (`planners.bill.usual`), and what is far from that.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from decimal import Decimal
from itertools import groupby
from typing import TYPE_CHECKING, NamedTuple

from planners.bill.shape import NO_SHIFT, Match, best_shift, match
from planners.bill.usual import Left, Strange, beyond_usual, unusual

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from planners.local_time.settlement import HalfHour

TOLERANCE_WH = 50
"""Two figures of a half-hour agree if they differ by no more than this [Wh]."""

MINUTE = timedelta(minutes=1)
LITTLE_WH = 1000
"""Part of a month with less energy than this has the clock of the part beside it [Wh]."""

MORE_NEARLY_ALWAYS = 0.9
MORE_MOSTLY = 0.5
"""Something else uses the supplier's meter if it has more nearly always, or clearly more mostly."""

CLOCK, MISSING, NOT_ON_BILL = "clock", "readings-missing", "not-on-the-bill"
ESTIMATED, OTHER_LOAD, UNEXPLAINED = "estimated", "other-load", "unexplained"
MORE, LESS = "more-than-usual", "less-than-charged"
METERS_DIFFER, NOT_THIS_METER = "meters-differ", "not-this-meter"
_FOR_THE_WHOLE_BILL = {CLOCK, OTHER_LOAD, METERS_DIFFER, NOT_THIS_METER}


@dataclass(frozen=True, slots=True)
class HalfHourComparison:
    """One half-hour on both sides; an hour if the bill has hours.

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
    shift_minutes : int
        If the cause is the clock: by how much the bill's is ahead of ours [min].
    apart_wh : Decimal
        What the cause adds to the bill; negative if it takes away [Wh].
    cost : Decimal or None
        What that costs at our rates [currency], unrounded; None if no rate is known.
    moved_wh : Decimal
        What a wrong clock of the bill adds beside another cause [Wh].
    moved_cost : Decimal or None
        What that costs, as above.
    """

    start: datetime
    end: datetime
    ours_wh: int | None
    estimated_wh: int
    theirs_wh: Decimal | None
    cause: str = ""
    shift_minutes: int = 0
    apart_wh: Decimal = Decimal(0)
    cost: Decimal | None = None
    moved_wh: Decimal = Decimal(0)
    moved_cost: Decimal | None = None


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
    shift_minutes, apart_wh, cost
        As in `HalfHourComparison`, added up; the cost is None if one of them is.
    """

    start: datetime
    end: datetime
    count: int
    ours_wh: Decimal
    theirs_wh: Decimal
    cause: str
    shift_minutes: int
    apart_wh: Decimal
    cost: Decimal | None


def compare_half_hours(
    ours: Sequence[HalfHour],
    theirs: Mapping[datetime, Decimal],
    zone: ZoneInfo,
    rates: Mapping[datetime, Decimal] | None = None,
) -> tuple[HalfHourComparison, ...]:
    """Compare our half-hours with those of a bill.

    Parameters
    ----------
    ours : sequence of HalfHour
        In order of time, all of one length.
    theirs : mapping of datetime to Decimal
        Energy by the UTC instant at which its half-hour begins [Wh]; those of the days before and
        after, if it has them, tell what a wrong clock moved out of the month.
    zone : ZoneInfo
        The household's zone; a clock may be wrong on one side of a clock change only.
    rates : mapping of datetime to Decimal, optional
        Rate in each of our half-hours [currency per kWh].

    Returns
    -------
    tuple of HalfHourComparison
        One for each of ours.
    """
    shifts = _shifts(ours, theirs, zone)
    aligned = {
        start: theirs[start + shift] for start, shift in shifts.items() if start + shift in theirs
    }
    found = _found(ours, aligned, zone)
    moved = _moved(ours, shifts)
    return tuple(
        _priced(_line(our, theirs.get(our.start), shifts[our.start], moved, found), rates or {})
        for our in ours
    )


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
    for (cause, _), group in groupby(lines, lambda line: (line.cause, line.shift_minutes)):
        if cause and cause not in _FOR_THE_WHOLE_BILL:
            found.append(_finding(list(group)))
    for cause, shift in dict.fromkeys((line.cause, line.shift_minutes) for line in lines):
        if cause in _FOR_THE_WHOLE_BILL:
            same = [line for line in lines if (line.cause, line.shift_minutes) == (cause, shift)]
            beside = [line for line in lines if same[0].start <= line.start <= same[-1].start]
            found.append(_with_moved(_finding(same), beside) if cause == CLOCK else _finding(same))
    return tuple(sorted(found, key=lambda finding: finding.start))


def _finding(lines: Sequence[HalfHourComparison]) -> Finding:
    first, costs = lines[0], [line.cost for line in lines]
    known = [cost for cost in costs if cost is not None]
    return Finding(
        first.start,
        lines[-1].end,
        len(lines),
        Decimal(sum(line.ours_wh or 0 for line in lines)),
        sum((line.theirs_wh or Decimal(0) for line in lines), Decimal(0)),
        first.cause,
        first.shift_minutes,
        sum((line.apart_wh for line in lines), Decimal(0)),
        sum(known, Decimal(0)) if len(known) == len(costs) else None,
    )


def _with_moved(finding: Finding, beside: Sequence[HalfHourComparison]) -> Finding:
    """Add what the clock moved in half-hours that have another cause as well."""
    moved = [line for line in beside if line.moved_wh]
    costs = [finding.cost, *(line.moved_cost for line in moved)]
    known = [cost for cost in costs if cost is not None]
    return replace(
        finding,
        apart_wh=finding.apart_wh + sum((line.moved_wh for line in moved), Decimal(0)),
        cost=sum(known, Decimal(0)) if len(known) == len(costs) else None,
    )


def _shifts(
    ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal], zone: ZoneInfo
) -> dict[datetime, timedelta]:
    """Find by how much the bill's clock is ahead in each of our half-hours."""
    parts = [
        list(group)
        for _, group in groupby(ours, lambda each: each.start.astimezone(zone).utcoffset())
    ]
    known = [
        best_shift(part, theirs, part[0].end - part[0].start)
        if sum(each.wh or 0 for each in part) > LITTLE_WH
        else None
        for part in parts
    ]
    if all(shift is None for shift in known):
        known = [best_shift(ours, theirs, ours[0].end - ours[0].start)] * len(parts)
    latest = next((shift for shift in known if shift is not None), NO_SHIFT)
    shifts: dict[datetime, timedelta] = {}
    for part, shift in zip(parts, known, strict=True):
        latest = latest if shift is None else shift
        shifts |= dict.fromkeys((each.start for each in part), latest)
    return shifts


def _moved(
    ours: Sequence[HalfHour], shifts: Mapping[datetime, timedelta]
) -> dict[datetime, Decimal]:
    """Add up what the bill's clock moves into each half-hour, less what it moves out [Wh]."""
    moved: dict[datetime, Decimal] = {}
    for our in ours:
        if our.wh and shifts[our.start]:
            there = our.start + shifts[our.start]
            moved[our.start] = moved.get(our.start, Decimal(0)) - our.wh
            moved[there] = moved.get(there, Decimal(0)) + our.wh
    return moved


class _Found(NamedTuple):
    """What was found in a bill whose clock is put right.

    Attributes
    ----------
    match : Match
        How the charging shows in it.
    left : dict of datetime to Decimal
        What it has beyond our meter [Wh].
    strange : dict of datetime to Strange
        What is neither our charging nor the home's usual use.
    is_home : bool
        Whether it counts the rest of the home too.
    """

    match: Match
    left: dict[datetime, Decimal]
    strange: dict[datetime, Strange]
    is_home: bool


def _found(ours: Sequence[HalfHour], aligned: Mapping[datetime, Decimal], zone: ZoneInfo) -> _Found:
    both = [our for our in ours if our.wh is not None and our.start in aligned]
    left = {our.start: aligned[our.start] - (our.wh or 0) for our in both}
    count = len(both)
    is_home = bool(both) and (
        sum(wh > 0 for wh in left.values()) >= MORE_NEARLY_ALWAYS * count
        or sum(wh > TOLERANCE_WH for wh in left.values()) >= MORE_MOSTLY * count
    )
    how = match(ours, aligned)
    if not is_home:
        how = Match(factor=how.factor)
    rest = {our.start: left[our.start] - (how.factor - 1) * (our.wh or 0) for our in both}
    # What the bill has less than our meter can't be the home's.
    strange = {
        start: Strange(wh, is_more=wh > 0)
        for start, wh in rest.items()
        if (-wh if is_home else abs(wh)) > TOLERANCE_WH
    }
    if is_home and how.is_there:
        strange |= _unusual(both, rest, zone)
    return _Found(how, left, strange if how.is_there else {}, is_home)


def _unusual(
    both: Sequence[HalfHour], rest: Mapping[datetime, Decimal], zone: ZoneInfo
) -> dict[datetime, Strange]:
    """Find what is far from the home's usual use."""
    charging = [(our.wh or 0) > TOLERANCE_WH for our in both]
    beyond = beyond_usual(
        [
            Left(our.start.astimezone(zone).time(), rest[our.start], on)
            for our, on in zip(both, charging, strict=True)
        ]
    )
    # A hole in the record ends a night's charging.
    length = both[0].end - both[0].start
    places = [(our.start - both[0].start) // length for our in both]
    far = unusual(dict(zip(places, beyond, strict=True)), dict(zip(places, charging, strict=True)))
    starts = dict(zip(places, (our.start for our in both), strict=True))
    return {starts[place]: wh for place, wh in far.items()}


def _line(
    our: HalfHour,
    their_wh: Decimal | None,
    shift: timedelta,
    moved: Mapping[datetime, Decimal],
    found: _Found,
) -> HalfHourComparison:
    line = HalfHourComparison(our.start, our.end, our.wh, our.estimated_wh, their_wh)
    minutes = shift // MINUTE
    for cause, wh in _causes(our, their_wh, moved.get(our.start, Decimal(0)), found, minutes):
        is_clock = cause == CLOCK
        return replace(
            line,
            cause=cause,
            apart_wh=wh,
            shift_minutes=minutes if is_clock else 0,
            moved_wh=Decimal(0) if is_clock else moved.get(our.start, Decimal(0)),
        )
    return line


def _causes(
    our: HalfHour, their_wh: Decimal | None, moved_wh: Decimal, found: _Found, shift: int
) -> Iterator[tuple[str, Decimal]]:
    """Yield what may be the cause, the likeliest first, and what it adds to the bill [Wh]."""
    wh, has_both = Decimal(our.wh or 0), our.start in found.left
    if not has_both and (our.wh is None or their_wh is None or not shift):
        one_side = (MISSING, their_wh or Decimal(0)) if our.wh is None else (NOT_ON_BILL, -wh)
        yield from [one_side] if abs(one_side[1]) > TOLERANCE_WH else []
        return
    yield from _of_both(our, moved_wh, found)


def _of_both(our: HalfHour, moved_wh: Decimal, found: _Found) -> Iterator[tuple[str, Decimal]]:
    wh = Decimal(our.wh or 0)
    strange = found.strange.get(our.start)
    if strange is not None:
        known = our.estimated_wh and abs(strange.wh) <= our.estimated_wh + TOLERANCE_WH
        yield (ESTIMATED if known else MORE if strange.is_more else LESS), strange.wh
    left_wh = found.left.get(our.start, Decimal(0))
    if wh > TOLERANCE_WH and not found.match.is_there:
        yield NOT_THIS_METER, left_wh
    if abs(moved_wh) > TOLERANCE_WH:
        yield CLOCK, moved_wh
    if wh > TOLERANCE_WH and found.match.factor != 1:
        yield METERS_DIFFER, (found.match.factor - 1) * wh
    if left_wh > TOLERANCE_WH:
        yield OTHER_LOAD, left_wh


def _priced(line: HalfHourComparison, rates: Mapping[datetime, Decimal]) -> HalfHourComparison:
    rate = rates.get(line.start)
    if rate is None:
        return line
    cost, moved_cost = ((rate * wh).scaleb(-3) for wh in (line.apart_wh, line.moved_wh))
    return replace(line, cost=cost, moved_cost=moved_cost)
