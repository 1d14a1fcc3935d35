"""Find coming departures: those of the file, changed and added to by a person's wishes."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

from config.household.departure import MARGIN_MINUTES
from planners.local_time.calendar_departures import SAME_DEPARTURE
from planners.local_time.departures import DAY, DepartureAt, departures_between
from planners.local_time.remembering import remembered

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.household.household_file import HouseholdFile

DAYS_AHEAD = 370
"""How far ahead to look [days]: a little more than a year."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What a person wants of a vehicle for one departure, once.

    Attributes
    ----------
    id : str
        Distinguishes it from the other wishes of the charge point.
    vehicle : str
        Name of the vehicle.
    by : datetime
        When the vehicle must be ready, UTC.
    need_percent, want_percent : float or None
        State of charge needed and wanted; None for what the file says [percent].
    """

    id: str
    vehicle: str
    by: datetime
    need_percent: float | None = None
    want_percent: float | None = None


def declared_near(file: HouseholdFile, vehicle: str, by: datetime) -> DepartureAt | None:
    """Return the departure of the file, or of a calendar, that a wish for an instant is for.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Name of the vehicle.
    by : datetime
        Aware.

    Returns
    -------
    DepartureAt or None
        The nearest one; None if none is within `SAME_DEPARTURE`.
    """
    latest = by + SAME_DEPARTURE + datetime.resolution
    near = departures_between(file, vehicle, by - SAME_DEPARTURE, latest)
    return min(near, key=lambda each: abs(each.instant - by), default=None)


def ready_by_of(file: HouseholdFile, vehicle: str, departure: datetime) -> datetime:
    """Return by when a vehicle must be charged for a departure.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Name of the vehicle.
    departure : datetime
        Instant of the departure, of the file or as a person wished it; UTC.

    Returns
    -------
    datetime
        The departure less the margin of the one that the file declares near it, else the usual one.
    """
    declared = declared_near(file, vehicle, departure)
    return departure - (_margin(declared) if declared else file.margin(vehicle, MARGIN_MINUTES))


def coming_departures(
    file: HouseholdFile,
    vehicle: str,
    start: datetime,
    end: datetime,
    wishes: Sequence[Wish] = (),
) -> tuple[DepartureAt, ...]:
    """List a vehicle's departures as the file and a person's wishes have them.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Name of the vehicle.
    start, end : datetime
        Aware; a departure at `start` is included, one at `end` is not.
    wishes : sequence of Wish
        Of any vehicle; of two for one departure the later in the sequence counts.

    Returns
    -------
    tuple of DepartureAt
        In order of time, each with its margin. A wish within a trip of the file begins that trip
        later: until then the vehicle stays, so there is no margin before it.
    """
    own = [
        (wish, declared_near(file, vehicle, wish.by)) for wish in wishes if wish.vehicle == vehicle
    ]
    added = [wish.by for wish, declared in own if declared is None]
    changed = {
        declared.instant if declared else wish.by: _as_wished(
            wish, declared or _added(file, vehicle, wish.by)
        )
        for wish, declared in own
    }
    kept = [
        departure
        for departure in departures_between(file, vehicle, start, end)
        if departure.instant not in changed
    ]
    wished = [departure for departure in changed.values() if start <= departure.instant < end]
    found = sorted([*kept, *wished], key=lambda each: each.instant)
    return tuple(_staying(each, added) for each in found)


def next_departure(
    file: HouseholdFile, vehicle: str, after: datetime, wishes: Sequence[Wish] = ()
) -> DepartureAt | None:
    """Find a vehicle's next departure.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Name of the vehicle.
    after : datetime
        Aware; a departure at this instant counts as past.
    wishes : sequence of Wish
        A person's wishes.

    Returns
    -------
    DepartureAt or None
        The first within `DAYS_AHEAD`, if any.
    """
    kept = _last_found(file, vehicle, tuple(wishes))
    if kept and kept[0][0] <= after < kept[0][1].instant:
        return kept[0][1]  # it is the next one until it has passed
    start = after + datetime.resolution
    for first, last in pairwise((0, 2, *range(10, DAYS_AHEAD, 10), DAYS_AHEAD)):
        found = coming_departures(file, vehicle, start + first * DAY, start + last * DAY, wishes)
        if found:
            kept[:] = [(after, found[0])]
            return found[0]
    return None


@remembered
def _last_found(
    _file: HouseholdFile, _vehicle: str, _wishes: tuple[Wish, ...]
) -> list[tuple[datetime, DepartureAt]]:
    """Keep the departure that was found last, and after which instant."""
    return []


def departures_to_plan(
    file: HouseholdFile,
    vehicle: str,
    now: datetime,
    until: datetime,
    wishes: Sequence[Wish] = (),
) -> tuple[DepartureAt, ...]:
    """List the departures that can be planned for together.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Name of the vehicle.
    now : datetime
        Aware; a departure at this instant counts as past.
    until : datetime
        Aware; how far to look.
    wishes : sequence of Wish
        A person's wishes.

    Returns
    -------
    tuple of DepartureAt
        The next one, whenever it is, and those after it that must be ready by `until`. The list
        ends after a departure of the file whose return or energy is unknown, or that returns too
        late for the following one to be ready: nobody knows the state of charge after it. After a
        departure that a wish adds outside of all trips, the vehicle counts as there: nothing says
        that it is away. It does so too before one that a wish adds within a trip.
    """
    departure = next_departure(file, vehicle, now, wishes)
    if departure is None:
        return ()
    found = [departure]
    # A departure must be ready at most a day before it leaves.
    after, end = departure.instant + datetime.resolution, until + DAY + datetime.resolution
    for following in coming_departures(file, vehicle, after, end, wishes):
        before = found[-1]
        is_known = before.returns is not None and before.uses_kwh is not None
        stays = _is_added(before, file) or _is_within_trip(following, file)
        if not (is_known or (before.returns is None and stays)):
            break
        if following.ready_by > until or (before.returns or before.instant) >= following.ready_by:
            break
        found.append(following)
    return tuple(found)


def _is_added(departure: DepartureAt, file: HouseholdFile) -> bool:
    """Whether a wish adds this departure to those of the file."""
    return (
        departure.wish is not None
        and declared_near(file, departure.vehicle, departure.instant) is None
    )


def _is_within_trip(departure: DepartureAt, file: HouseholdFile) -> bool:
    """Whether a wish adds this departure while the vehicle is away by the file."""
    if not _is_added(departure, file):
        return False
    return _added(file, departure.vehicle, departure.instant).returns is not None


def _added(file: HouseholdFile, vehicle: str, by: datetime) -> DepartureAt:
    """Return a departure that a wish adds, with what is left of the trip that it lies in."""
    trip = next(reversed(departures_between(file, vehicle, by - DAY, by)), None)
    ready_by = by - file.margin(vehicle, MARGIN_MINUTES)
    added = DepartureAt(vehicle, by, ready_by, 0.0, 0.0, None)
    if trip is None or trip.returns is None or trip.returns <= by:
        return added
    return replace(added, returns=trip.returns, uses_kwh=trip.uses_kwh)


def _staying(departure: DepartureAt, added: Sequence[datetime]) -> DepartureAt:
    """Leave out the trip of a departure, and its margin, if a wish says that the vehicle stays."""
    returns = departure.returns
    if returns is None or not any(departure.instant < by < returns for by in added):
        return departure
    return replace(departure, ready_by=departure.instant, returns=None, uses_kwh=None)


def _margin(departure: DepartureAt) -> timedelta:
    return departure.instant - departure.ready_by


def _as_wished(wish: Wish, base: DepartureAt) -> DepartureAt:
    """Return a departure of the file, or the one that a wish adds, with the wish's targets."""
    need, want = wish.need_percent, wish.want_percent
    if need is None:
        need = base.need_percent
    max_rate = base.max_rate
    if want is not None:
        # What a person asks for, they want at any price; only asking for a need lowers the need.
        want, max_rate = max(need, want), None
    elif base.want_percent > base.need_percent:
        want = max(need, base.want_percent)
    else:
        want = need  # the file has one target, and the wish replaces it
    is_back_later = base.returns is not None and base.returns > wish.by
    return replace(
        base,
        instant=wish.by,
        ready_by=wish.by - _margin(base),
        need_percent=need,
        want_percent=want,
        max_rate=max_rate,
        returns=base.returns if is_back_later else None,
        uses_kwh=base.uses_kwh if is_back_later else None,
        wish=wish.id,
    )
