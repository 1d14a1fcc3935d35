"""Find departures as the rows of a household file declare them."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING

from config.household.household_file import WEEKDAYS
from planners.local_time.conversion import instant_of_local, local_date
from planners.local_time.remembering import remembered

if TYPE_CHECKING:
    from decimal import Decimal

    from config.household.household_file import Departure, HouseholdFile

DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True)
class DepartureAt:
    """One departure of one vehicle.

    Attributes
    ----------
    vehicle : str
        Name of the vehicle.
    instant : datetime
        When it leaves, UTC.
    ready_by : datetime
        When it must be charged: the instant less the margin, UTC.
    need_percent : float
        State of charge needed at any price [percent].
    want_percent : float
        State of charge wanted at `max_rate` or less; at least the need [percent].
    max_rate : Decimal or None
        Highest rate for what is wanted beyond the need [currency per kWh]; None for no limit.
    returns : datetime or None
        When it is back and plugged in, UTC; None if unknown.
    uses_kwh : float or None
        Battery energy that the trip uses [kWh]; None if unknown.
    wish : str or None
        Id of the person's wish that changed or added it; None if it is as the file says.
    event : str or None
        Title of the calendar's event that it is, or that changed it; None if it is none.
    """

    vehicle: str
    instant: datetime
    ready_by: datetime
    need_percent: float
    want_percent: float
    max_rate: Decimal | None
    returns: datetime | None = None
    uses_kwh: float | None = None
    wish: str | None = None
    event: str | None = None


def declared_between(
    file: HouseholdFile, vehicle: str, start: datetime, end: datetime
) -> tuple[DepartureAt, ...]:
    """List a vehicle's departures as the rows of the file declare them.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Name of the vehicle.
    start, end : datetime
        Aware; a departure at `start` is included, one at `end` is not.

    Returns
    -------
    tuple of DepartureAt
        In order of time.
    """
    if end <= start:
        return ()
    first, last = _possible_dates(file, vehicle)
    # A local time that the clock skips may be an instant of the next date.
    day = max(first, local_date(start, file.zone) - DAY)
    last = min(last, local_date(end, file.zone))
    found: list[DepartureAt] = []
    while day <= last:
        departure = declared_on(file, vehicle, day)
        if departure is not None and start <= departure.instant < end:
            found.append(departure)
        day += DAY
    return tuple(found)


@remembered
def _possible_dates(file: HouseholdFile, vehicle: str) -> tuple[date, date]:
    """Return the first and the last local date on which a vehicle may leave, in this order."""
    rows = _rows_of(file, vehicle)
    if any(row.days for row in rows):
        return date.min, date.max
    dates = [row.date for row in rows if row.date]
    return min(dates, default=date.max), max(dates, default=date.min)


@remembered
def _rows_of(file: HouseholdFile, vehicle: str) -> tuple[Departure, ...]:
    return tuple(row for row in file.departures if row.vehicle == vehicle)


@remembered
def declared_on(file: HouseholdFile, vehicle: str, day: date) -> DepartureAt | None:
    """Return what the rows of the file declare for a local date; the row of that date, if any."""
    row = _row_on(file, vehicle, day)
    return None if row is None else _departure_at(file, row, day)


def _row_on(file: HouseholdFile, vehicle: str, day: date) -> Departure | None:
    """Return the row for a local date, else the row for its weekday."""
    rows = _rows_of(file, vehicle)
    weekday = WEEKDAYS[day.weekday()]
    dated = [row for row in rows if row.date == day]
    weekly = [row for row in rows if row.days is not None and weekday in row.days]
    return next(iter([*dated, *weekly]), None)


def _departure_at(file: HouseholdFile, row: Departure, day: date) -> DepartureAt:
    instant = instant_of_local(day, row.at, file.zone)
    return DepartureAt(
        vehicle=row.vehicle,
        instant=instant,
        ready_by=instant - file.margin(row.vehicle, row.margin_minutes),
        need_percent=row.need_percent,
        want_percent=file.want_percent(row),
        max_rate=row.max_rate,
        returns=_return_of(file, row, day, instant),
        uses_kwh=file.uses_kwh(row),
    )


def _return_of(file: HouseholdFile, row: Departure, day: date, leaves: datetime) -> datetime | None:
    """Return when a vehicle that left on a local date is back and plugged in."""
    if row.returns is not None:
        back = day if row.returns > row.at else day + DAY
        # Where the clock skips an hour, a short trip could return before it leaves.
        return max(leaves, instant_of_local(back, row.returns, file.zone))
    return usual_return(file, row.vehicle, day, leaves)


def usual_return(file: HouseholdFile, vehicle: str, day: date, leaves: datetime) -> datetime | None:
    """Return when a vehicle is back if nothing says so: when its plugged-in hours begin, if any.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Name of the vehicle.
    day : date
        Local date on which it leaves.
    leaves : datetime
        When, UTC.

    Returns
    -------
    datetime or None
        UTC; None if its charge point declares no such hours.
    """
    point = file.charge_points[file.vehicles[vehicle].charge_point]
    if point.plugged_in is None:
        return None
    begins = time(*divmod(point.plugged_in.start_minute, 60))
    starts = (instant_of_local(day + days * DAY, begins, file.zone) for days in range(3))
    return next(start for start in starts if start > leaves)
