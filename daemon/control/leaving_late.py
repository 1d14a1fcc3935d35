"""Tell whether a vehicle that leaves late still charges to the need that was out of reach. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import TYPE_CHECKING

from daemon.control.learning import JUST_EXPIRED
from daemon.control.state import FAULTS, FLOWING_WATTS, LONGEST_GAP, counted_soc_percent, vehicle_of
from planners.power.allowed_currents import amps_allowed

if TYPE_CHECKING:
    from config.household.household_file import HouseholdFile
    from daemon.control.state import House, PointState
    from planners.local_time.departures import DepartureAt

GOES_ON = timedelta(hours=1)
"""How long after its departure a vehicle goes on charging to its need."""


def leaves_late(state: PointState, house: House, now: datetime) -> DepartureAt | None:
    """Return the departure that is past, and whose need a charge in progress still goes on to.

    Parameters
    ----------
    state : PointState
        What is known.
    house : House
        The household file and the rates.
    now : datetime
        UTC.

    Returns
    -------
    DepartureAt or None
        None unless the charge that was in progress at the departure goes on, the vehicle is still
        there, its need is not met, the rest of the home leaves it a current, and less than
        `GOES_ON` has passed.
    """
    departure = would_leave_late(state, house.file, now)
    if departure is None:
        return None
    (allowed,) = amps_allowed(
        house.file, state.charge_point, departure.vehicle, now, now + datetime.resolution,
        allotted=house.allot(state, now).spans,
    )  # fmt: skip
    return departure if allowed.amps > 0 else None


def goes_on_until(state: PointState, house: House, now: datetime) -> datetime | None:
    """Return until when a vehicle that has not left charges on at the latest; None if it does not.

    Parameters
    ----------
    state : PointState
        What is known.
    house : House
        The household file and the rates.
    now : datetime
        UTC.

    Returns
    -------
    datetime or None
        UTC.
    """
    departure = leaves_late(state, house, now)
    return None if departure is None else departure.instant + GOES_ON


def would_leave_late(state: PointState, file: HouseholdFile, now: datetime) -> DepartureAt | None:
    """Return the same as `leaves_late`, but whether or not a current is left.

    Parameters
    ----------
    state : PointState
        What is known.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.

    Returns
    -------
    DepartureAt or None
        The departure that is past.
    """
    departure = state.night.departure if state.night is not None else None
    if departure is None or not departure.instant <= now < departure.instant + GOES_ON:
        return None
    command = state.command
    if command is None or command.do != "start" or command.valid_until < now - JUST_EXPIRED:
        return None
    soc = counted_soc_percent(state, file, now)
    if soc is None or soc >= departure.need_percent or not _may_go_on(state, departure, file, now):
        return None
    return departure


def _may_go_on(
    state: PointState, departure: DepartureAt, file: HouseholdFile, now: datetime
) -> bool:
    """Whether neither the vehicle nor a person stops the charge."""
    pauses = (state.wishes.skip_until, state.wishes.away_until)
    if state.stopped_itself or any(until is not None and now < until for until in pauses):
        return False
    return departure.vehicle == vehicle_of(state, file) and _is_there(state, now)


def _is_there(state: PointState, now: datetime) -> bool:
    """Whether a vehicle is there beyond doubt: hardware without a pilot state shows it by power."""
    if state.pilot is not None or not state.plugged_in:
        return state.plugged_in and state.pilot not in FAULTS
    is_new = state.watts_at is not None and now - state.watts_at < LONGEST_GAP
    return is_new and state.watts is not None and state.watts > FLOWING_WATTS
