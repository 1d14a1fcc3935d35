"""Rules between trips: one a day, in the year, back before the next one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from config.calendar.day_kinds import WEEKDAYS
from config.fields.key_problems import KeyProblem
from config.household.departure import days_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from config.choices.driving import Trip

_ANY_YEAR = 2027
_DAY = timedelta(days=1)


@dataclass(frozen=True)
class Week:
    """Trips that are valid in themselves, and the times for all trips.

    Attributes
    ----------
    trips : mapping of int to Trip
        By their index in the file.
    leaves, returns : time or None
        Local times for trips that give none; None if unknown.
    year : int or None
        The appraised year, if it is known.
    """

    trips: Mapping[int, Trip]
    leaves: time | None
    returns: time | None
    year: int | None


def trip_problems(week: Week) -> Iterator[KeyProblem]:
    """Find the broken rules between trips.

    Parameters
    ----------
    week : Week
        The trips.

    Yields
    ------
    KeyProblem
        With its path from the part that has ``trips``.
    """
    yield from _repeated_days(week)
    for index, trip in week.trips.items():
        if trip.date is not None and week.year is not None and trip.date.year != week.year:
            message = f"expected a date in {week.year}, got {trip.date}"
            yield KeyProblem(("trips", index, "date"), message)
    yield from _late_returns(week)


def _repeated_days(week: Week) -> Iterator[KeyProblem]:
    seen: dict[object, int] = {}
    for index, trip in week.trips.items():
        for path, day in days_of(trip.days, trip.date):
            first = seen.setdefault(day, index)
            if first != index:
                message = f"expected one trip a day, got {day} again after trips[{first}]"
                yield KeyProblem(("trips", index, *path), message)


def _late_returns(week: Week) -> Iterator[KeyProblem]:
    """Find trips that return after the next one leaves, each pair of trips once."""
    reported: set[tuple[int, int]] = set()
    trips = _trips_of_days(week)
    for (day, one), (next_day, other) in pairwise(trips.items()):
        back, leaves = _overnight_return(week, one), week.trips[other].leaves or week.leaves
        if next_day - day > _DAY or back is None or leaves is None or back <= leaves:
            continue
        if (one, other) not in reported:
            reported.add((one, other))
            at = (one, "returns") if week.trips[one].returns else (one,)
            yield KeyProblem(("trips", *at), _too_late(back, next_day, other, leaves))


def _too_late(back: time, day: date, other: int, leaves: time) -> str:
    return (
        f"expected to be back before trips[{other}] leaves at {leaves:%H:%M} the next day "
        f"({day}), got {back:%H:%M}"
    )


def _trips_of_days(week: Week) -> dict[date, int]:
    """Find the trip of each day that has one, in order of days."""
    single = {trip.date: index for index, trip in week.trips.items() if trip.date}
    weekly = {day: index for index, trip in week.trips.items() for day in trip.days or ()}
    year = week.year or _ANY_YEAR
    first, last = date(year, 1, 1), date(year, 12, 31)
    days = (first + n * _DAY for n in range((last - first).days + 1))
    found = ((day, single.get(day, weekly.get(WEEKDAYS[day.weekday()]))) for day in days)
    return {day: index for day, index in found if index is not None}


def _overnight_return(week: Week, index: int) -> time | None:
    """Return when a trip is back the next day; None if sooner, or unknown."""
    trip = week.trips[index]
    leaves, returns = trip.leaves or week.leaves, trip.returns or week.returns
    if leaves is None or returns is None or returns > leaves:
        return None
    return returns
