"""Tell the carbon of a night's energy, and of charging at once. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from math import ceil
from typing import TYPE_CHECKING, Any

from planners.accounts.accounts import energy_until, exact_kwh
from planners.carbon.caused import caused
from planners.local_time.conversion import MINUTE, instant_of, minute_of

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from daemon.nights.metered import NightMeters
    from planners.accounts.register import RegisterReading
    from planners.accounts.same_energy import NightSlot, RuleCost
    from planners.carbon.outlook import CarbonOutlook

HOUR = timedelta(hours=1)
_EXACT = Decimal("0.000001")


def night_carbon_values(  # noqa: PLR0917 - each is another kind of thing
    outlook: CarbonOutlook | None,
    bounds: tuple[datetime, datetime],
    readings: Sequence[RegisterReading],
    max_kw: float,
    meters: NightMeters,
    at_once: RuleCost | None,
) -> dict[str, Any]:
    """Make the record of a night's carbon.

    Parameters
    ----------
    outlook : CarbonOutlook or None
        The intensities; None if the household declares none.
    bounds : tuple of datetime
        The bounds of the night, UTC.
    readings : sequence of RegisterReading
        The meter's register, without impossible readings.
    max_kw : float
        Highest power that could flow [kW].
    meters : NightMeters
        What came from the home's own generation.
    at_once : RuleCost or None
        What charging at once would have been; None if it is not known.

    Returns
    -------
    dict
        JSON values under the key ``carbon``; `kg` and `at_once_kg` are None if they are unknown.
        Empty without an outlook.
    """
    if outlook is None:
        return {}
    unknown = {"kind": outlook.carbon.kind, "kg": None, "at_once_kg": None}
    if not outlook.is_known:
        return {"carbon": unknown | {"estimated_kwh": exact_kwh(0)}}
    until, roof = energy_until(readings, max_kw), meters.roof
    roof_wh = None if roof is None else roof.between
    found = caused(outlook, *bounds, lambda start, end: until(end) - until(start), roof_wh)
    at_once_kg = None if at_once is None else at_once.grams.scaleb(-3).quantize(_EXACT)
    known = {"kg": found.kg, "at_once_kg": at_once_kg}
    return {"carbon": unknown | known | {"estimated_kwh": exact_kwh(found.estimated_wh)}}


def with_carbon(
    slots: tuple[NightSlot, ...], outlook: CarbonOutlook | None
) -> tuple[NightSlot, ...]:
    """Give the slots of a night their carbon intensities; the same slots if none is known."""
    if outlook is None or not outlook.is_known or not slots:
        return slots
    last = slots[-1]
    first = minute_of(slots[0].start)
    grams, _ = outlook.grams(first, minute_of(last.start + last.hours * HOUR) + 1)
    found = []
    for slot in slots:
        begins = (slot.start - instant_of(first)) / MINUTE
        minutes = grams[int(begins) : max(int(begins) + 1, ceil(begins + slot.hours * 60))]
        mean = Decimal(repr(float(minutes.mean())))
        roof = mean if outlook.counts_roof else Decimal(0)
        found.append(replace(slot, grid_grams=mean, roof_grams=roof))
    return tuple(found)


def carbon_is_known(outlook: CarbonOutlook | None, start: datetime, end: datetime) -> bool:
    """Whether every intensity of some time is known, none estimated."""
    if outlook is None or not outlook.is_known:
        return False
    return not outlook.grams(minute_of(start), minute_of(end) + 1)[1].any()
