"""List the trips of a calendar year, as a choices file declares them.

`planners.year.trip_draws` draws other years around them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from itertools import cycle
from typing import TYPE_CHECKING

from config.calendar.day_kinds import WEEKDAYS
from config.files.errors import UsageError
from planners.local_time.conversion import instant_of_local
from planners.vehicle.temperature import times_at

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping
    from zoneinfo import ZoneInfo

    from config.choices.choices_file import ChoicesFile
    from config.choices.temperature import MonthlyTemperature

DAY = timedelta(days=1)
LEAST_RECORD_DAYS = 28
"""Days that a ledger must span to represent a year: four of each weekday."""


@dataclass(frozen=True, slots=True)
class TripDay:
    """One trip, and the energy that it uses.

    Attributes
    ----------
    day : date
        Local date on which it begins.
    leaves, returns : datetime
        UTC.
    kwh : float
        Battery energy [kWh].
    """

    day: date
    leaves: datetime
    returns: datetime
    kwh: float


@dataclass(frozen=True, slots=True)
class DrivingYear:
    """The trips of a year.

    Attributes
    ----------
    trips : tuple of TripDay
        In order of time, at least one.
    next_leaves : datetime
        When the vehicle leaves after the last trip, UTC.
    kwh_per_km : float or None
        Battery energy used per distance, over the year [kWh per km]; None if it is not known.
    recorded_days : int or None
        Days of the year that the ledger holds; the others repeat earlier days of the same weekday.
        None if no ledger is used.
    """

    trips: tuple[TripDay, ...]
    next_leaves: datetime
    kwh_per_km: float | None
    recorded_days: int | None = None


def driving_of(file: ChoicesFile, used_wh: Mapping[date, int] | None = None) -> DrivingYear:
    """List the trips of the year.

    Parameters
    ----------
    file : ChoicesFile
        What is declared.
    used_wh : mapping of date to int, optional
        Energy that a ledger's nights metered for the vehicle, by the date on which each began
        [Wh]; needed if the file names a ledger.

    Returns
    -------
    DrivingYear
        The trips.

    Raises
    ------
    UsageError
        If the year has no trip, or the ledger holds too few days.
    """
    recorded: int | None = None
    days: Iterable[TripDay]
    if file.driving.ledger is not None:
        used, recorded = _year_of_record(file, used_wh or {})
        days = _recorded_trips(file, used)
    elif file.driving.distance_per_year is not None:
        days = _even_trips(file, file.driving.distance_per_year.km)
    else:
        days = _listed_trips(file)
    trips = tuple(sorted(days, key=lambda trip: trip.leaves))
    if not trips:
        raise UsageError(f"driving: expected at least one trip in {file.appraisal.year}, got none")
    per_km = file.vehicle.kwh_per_km
    if file.appraisal.temperature is not None and file.driving.ledger is None:
        mild_kwh = sum(trip.kwh for trip in trips)
        trips = tuple(_at_temperature(file.appraisal.temperature, trip) for trip in trips)
        kwh = sum(trip.kwh for trip in trips)
        per_km = per_km * kwh / mild_kwh if per_km is not None and mild_kwh else per_km
    return DrivingYear(trips, _next_leaves(file, trips), per_km, recorded)


def _at_temperature(year: MonthlyTemperature, trip: TripDay) -> TripDay:
    """Let a trip use what it does at the mean temperature of its month."""
    celsius = year.monthly_mean_celsius[trip.day.month - 1]
    return replace(trip, kwh=trip.kwh * times_at(celsius, year.declared_at_celsius))


def days_of_year(year: int) -> list[date]:
    """List the dates of a calendar year."""
    first = date(year, 1, 1)
    return [first + n * DAY for n in range((date(year + 1, 1, 1) - first).days)]


def _even_trips(file: ChoicesFile, km: float) -> list[TripDay]:
    days = [day for day in days_of_year(file.appraisal.year) if _drives(file, day)]
    kwh_per_km = file.vehicle.kwh_per_km or 0.0
    return [_trip(file, day, km / len(days) * kwh_per_km) for day in days]


def _drives(file: ChoicesFile, day: date) -> bool:
    days = file.driving.days
    return not days or WEEKDAYS[day.weekday()] in days


def _listed_trips(file: ChoicesFile) -> Iterator[TripDay]:
    kwh_per_km = file.vehicle.kwh_per_km or 0.0
    single = {trip.date: trip for trip in file.driving.trips if trip.date is not None}
    weekly = {day: trip for trip in file.driving.trips for day in trip.days or ()}
    for day in days_of_year(file.appraisal.year):
        trip = single.get(day) or weekly.get(WEEKDAYS[day.weekday()])
        if trip is not None:
            kwh = trip.distance.km * kwh_per_km
            yield _trip(file, day, kwh, trip.leaves, trip.returns)


def _year_of_record(file: ChoicesFile, used_wh: Mapping[date, int]) -> tuple[dict[date, int], int]:
    """Return the use of each day: recorded, or of a like weekday in turn."""
    span = (max(used_wh) - min(used_wh)).days + 1 if used_wh else 0
    if span < LEAST_RECORD_DAYS:
        raise UsageError(
            f"driving: expected a ledger with nights of at least {LEAST_RECORD_DAYS} days,"
            f" got {span}"
        )
    record = {day: used_wh.get(day, 0) for day in (min(used_wh) + n * DAY for n in range(span))}
    like = {n: cycle([wh for day, wh in record.items() if day.weekday() == n]) for n in range(7)}
    days = days_of_year(file.appraisal.year)
    used = {day: record[day] if day in record else next(like[day.weekday()]) for day in days}
    return used, sum(day in record for day in days)


def _recorded_trips(file: ChoicesFile, used_wh: Mapping[date, int]) -> list[TripDay]:
    stored = file.vehicle.charging_efficiency_percent / 100 / 1000
    return [_trip(file, day, wh * stored) for day, wh in used_wh.items() if wh > 0]


def _trip(
    file: ChoicesFile,
    day: date,
    kwh: float,
    leaves: time | None = None,
    returns: time | None = None,
) -> TripDay:
    at, back = leaves or file.driving.leaves, returns or file.driving.returns
    if at is None or back is None:
        raise ValueError(f"no times for the trip of {day}")
    back_on = day if back > at else day + DAY
    zone = file.zone
    return TripDay(day, instant_of_local(day, at, zone), instant_of_local(back_on, back, zone), kwh)


def _next_leaves(file: ChoicesFile, trips: tuple[TripDay, ...]) -> datetime:
    """Find when the vehicle first leaves in the next year, in an ordinary week."""
    last = trips[-1]
    for day in (date(file.appraisal.year + 1, 1, 1) + n * DAY for n in range(7)):
        leaves = _ordinary_leaves(file, day)
        if leaves is not None:
            instant = instant_of_local(day, leaves, file.zone)
            if instant > last.returns:
                return instant
    return last.returns + DAY


def _ordinary_leaves(file: ChoicesFile, day: date) -> time | None:
    for trip in file.driving.trips:
        if WEEKDAYS[day.weekday()] in (trip.days or ()):
            return trip.leaves or file.driving.leaves
    if file.driving.trips:
        return None
    return file.driving.leaves if _drives(file, day) else None


def local_midnight(day: date, zone: ZoneInfo) -> datetime:
    """Return the first instant of a local date, UTC."""
    return instant_of_local(day, time.min, zone)
