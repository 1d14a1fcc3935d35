"""Add up the carbon that metered energy caused."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from planners.local_time.conversion import instant_of, minute_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from planners.carbon.outlook import CarbonOutlook

    WhBetween = Callable[[datetime, datetime], int]

_EXACT = Decimal("0.000001")


@dataclass(frozen=True, slots=True)
class Caused:
    """The carbon of some energy.

    Attributes
    ----------
    kg : Decimal
        What it caused [kg CO2e].
    estimated_wh : int
        Part of the energy whose intensity is an estimate [Wh].
    """

    kg: Decimal
    estimated_wh: int


def caused(
    outlook: CarbonOutlook,
    start: datetime,
    end: datetime,
    wh_between: WhBetween,
    roof_wh_between: WhBetween | None = None,
) -> Caused:
    """Add up the carbon of the energy that flowed in some time.

    An intensity is constant for minutes at least, so the energy of each such time counts at once:
    to the watt-hour, whenever in it the meter was read.

    Parameters
    ----------
    outlook : CarbonOutlook
        The intensities; some must be known.
    start, end : datetime
        UTC.
    wh_between : callable
        Returns the energy through the meter from one instant to another [Wh].
    roof_wh_between : callable, optional
        The part of it that came from the home's own roofs [Wh].

    Returns
    -------
    Caused
        Energy of the roofs counts by `CarbonOutlook.counts_roof`.
    """
    grams, estimated_wh = Decimal(0), 0
    if start >= end:
        return Caused(grams, estimated_wh)
    for run in outlook.runs(minute_of(start), minute_of(end) + 1):
        begins, ends = max(start, instant_of(run.first)), min(end, instant_of(run.last))
        if begins >= ends:
            continue
        wh = wh_between(begins, ends)
        roof_wh = roof_wh_between(begins, ends) if roof_wh_between else 0
        counted = wh - roof_wh + (roof_wh if outlook.counts_roof else 0)
        grams += (Decimal(repr(run.grams)) * counted).scaleb(-3)
        estimated_wh += counted if run.estimated else 0
    return Caused(grams.scaleb(-3).quantize(_EXACT), estimated_wh)
