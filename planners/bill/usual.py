"""Tell what the rest of a home usually uses, and what is far from it. Pure.

The supplier's meter counts the whole home. What it has more than ours is the home's use; its
median at each time of day is the usual. A half-hour, or a night's charging, that is farther from
the usual than anything else in the month is a difference to ask about.
"""

from __future__ import annotations

from collections import defaultdict
from decimal import Decimal
from itertools import groupby
from statistics import median
from typing import TYPE_CHECKING, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import time

LEAST_DAYS = 5
"""With fewer days at a time of day, the month's median is the usual."""
FAR = Decimal("1.5")
"""What is far from the usual is this many times as far as the next."""
FAR_ALONE = Decimal(2)
"""So it is without charging, when the home uses most."""
QUIET_PART = 0.95
"""A night must be farther than this part of all times without charging that are as long."""
LEAST_WH = 500
"""A home may always use this much more or less than usual, in a half-hour or in a night [Wh]."""
MOST_PART = 5
"""At most one in so many nights is unusual; more are what is usual."""
MOST_ALONE = 5
"""At most so many half-hours without charging are unusual."""
_MAINLY = 2


class Left(NamedTuple):
    """What a half-hour of the bill has beyond our meter.

    Attributes
    ----------
    at : time
        The time of day by the household's clock.
    wh : Decimal
        The bill's energy less ours [Wh].
    charging : bool
        Whether our meter showed charging.
    """

    at: time
    wh: Decimal
    charging: bool


class Strange(NamedTuple):
    """What a half-hour has beyond the usual, and whether its run has more than usual."""

    wh: Decimal
    is_more: bool


def beyond_usual(left: Sequence[Left]) -> list[Decimal]:
    """Return what each half-hour has beyond the home's usual use.

    Parameters
    ----------
    left : sequence of Left
        Half-hours of a month, in any order.

    Returns
    -------
    list of Decimal
        In the same order; negative if it is less than usual [Wh].
    """
    quiet, every = defaultdict(list), defaultdict(list)
    for each in left:
        every[each.at].append(each.wh)
        if not each.charging:
            quiet[each.at].append(each.wh)
    whole = median(each.wh for each in left) if left else None
    usual = {at: _usual(quiet[at], known, whole) for at, known in every.items()}
    return [each.wh - usual[each.at] for each in left]


def _usual(quiet: list[Decimal], every: list[Decimal], whole: Decimal | None) -> Decimal:
    known = quiet if len(quiet) >= LEAST_DAYS else every
    if len(known) >= LEAST_DAYS or whole is None:
        return median(known)
    return whole


def unusual(beyond: Mapping[int, Decimal], charging: Mapping[int, bool]) -> dict[int, Strange]:
    """Find what is too far from the usual to be the home's own change.

    Parameters
    ----------
    beyond : mapping of int to Decimal
        What each half-hour has beyond the usual, by its place in the month, in order [Wh].
    charging : mapping of int to bool
        Whether our meter showed charging in each.

    Returns
    -------
    dict
        What each has beyond the usual, by its place.
    """
    nights, quiet = (_runs(beyond, charging, kind=kind) for kind in (True, False))
    alone = _far([[place] for run in quiet for place in run], beyond, MOST_ALONE, FAR_ALONE)
    far = alone if sum(map(len, quiet)) > MOST_ALONE else []
    if len(nights) >= LEAST_DAYS:
        seen = {place for run in far for place in run}
        rest = [[place for place in run if place not in seen] for run in quiet]
        far += [
            _narrowed(run, beyond)
            for run in _far(nights, beyond, max(1, len(nights) // MOST_PART))
            if abs(_sum(run, beyond)) > FAR * _usual_change(rest, beyond, len(run))
        ]
    return {
        place: Strange(beyond[place], is_more=_sum(run, beyond) > 0) for run in far for place in run
    }


def _runs(
    beyond: Mapping[int, Decimal], charging: Mapping[int, bool], *, kind: bool
) -> list[list[int]]:
    """List the runs of half-hours with charging, or without, that have no holes."""
    marks = [(place, place - number) for number, place in enumerate(beyond)]
    groups = groupby(marks, lambda mark: (charging[mark[0]], mark[1]))
    return [[place for place, _ in group] for (is_on, _), group in groups if is_on == kind]


def _usual_change(
    quiet: Sequence[Sequence[int]], beyond: Mapping[int, Decimal], length: int
) -> Decimal:
    """Return how far times of some length without charging usually are from the usual [Wh]."""
    sizes = sorted(
        abs(_sum(run[first : first + length], beyond))
        for run in quiet
        for first in range(len(run) - length + 1)
    )
    return sizes[int(QUIET_PART * len(sizes))] if sizes else Decimal(0)


def _far(
    runs: Sequence[list[int]], beyond: Mapping[int, Decimal], most: int, times: Decimal = FAR
) -> list[list[int]]:
    """Choose the runs that are much farther from the usual than all others."""
    ordered = sorted(runs, key=lambda run: -abs(_sum(run, beyond)))
    sizes = [abs(_sum(run, beyond)) for run in ordered]
    far = 0
    for count in range(1, min(most, len(sizes) - 1) + 1):
        if sizes[count - 1] > LEAST_WH and sizes[count - 1] >= times * sizes[count]:
            far = count
    return ordered[:far]


def _narrowed(run: list[int], beyond: Mapping[int, Decimal]) -> list[int]:
    """Leave out a night's beginning and end if they have little of the difference."""
    whole = _sum(run, beyond)
    notable = [place for place in run if _MAINLY * len(run) * beyond[place] / whole >= 1]
    return [place for place in run if notable[0] <= place <= notable[-1]]


def _sum(run: Sequence[int], beyond: Mapping[int, Decimal]) -> Decimal:
    return sum((beyond[place] for place in run), Decimal(0))
