"""Assume a state of charge for a vehicle that does not report one. Pure.

It is what the vehicle last left with, less what it usually uses in the time that it was away. If
that is not known, because the daemon was not there yet, it is what its last departure wants, less
what that trip uses; if the file does not say either, what it assumes. The meter counts on from
there.
"""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from daemon.control.state import (
    SOC_SOURCES,
    SocFact,
    assumed_soc_percent,
    register_wh_at,
    soc_to_plan_percent,
    vehicle_of,
)
from planners.local_time.departures import departures_between

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState

REMEMBERED = timedelta(days=14)
"""A state of charge that the vehicle left with longer ago proves nothing."""

SHORT = timedelta(minutes=5)
"""A vehicle that was away no longer than this was not driven."""

WHOLE = timedelta(hours=2)
"""A vehicle that was away this long has made its trip."""

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
        return SocFact(_declared_percent(vehicle, now, file), now, "assumed", wh)
    return SocFact(percent, now, "recalled", wh)


def left_with_now(state: PointState, now: datetime, file: HouseholdFile) -> SocFact | None:
    """Return what a vehicle leaves with now, to take a trip off once it is back.

    Parameters
    ----------
    state : PointState
        What is known of the charge point.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    SocFact or None
        None if it is not known, or only an assumption from moments ago, as after a start.
    """
    percent, soc = soc_to_plan_percent(state, file, now), state.soc
    if percent is None or soc is None or (soc.source == "assumed" and now - soc.at <= SHORT):
        return None
    return SocFact(percent, now, "counted", None)


def explain_unreported(state: PointState, file: HouseholdFile) -> tuple[str, ...]:
    """Say where the assumed state of charge comes from.

    Parameters
    ----------
    state : PointState
        What is known of the charge point.
    file : HouseholdFile
        The household.

    Returns
    -------
    tuple of str
        A sentence; nothing if the state of charge was reported.
    """
    soc = state.soc
    if soc is None or soc.source not in {"recalled", "assumed"}:
        return ()
    words, vehicle = SOC_SOURCES[soc.source], vehicle_of(state, file)
    if soc.source == "assumed" and vehicle and soc.percent != assumed_soc_percent(file, vehicle):
        words = "what its last departure wants less what that trip uses, by the household file"
    return (f"No state of charge is reported: {soc.percent:.0f} % is {words}.",)


def _recalled_percent(
    left: SocFact | None, vehicle: str, now: datetime, file: HouseholdFile
) -> float | None:
    """Take off what was used since it left; None if that is not declared."""
    if left is None or not timedelta(0) <= now - left.at <= REMEMBERED:
        return None
    percent = left.percent
    for kwh, share in _used_since(left, vehicle, now, file):
        if kwh is not None:
            percent -= share * 100 * kwh / file.vehicles[vehicle].usable_kwh
        elif share < 1:
            # After a longer time it comes back with what the file assumes.
            percent -= share * max(0.0, percent - assumed_soc_percent(file, vehicle))
        else:
            return None
    return max(0.0, percent)


def _declared_percent(vehicle: str, now: datetime, file: HouseholdFile) -> float:
    """Take the use of a trip that is just over off what its departure wants, if it is declared."""
    car, assumed = file.vehicles[vehicle], assumed_soc_percent(file, vehicle)
    trip = next(reversed(departures_between(file, vehicle, now - REMEMBERED, now)), None)
    if trip is None or trip.uses_kwh is None or now < (trip.returns or trip.instant + WHOLE):
        return assumed
    percent = max(0.0, trip.want_percent - 100 * trip.uses_kwh / car.usable_kwh)
    # Nobody saw with how much it left: of two figures in the file the lower one counts.
    return percent if car.arrives_with_percent is None else min(percent, assumed)


def _used_since(
    left: SocFact, vehicle: str, now: datetime, file: HouseholdFile
) -> list[tuple[float | None, float]]:
    """List what each trip since it left uses [kWh], and which share of that is used by now."""
    trips = departures_between(file, vehicle, left.at - LATE, now)
    if not trips:  # a usual day's driving is the trip
        return [(file.vehicles[vehicle].daily_kwh, _share_used(left.at, None, now))]
    return [
        (
            trip.uses_kwh,
            _share_used(
                left.at if trip.instant <= left.at + LATE else trip.instant, trip.returns, now
            ),
        )
        for trip in trips
    ]


def _share_used(leaves: datetime, returns: datetime | None, now: datetime) -> float:
    """Return the share of a trip's use that is used by now."""
    # It grows evenly until the trip is over: after `WHOLE`, or at its declared return if sooner.
    begins, ends = leaves + SHORT, leaves + WHOLE
    if returns is not None and returns > begins:
        ends = min(ends, returns)
    return min(1.0, max(timedelta(0), now - begins) / (ends - begins))
