"""Find the shape of our charging in a supplier's figures, which count the whole home. Pure.

Charging begins and ends with a jump of some kWh; the rest of the home does not jump at those
instants night after night. So the jumps show how late the bill's clock is, whether the two meters
count alike, and whether the charging is on the bill at all, whatever else the home uses.
"""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from itertools import pairwise
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from datetime import datetime

    from planners.local_time.settlement import HalfHour

NO_SHIFT = timedelta(0)
FARTHEST = timedelta(hours=14)
"""The largest offset from UTC of any clock on Earth."""

LEAST_GAIN_WH = 2000
"""A shift must remove more than this from the jumps: four times half a kWh [Wh]."""
LEAST_GAIN_PART = 0.5
"""And more than this part of all our jumps."""

JUMP_WH = 500
"""A smaller jump may be the home's [Wh]."""
LEAST_JUMPS = 10
"""Fewer jumps prove nothing of the meters."""
FOUND = 0.1
"""The charging is not on the bill if fewer of its jumps than this part are found there."""
_ALIKE = Decimal("0.03")
"""Two meters count alike within three per cent; common practice, no source."""
_SPREADS = 3


class Match(NamedTuple):
    """How our charging shows in the supplier's figures.

    Attributes
    ----------
    is_there : bool
        False if the charging is not on the bill at all.
    factor : Decimal
        How much the supplier's meter counts for one kWh of ours; 1 if they count alike.
    """

    is_there: bool = True
    factor: Decimal = Decimal(1)


def best_shift(
    ours: Sequence[HalfHour], theirs: Mapping[datetime, Decimal], step: timedelta
) -> timedelta:
    """Find by how much the bill's clock is ahead of ours.

    Parameters
    ----------
    ours : sequence of HalfHour
        In order of time.
    theirs : mapping of datetime to Decimal
        Energy by start [Wh].
    step : timedelta
        Length of an interval; a shift is a multiple of it.

    Returns
    -------
    timedelta
        0 if no shift makes the two much more alike.
    """
    steps = FARTHEST // step
    shifts = sorted((step * count for count in range(-steps, steps + 1)), key=abs)
    jumps = [(earlier, later, float(wh)) for earlier, later, wh in _jumps(ours)]
    known = {start: float(wh) for start, wh in theirs.items()}
    unlike = {shift: _unlike(jumps, known, shift) for shift in shifts}
    best = min(shifts, key=lambda shift: unlike[shift])
    gain = unlike[NO_SHIFT] - unlike[best]
    own = sum(abs(wh) for _, _, wh in jumps)
    return best if gain > max(LEAST_GAIN_WH, LEAST_GAIN_PART * own) else NO_SHIFT


def match(ours: Sequence[HalfHour], aligned: Mapping[datetime, Decimal]) -> Match:
    """Find whether the charging is on the bill, and whether the meters count alike.

    Parameters
    ----------
    ours : sequence of HalfHour
        In order of time.
    aligned : mapping of datetime to Decimal
        The bill's energy by our clock [Wh].

    Returns
    -------
    Match
        That of meters alike if there are too few jumps to tell.
    """
    ratios = [
        (aligned[later] - aligned[earlier]) / wh
        for earlier, later, wh in _jumps(ours)
        if abs(wh) >= JUMP_WH and earlier in aligned and later in aligned
    ]
    if len(ratios) < LEAST_JUMPS:
        return Match()
    found = [each for each in ratios if Decimal("0.5") < each < Decimal("1.5")]
    if len(found) < FOUND * len(ratios):
        return Match(is_there=False)
    middle = median(found)
    spread = median(abs(each - middle) for each in found) / Decimal(len(found)).sqrt()
    differs = abs(middle - 1) > max(_ALIKE, _SPREADS * spread)
    return Match(factor=middle if differs and len(found) >= LEAST_JUMPS else Decimal(1))


def _jumps(ours: Sequence[HalfHour]) -> Iterator[tuple[datetime, datetime, Decimal]]:
    """List neighbours, and how much more the later one has [Wh]."""
    for earlier, later in pairwise(ours):
        if earlier.wh is not None and later.wh is not None:
            yield earlier.start, later.start, Decimal(later.wh - earlier.wh)


def _unlike(
    jumps: Sequence[tuple[datetime, datetime, float]],
    theirs: Mapping[datetime, float],
    shift: timedelta,
) -> float:
    """Add up how far the jumps of both sides are apart [Wh]."""
    apart = 0.0
    for earlier, later, wh in jumps:
        before, after = theirs.get(earlier + shift), theirs.get(later + shift)
        apart += abs((0 if before is None or after is None else after - before) - wh)
    return apart
