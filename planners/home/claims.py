"""Find what the main fuse leaves beside the currents that charge points may already draw."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planners.home.allotments import shares_by_plan, spans_of
from planners.local_time.conversion import minute_of
from planners.power.phases import FUSE_DIGITS, left_under, limits_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from config.household.household_file import HouseholdFile
    from planners.power.allowed_currents import AmpsSpan


@dataclass(frozen=True, slots=True)
class LeftByLoad:
    """The current that the home's live load leaves of one phase of the main fuse.

    Attributes
    ----------
    amps : float
        For all charge points together [A].
    points : frozenset of str
        The charge points that may load the phase.
    """

    amps: float
    points: frozenset[str]


def left_beside(
    file: HouseholdFile,
    charge_point: str,
    others: Mapping[str, Sequence[AmpsSpan]],
    start: datetime,
    end: datetime,
    *,
    by_load: Sequence[LeftByLoad] = (),
    kept_amps: float = 0.0,
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
    by_load : sequence of LeftByLoad, optional
        What the home's live load leaves of each phase, as far as it is known.
    kept_amps : float, optional
        The least that the live load leaves to this charge point, because the others give way
        together with it [A per phase].

    Returns
    -------
    tuple of AmpsSpan
        Over whole minutes, from the one of the start to the one of the end; infinite if it shares
        nothing. The least of what is left of each phase beside the known load (unless fixed parts
        of it are shared out) and beside the live load.
    """
    first, last = minute_of(start), minute_of(end - start.resolution) + 1
    claimed = {name: highest_in_minutes(spans, first, last) for name, spans in others.items()}

    def beside(left: NDArray[np.float64] | float, points: frozenset[str]) -> NDArray[np.float64]:
        taken = sum(amps for name, amps in claimed.items() if name in points)
        return np.full(last - first, left) - taken

    least = np.full(last - first, np.inf)
    for limit in limits_of(file) if shares_by_plan(file) else ():
        if charge_point in limit.points:
            left = left_under(file, limit, first, last)
            least = np.minimum(least, beside(left, limit.points))
    for phase in by_load:
        if charge_point in phase.points:
            least = np.minimum(least, np.maximum(kept_amps, beside(phase.amps, phase.points)))
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
