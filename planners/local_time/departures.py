"""Find departures, returns and nights as instants, and plugged-in hours."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

from config.calendar.account_days import AccountChange
from config.household.household_file import WEEKDAYS
from planners.local_time.conversion import instant_of_local, local_date, wall_time
from planners.local_time.remembering import remembered

if TYPE_CHECKING:
    from decimal import Decimal
    from zoneinfo import ZoneInfo

    from config.calendar.account_days import AccountDay, AccountDays
    from config.household.household_file import ChargePoint, Departure, HouseholdFile

DAY = timedelta(days=1)
NOON = time(12)
MORNING = timedelta(hours=6)
"""How long before noon a person no longer means the night that is ending."""


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


def departures_between(
    file: HouseholdFile, vehicle: str, start: datetime, end: datetime
) -> tuple[DepartureAt, ...]:
    """List a vehicle's departures as the file declares them.

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
        departure = _declared_on(file, vehicle, day)
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


def night_of(instant: datetime, days: AccountDays) -> date:
    """Return the night of an instant: a day of the account, named by its first date.

    Parameters
    ----------
    instant : datetime
        Aware.
    days : AccountDays
        The days of the home's account: from noon to noon, or from midnight to midnight.

    Returns
    -------
    date
        Local date.
    """
    day = wall_time(instant, days.zone).date()
    return day if instant >= night_bounds(day, days)[0] else day - DAY


def coming_night(instant: datetime, days: AccountDays) -> date:
    """Return the night that a person means by "tonight": from six in the morning on, the next.

    Parameters
    ----------
    instant : datetime
        Aware.
    days : AccountDays
        The days of the home's account; where one ends at midnight, it is today.

    Returns
    -------
    date
        Local date on which it begins.
    """
    today = night_of(instant, days)
    return night_of(instant + MORNING, days) if days.end_of(today) == "noon" else today


@lru_cache(maxsize=256)
def night_bounds(night: date, days: AccountDays) -> tuple[datetime, datetime]:
    """Find when a night begins and ends.

    Parameters
    ----------
    night : date
        Local date on which it begins.
    days : AccountDays
        The days of the home's account.

    Returns
    -------
    tuple of datetime
        UTC: where the night before it ends, and where it ends itself, at the noon or the midnight
        that follows. The second is no longer part of it.
    """
    return _end_of(night - DAY, days), _end_of(night, days)


def with_account_day(days: AccountDays, ends: AccountDay, now: datetime) -> AccountDays:
    """Let the nights after this one end at another hour.

    Parameters
    ----------
    days : AccountDays
        The days of the account so far.
    ends : {"noon", "midnight"}
        When they shall end.
    now : datetime
        Aware; the night in progress ends as it was to end.

    Returns
    -------
    AccountDays
        The same days if they end so already. The next night is a shorter or a longer one.
    """
    tonight = night_of(now, days)
    begun = days._replace(changes=tuple(each for each in days.changes if each.first <= tonight))
    if begun.end_of(tonight) == ends:
        return begun
    return begun._replace(changes=(*begun.changes, AccountChange(tonight + DAY, ends)))


def _end_of(night: date, days: AccountDays) -> datetime:
    at = NOON if days.end_of(night) == "noon" else time.min
    return instant_of_local(night + DAY, at, days.zone)


def assumed_plugged_in(charge_point: ChargePoint, instant: datetime, zone: ZoneInfo) -> bool:
    """Tell whether a vehicle counts as plugged in, for hardware that can't tell.

    Parameters
    ----------
    charge_point : ChargePoint
        The charge point.
    instant : datetime
        Aware.
    zone : ZoneInfo
        The household's zone.

    Returns
    -------
    bool
        Whether the instant lies in its `plugged_in` hours; False if it declares none.
    """
    if charge_point.plugged_in is None:
        return False
    local = wall_time(instant, zone)
    return charge_point.plugged_in.contains(local.hour * 60 + local.minute)


@remembered
def _declared_on(file: HouseholdFile, vehicle: str, day: date) -> DepartureAt | None:
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
    point = file.charge_points[file.vehicles[row.vehicle].charge_point]
    if point.plugged_in is None:
        return None
    begins = time(*divmod(point.plugged_in.start_minute, 60))
    starts = (instant_of_local(day + days * DAY, begins, file.zone) for days in range(3))
    return next(start for start in starts if start > leaves)
