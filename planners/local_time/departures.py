"""Find departures and nights as instants, and plugged-in hours."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

from config.calendar.account_days import AccountChange
from planners.local_time.calendar_departures import events_of
from planners.local_time.conversion import instant_of_local, wall_time
from planners.local_time.declared_departures import DAY, DepartureAt, declared_between

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from config.calendar.account_days import AccountDay, AccountDays
    from config.household.household_file import ChargePoint, HouseholdFile

__all__ = [
    "DAY",
    "DepartureAt",
    "assumed_plugged_in",
    "coming_night",
    "departures_between",
    "night_bounds",
    "night_of",
    "with_account_day",
]

NOON = time(12)
MORNING = timedelta(hours=6)
"""How long before noon a person no longer means the night that is ending."""


def departures_between(
    file: HouseholdFile, vehicle: str, start: datetime, end: datetime
) -> tuple[DepartureAt, ...]:
    """List a vehicle's departures as the file and the household's calendars declare them.

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
    declared = declared_between(file, vehicle, start, end)
    events = events_of(file, vehicle)
    if events is None:
        return declared
    kept = [each for each in declared if not events.hides(each, file.zone)]
    of_events = [each for each in events.departures if start <= each.instant < end]
    return tuple(sorted([*kept, *of_events], key=lambda each: each.instant))


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
