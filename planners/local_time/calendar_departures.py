"""Turn events of calendars into departures, and find which rows of the file they hide.

An event within an hour of a departure of the file changes that one; any other adds one. While an
event lasts, and on the days of one of whole days, no departure of the file takes place.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, time, timedelta
from typing import TYPE_CHECKING, NamedTuple

from config.events.found import DaysEvent, TripEvent
from config.household.departure import MARGIN_MINUTES
from planners.local_time.conversion import instant_of_local, local_date
from planners.local_time.declared_departures import (
    DepartureAt,
    declared_between,
    declared_on,
    usual_return,
)
from planners.local_time.remembering import remembered

if TYPE_CHECKING:
    from datetime import date
    from zoneinfo import ZoneInfo

    from config.household.household_file import HouseholdFile

SAME_DEPARTURE = timedelta(hours=1)
"""A wish or an event this near to a departure of the file is for that departure."""


@dataclass(frozen=True, slots=True)
class EventsOfVehicle:
    """What the calendars say of one vehicle.

    Attributes
    ----------
    departures : tuple of DepartureAt
        In order of time.
    replaced : frozenset of datetime
        The departures of the file that events change.
    trips : tuple of tuple of datetime
        From when to when the vehicle is away by an event.
    days_off : tuple of tuple of date
        Days without departures of the file; the second is the day after the last.
    """

    departures: tuple[DepartureAt, ...]
    replaced: frozenset[datetime]
    trips: tuple[tuple[datetime, datetime], ...]
    days_off: tuple[tuple[date, date], ...]

    def hides(self, departure: DepartureAt, zone: ZoneInfo) -> bool:
        """Whether a departure of the file does not take place as the file says."""
        instant, day = departure.instant, local_date(departure.instant, zone)
        return (
            instant in self.replaced
            or any(leaves < instant < returns for leaves, returns in self.trips)
            or any(first <= day < end for first, end in self.days_off)
        )


class _Placed(NamedTuple):
    """An event, when the vehicle leaves and returns by it, and the file's departure it is for."""

    event: TripEvent | DaysEvent
    leaves: datetime
    returns: datetime | None
    near: DepartureAt | None


@remembered
def events_of(file: HouseholdFile, vehicle: str) -> EventsOfVehicle | None:
    """Return what the calendars say of a vehicle.

    Parameters
    ----------
    file : HouseholdFile
        The household, with its events.
    vehicle : str
        Name of the vehicle.

    Returns
    -------
    EventsOfVehicle or None
        None if they say nothing of it.
    """
    trips = [each for each in file.events.trips if each.vehicle == vehicle]
    days = [each for each in file.events.days if each.vehicle == vehicle]
    if not trips and not days:
        return None
    placed = [
        *(_placed(file, each) for each in trips),
        *(_placed_days(file, each) for each in days if each.is_trip),
    ]
    own = _nearest_only(placed)
    found: dict[datetime, DepartureAt] = {}
    for each in own:
        departure = _departure(file, each)
        known = found.get(departure.instant)
        if known is None or departure.need_percent > known.need_percent:
            found[departure.instant] = departure
    return EventsOfVehicle(
        tuple(found[instant] for instant in sorted(found)),
        frozenset(each.near.instant for each in own if each.near is not None),
        tuple((each.leaves, each.returns) for each in own if each.returns is not None),
        tuple((each.first, each.end) for each in days if not each.is_trip),
    )


def _placed(file: HouseholdFile, event: TripEvent) -> _Placed:
    latest = event.leaves + SAME_DEPARTURE + datetime.resolution
    near = declared_between(file, event.vehicle, event.leaves - SAME_DEPARTURE, latest)
    nearest = min(near, key=lambda each: abs(each.instant - event.leaves), default=None)
    return _Placed(event, event.leaves, event.returns, nearest)


def _placed_days(file: HouseholdFile, event: DaysEvent) -> _Placed:
    """Let a trip of several days begin when the vehicle usually leaves on the first of them."""
    near = declared_on(file, event.vehicle, event.first)
    begins = instant_of_local(event.first, time(), file.zone)
    returns = instant_of_local(event.end, time(), file.zone)
    return _Placed(event, begins if near is None else near.instant, returns, near)


def _nearest_only(placed: list[_Placed]) -> list[_Placed]:
    """Let each departure of the file be changed by the nearest event alone; others add theirs."""
    best: dict[datetime, _Placed] = {}
    for each in placed:
        if each.near is not None:
            known = best.setdefault(each.near.instant, each)
            if _distance(each) < _distance(known):
                best[each.near.instant] = each
    return [
        each if each.near is None or best[each.near.instant] is each else each._replace(near=None)
        for each in placed
    ]


def _distance(placed: _Placed) -> timedelta:
    return abs(placed.near.instant - placed.leaves) if placed.near else timedelta.max


def _departure(file: HouseholdFile, placed: _Placed) -> DepartureAt:
    event, leaves, near = placed.event, placed.leaves, placed.near
    vehicle = file.vehicles[event.vehicle]
    uses_kwh = None
    if event.uses_km is not None and vehicle.kwh_per_km is not None:
        uses_kwh = event.uses_km * vehicle.kwh_per_km
    need = event.need_percent
    if need is None and uses_kwh is not None:
        need = min(100.0, 100 * uses_kwh / vehicle.usable_kwh + event.reserve_percent)
    if near is None:
        default = event.default_percent
        need = need if need is not None else vehicle.limit_percent if default is None else default
        margin = file.margin(event.vehicle, MARGIN_MINUTES)
        day = local_date(leaves, file.zone)
        back = placed.returns or usual_return(file, event.vehicle, day, leaves)
        uses_kwh = vehicle.daily_kwh if uses_kwh is None else uses_kwh
        return DepartureAt(
            event.vehicle, leaves, leaves - margin, need, need, None, back, uses_kwh,
            event=event.title,
        )  # fmt: skip
    want = near.want_percent
    if need is not None:
        # Where the file has one target, the event replaces it.
        want = max(need, want) if want > near.need_percent else need
    is_back_later = near.returns is not None and near.returns > leaves
    return replace(
        near,
        instant=leaves,
        ready_by=leaves - (near.instant - near.ready_by),
        need_percent=near.need_percent if need is None else need,
        want_percent=want,
        returns=placed.returns or (near.returns if is_back_later else None),
        uses_kwh=near.uses_kwh if uses_kwh is None else uses_kwh,
        event=event.title,
    )
