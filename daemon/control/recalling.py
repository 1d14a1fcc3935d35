"""What to take for a state of charge that nobody reports. Pure.

What the vehicle left with last, less the usual use since then; where that is not known, what the
household file says. From there on the meter counts.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.state import SocFact, assumed_soc_percent, register_wh_at
from planners.local_time.departures import departures_between

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState

REMEMBERED = timedelta(days=14)
"""What a vehicle left with longer ago says nothing any more."""

LATE = timedelta(hours=2)
"""Who is to leave at an hour may have been gone for so long by then, or leave so much later."""


def soc_taken(state: PointState, vehicle: str, now: datetime, file: HouseholdFile) -> SocFact:
    """Give the state of charge of a vehicle that has come back and does not tell.

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


def why_taken(state: PointState) -> tuple[str, ...]:
    """Say where a state of charge is from that nobody has reported.

    Parameters
    ----------
    state : PointState
        What is known of the charge point.

    Returns
    -------
    tuple of str
        A sentence, where one is due.
    """
    if state.soc is None or state.soc.source not in {"recalled", "assumed"}:
        return ()
    source = (
        "what it left with last, less the usual use"
        if state.soc.source == "recalled"
        else "what the household file assumes"
    )
    return (f"No state of charge is reported: {state.soc.percent:.0f} % is {source}.",)


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
    """Add up the trips since it left; a trip that was not announced is a usual day's."""
    trips = departures_between(file, vehicle, left.at - LATE, now)
    if not trips:
        car = file.vehicles[vehicle]
        usual = (car.daily_distance_km, car.kwh_per_km)
        return None if usual[0] is None or usual[1] is None else usual[0] * usual[1]
    used = [trip.uses_kwh for trip in trips]
    return sum(kwh for kwh in used if kwh is not None) if None not in used else None
