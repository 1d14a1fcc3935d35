"""Find what the main fuse leaves beside the currents that charge points may already draw."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import chain, pairwise
from math import inf
from typing import TYPE_CHECKING

from planners.home.allotments import shares_by_plan, spans_of
from planners.local_time.conversion import minute_of
from planners.power.allowed_currents import AmpsSpan
from planners.power.main_fuse import FUSE_DIGITS
from planners.power.phases import left_under, limits_of

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile


@dataclass(frozen=True, slots=True)
class LeftByLoad:
    """The current that the home's live load leaves of a phase of the main fuse, or of its power.

    Attributes
    ----------
    amps : float
        For all charge points together; of the power in the sum of the phases [A].
    points : mapping of str to float
        The charge points that may load it, and how many times the current of each counts.
    load_amps : float
        What the rest of the home draws on the phase; of the power on the highest phase [A].
    of : str
        What it leaves it of, in words.
    by_grid : str
        What the grid operator allows, in words, if it is that and no load; else empty.
    """

    amps: float
    points: Mapping[str, float]
    load_amps: float = 0.0
    of: str = "of the main fuse"
    by_grid: str = ""


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
        From `start` to `end` without a gap; infinite if it shares nothing. The least of what is
        left of each phase beside the known load (unless fixed parts of it are shared out) and
        beside the live load.
    """
    first, last = minute_of(start), minute_of(end - start.resolution) + 1
    known = [
        (spans_of(left_under(file, limit, first, last), first, 1, first), limit.points)
        for limit in (limits_of(file) if shares_by_plan(file) else ())
        # What the grid operator allows counts as live: nobody waits until others give way to it.
        if charge_point in limit.points and limit.kind != "grid"
    ]
    live = [phase for phase in by_load if charge_point in phase.points]

    def left_at(at: datetime) -> float:
        claimed = {name: highest_at(spans, at) for name, spans in others.items()}

        def beside(amps: float, points: Mapping[str, float]) -> float:
            taken = sum(points[name] * claimed[name] for name in claimed if name in points)
            return (amps - taken) / points[charge_point]

        beside_known = [beside(highest_at(spans, at), points) for spans, points in known]
        beside_live = [max(kept_amps, beside(phase.amps, phase.points)) for phase in live]
        return max(0.0, round(min((*beside_known, *beside_live), default=inf), FUSE_DIGITS))

    spans = chain(*others.values(), *(spans for spans, _points in known))
    edges = {edge for span in spans for edge in (span.start, span.end) if start < edge < end}
    found: list[AmpsSpan] = []
    for since, until in pairwise([start, *sorted(edges), end]):
        amps = left_at(since)
        if found and found[-1].amps == amps:
            found[-1] = replace(found[-1], end=until)
        else:
            found.append(AmpsSpan(since, until, amps))
    return tuple(found)


def highest_at(spans: Iterable[AmpsSpan], at: datetime) -> float:
    """Return the highest current of spans at an instant; 0 where there is none [A per phase]."""
    return max((span.amps for span in spans if span.start <= at < span.end), default=0.0)
