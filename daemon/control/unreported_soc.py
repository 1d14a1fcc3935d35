"""Assume a state of charge for a vehicle that does not report one. Pure.

It is what the vehicle last left with, less the usual use since then; if that is not known, what the
household file says. The meter counts on from there.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.state import SOC_SOURCES, SocFact, assumed_soc_percent, register_wh_at
from planners.local_time.departures import departures_between

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState

REMEMBERED = timedelta(days=14)
"""A state of charge that the vehicle left with longer ago proves nothing."""

LATE = timedelta(hours=2)
"""A vehicle may leave this much earlier or later than its departure."""


def unreported_soc(state: PointState, vehicle: str, now: datetime, file: HouseholdFile) -> SocFact:
    """Return the state of charge to assume for a vehicle that came back.

    Parameters
    ----------
    state : PointState
        What is known of the charge point.
    vehicle : str
        Which vehicle is there.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    SocFact
        Its source is ``"recalled"`` or ``"assumed"``.
    """
    wh = register_wh_at(state, now)
    percent = _recalled_percent(state.left_with, vehicle, now, file)
    if percent is None:
        return SocFact(assumed_soc_percent(file, vehicle), now, "assumed", wh)
    return SocFact(percent, now, "recalled", wh)


def explain_unreported(state: PointState) -> tuple[str, ...]:
    """Say where the assumed state of charge comes from.

    Parameters
    ----------
    state : PointState
        What is known of the charge point.

    Returns
    -------
    tuple of str
        A sentence; nothing if the state of charge was reported.
    """
    soc = state.soc
    if soc is None or soc.source not in {"recalled", "assumed"}:
        return ()
    return (f"No state of charge is reported: {soc.percent:.0f} % is {SOC_SOURCES[soc.source]}.",)


def _recalled_percent(
    left: SocFact | None, vehicle: str, now: datetime, file: HouseholdFile
) -> float | None:
    if left is None or not timedelta(0) <= now - left.at <= REMEMBERED:
        return None
    used_kwh = _used_kwh(left, vehicle, now, file)
    if used_kwh is None:
        return None
    return max(0.0, left.percent - 100 * used_kwh / file.vehicles[vehicle].usable_kwh)


def _used_kwh(left: SocFact, vehicle: str, now: datetime, file: HouseholdFile) -> float | None:
    """Add up the trips since it left; without any, count a usual day's driving."""
    trips = departures_between(file, vehicle, left.at - LATE, now)
    if not trips:
        car = file.vehicles[vehicle]
        usual = (car.daily_distance_km, car.kwh_per_km)
        return None if usual[0] is None or usual[1] is None else usual[0] * usual[1]
    used = [trip.uses_kwh for trip in trips]
    return sum(kwh for kwh in used if kwh is not None) if None not in used else None
