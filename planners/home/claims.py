"""Find what the main fuse leaves beside the currents that charge points may already draw."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.home.allotments import spans_of
from planners.local_time.conversion import minute_of
from planners.power.phases import FUSE_DIGITS, left_under, limits_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from config.household.household_file import HouseholdFile
    from planners.power.allowed_currents import AmpsSpan


def left_beside(
    file: HouseholdFile,
    charge_point: str,
    others: Mapping[str, Sequence[AmpsSpan]],
    start: datetime,
    end: datetime,
) -> tuple[AmpsSpan, ...]:
    """Return what a charge point may draw beside what the others may draw.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Its name in the file.
    others : mapping of str to sequence of AmpsSpan
        For each of the others, the currents that its hardware may draw, and when. Where spans of
        one charge point overlap, the highest counts.
    start, end : datetime
        UTC; `end` is after `start`.

    Returns
    -------
    tuple of AmpsSpan
        Over whole minutes, from the one of the start to the one of the end; infinite if it shares
        nothing.
    """
    first, last = minute_of(start), minute_of(end - start.resolution) + 1
    least = np.full(last - first, np.inf)
    claimed = {name: highest_in_minutes(spans, first, last) for name, spans in others.items()}
    for limit in limits_of(file):
        if charge_point in limit.points:
            taken = sum(amps for name, amps in claimed.items() if name in limit.points)
            least = np.minimum(least, left_under(file, limit, first, last) - taken)
    return spans_of(np.maximum(least, 0.0).round(FUSE_DIGITS), first, 1, first)


def highest_in_minutes(spans: Iterable[AmpsSpan], first: int, last: int) -> NDArray[np.float64]:
    """Return the highest current of spans in each UTC minute; 0 where there is none.

    Parameters
    ----------
    spans : iterable of AmpsSpan
        May overlap.
    first, last : int
        UTC minutes; `last` is the first one outside.

    Returns
    -------
    ndarray of float, shape (last - first,)
        A span counts in every minute that it touches [A per phase].
    """
    found = np.zeros(last - first)
    for span in spans:
        begins = max(0, minute_of(span.start) - first)
        ends = minute_of(span.end - span.end.resolution) + 1 - first
        if ends > begins:
            during = slice(begins, ends)
            found[during] = np.maximum(found[during], span.amps)
    return found
