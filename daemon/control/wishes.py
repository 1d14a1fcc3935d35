"""Add a person's requests to the wishes made before, and drop those that are over. Pure."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from daemon.control.state import Wishes
from planners.local_time.conversion import MINUTE
from planners.local_time.wished_departures import Wish, declared_near, next_departure

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.contract.messages import Request
    from config.household.household_file import HouseholdFile
    from planners.local_time.departures import DepartureAt

CHARGE_NOW: Final = "charge_now"
SKIP_UNTIL: Final = "skip_until"
AWAY_UNTIL: Final = "away_until"

AWAY_NIGHTS: Final = timedelta(days=3)
"""How long before the departure after a time away charging may begin: late enough that the battery
is not kept full for a week, early enough to try again after a night with a fault."""


def wishes_with(
    wishes: Wishes, request: Request, vehicle: str | None, now: datetime, file: HouseholdFile
) -> Wishes:
    """Add a person's request to those made before.

    Parameters
    ----------
    wishes : Wishes
        The wishes before.
    request : Request
        The request now.
    vehicle : str or None
        The vehicle that it is for.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    Wishes
        With the newer of charging now and skipping, and one wish for each departure.
    """
    if request.clear:
        wishes = Wishes()
    if request.remove is not None:
        wishes = _without(wishes, request.remove)
    wishes = _with_pause(wishes, request, vehicle, now, file)
    if vehicle is None or (request.need_percent is None and request.want_percent is None):
        return wishes
    return replace(wishes, departures=_with_wish(wishes, request, vehicle, now, file))


def removable(wishes: Wishes) -> tuple[str, ...]:
    """Return what names each wish in force, for `remove`: its id, or its key in the status."""
    others = {
        CHARGE_NOW: wishes.charge_now,
        SKIP_UNTIL: wishes.skip_until is not None,
        AWAY_UNTIL: wishes.away_until is not None,
    }
    return (
        *(wish.id for wish in wishes.departures),
        *(name for name, in_force in others.items() if in_force),
    )


def _without(wishes: Wishes, name: str) -> Wishes:
    """Drop the wish with this name; see `removable`."""
    kept = tuple(wish for wish in wishes.departures if wish.id != name)
    return Wishes(
        departures=kept,
        charge_now=wishes.charge_now and name != CHARGE_NOW,
        skip_until=None if name == SKIP_UNTIL else wishes.skip_until,
        away_until=None if name == AWAY_UNTIL else wishes.away_until,
    )


def _with_pause(
    wishes: Wishes, request: Request, vehicle: str | None, now: datetime, file: HouseholdFile
) -> Wishes:
    """Take over what a person asks of the charging itself: now, not before an instant, away."""
    if request.charge_now is not None:
        skip_until = None if request.charge_now else wishes.skip_until
        wishes = replace(wishes, charge_now=request.charge_now, skip_until=skip_until)
    if request.away_until is not None:
        wishes = replace(wishes, away_until=request.away_until)
    skip_until = request.skip_until
    if request.stop and vehicle is not None:
        after = wishes.next_counts_after(now)
        departure = next_departure(file, vehicle, after, wishes.departures)
        skip_until = departure.instant if departure else None
    if skip_until is None:
        return wishes
    return replace(wishes, charge_now=False, skip_until=skip_until)


def opens_after_away(wishes: Wishes, departure: DepartureAt, now: datetime) -> datetime | None:
    """Return when charging may begin for a vehicle that stays at home while a person is away.

    Parameters
    ----------
    wishes : Wishes
        A person's wishes.
    departure : DepartureAt
        The first one that counts after the time away.
    now : datetime
        UTC.

    Returns
    -------
    datetime or None
        `AWAY_NIGHTS` before the vehicle must be ready; None if no time away is in force.
    """
    if wishes.away_until is None or wishes.away_until <= now:
        return None
    return departure.ready_by - AWAY_NIGHTS


def without_past(wishes: Wishes, now: datetime, file: HouseholdFile) -> Wishes:
    """Drop the wishes that are over.

    Parameters
    ----------
    wishes : Wishes
        A person's wishes.
    now : datetime
        UTC.
    file : HouseholdFile
        The household.

    Returns
    -------
    Wishes
        A wish ends at its instant; if it is for a later departure of the file, at that departure,
        so that the file's target does not return in between.
    """
    if not (wishes.departures or wishes.skip_until or wishes.away_until):
        return wishes
    left = tuple(wish for wish in wishes.departures if _ends(wish, file) > now)
    return replace(
        wishes,
        departures=left,
        skip_until=_not_past(wishes.skip_until, now),
        away_until=_not_past(wishes.away_until, now),
    )


def _not_past(until: datetime | None, now: datetime) -> datetime | None:
    return until if until is not None and until > now else None


def _ends(wish: Wish, file: HouseholdFile) -> datetime:
    if wish.vehicle not in file.vehicles:
        return wish.by
    declared = declared_near(file, wish.vehicle, wish.by)
    return wish.by if declared is None else max(wish.by, declared.instant)


def _with_wish(
    asked: Wishes, request: Request, vehicle: str, now: datetime, file: HouseholdFile
) -> tuple[Wish, ...]:
    """Add a wish, or change the one for the same departure."""
    wishes, by = asked.departures, request.by
    if by is None:
        departure = next_departure(file, vehicle, asked.next_counts_after(now), wishes)
        if departure is None:
            return wishes
        by = departure.instant
    if by <= now:
        return wishes
    same = next((wish for wish in wishes if _is_for(wish, vehicle, by, file)), None)
    if same is None:
        highest = max((int(wish.id) for wish in wishes), default=0)
        same = Wish(str(highest + 1), vehicle, by)
    need, want = _later_of(same, request)
    changed = replace(same, by=by, need_percent=need, want_percent=want)
    others = [wish for wish in wishes if wish.id != changed.id]
    return tuple(sorted([*others, changed], key=lambda wish: wish.by))


def _later_of(wish: Wish, request: Request) -> tuple[float | None, float | None]:
    """Return need and want, each as last asked for; the later one prevails if they contradict."""
    need, want = request.need_percent, request.want_percent
    if need is None and (want is None or (wish.need_percent or 0) <= want):
        need = wish.need_percent
    if want is None and (need is None or (wish.want_percent or 0) >= need):
        want = wish.want_percent
    return need, want


def _is_for(wish: Wish, vehicle: str, by: datetime, file: HouseholdFile) -> bool:
    """Whether a wish is for the same departure of the file as an instant, or the same minute."""
    if wish.vehicle != vehicle:
        return False
    declared, other = declared_near(file, vehicle, wish.by), declared_near(file, vehicle, by)
    if declared is None and other is None:
        return abs(wish.by - by) < MINUTE
    return declared == other
