"""List what is planned: departures, and the hours in which the daemon means to charge. Pure."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from adapters.calendar_file.task import OWN_UID
from adapters.calendar_file.writing import WrittenEvent
from adapters.clocks.instants import parse_instant
from daemon.presentation.figures import local_time
from planners.accounts.money import format_money
from planners.local_time.wished_departures import coming_departures

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.state import Wishes
    from planners.local_time.departures import DepartureAt


@dataclass(frozen=True, slots=True)
class ChargingHours:
    """A stretch of time in which a charge point is to charge, without a break.

    Attributes
    ----------
    charge_point, vehicle : str
        Their names.
    start, end : datetime
        UTC.
    departure : datetime
        What it is for, UTC.
    number : int
        Which stretch before that departure, from 1.
    kwh, cost : float
        At the meter, tax included.
    currency : str
        Of the cost.
    """

    charge_point: str
    vehicle: str
    start: datetime
    end: datetime
    departure: datetime
    number: int
    kwh: float
    cost: float
    currency: str


def departures_ahead(
    file: HouseholdFile, wishes: Mapping[str, Wishes], now: datetime, end: datetime
) -> tuple[DepartureAt, ...]:
    """List the coming departures of all vehicles.

    Parameters
    ----------
    file : HouseholdFile
        The household, with what its calendars say.
    wishes : mapping of str to Wishes
        What a person asked for at each charge point.
    now, end : datetime
        From when, and until when.

    Returns
    -------
    tuple of DepartureAt
        In order of time.
    """
    found: list[DepartureAt] = []
    for name, vehicle in file.vehicles.items():
        asked = wishes.get(vehicle.charge_point)
        after = now if asked is None else asked.next_counts_after(now)
        asked_for = () if asked is None else asked.departures
        found += coming_departures(file, name, after, end, asked_for)
    return tuple(sorted(found, key=lambda each: (each.instant, each.vehicle)))


def charging_hours(
    charge_point: str, plan: Mapping[str, Any] | None, wishes: Wishes | None, now: datetime
) -> Iterator[ChargingHours]:
    """List when a charge point is to charge, by the plan that the daemon made last.

    Parameters
    ----------
    charge_point : str
        Its name.
    plan : mapping or None
        The plan as JSON values; None if there is none.
    wishes : Wishes or None
        What a person asked for.
    now : datetime
        UTC.

    Yields
    ------
    ChargingHours
        What is not over, and was not skipped by a person; in order of time.
    """
    if plan is None:
        return
    after = now
    if wishes is not None:
        after = max(now, *(each for each in (wishes.skip_until, wishes.away_until) if each), now)
    for night in (plan, *plan.get("later", ())):
        departure = parse_instant(night["departure"])
        if departure <= after:
            continue
        for number, run in enumerate(_runs(night["periods"]), 1):
            start, end = parse_instant(run[0]["start"]), parse_instant(run[-1]["end"])
            if end > after:
                yield ChargingHours(
                    charge_point, str(plan["vehicle"]), start, end, departure, number,
                    sum(float(each["kwh"]) for each in run),
                    sum(float(each["cost"]) for each in run), str(plan["currency"]),
                )  # fmt: skip


def written_events(
    file: HouseholdFile,
    departures: tuple[DepartureAt, ...],
    hours: tuple[ChargingHours, ...],
) -> Iterator[WrittenEvent]:
    """Give departures and charging hours as events of a calendar."""
    home = file.household.topic_level
    for each in departures:
        uid = _uid(home, each.vehicle, "leaves", each.instant.isoformat())
        title = f"{each.vehicle} leaves with {each.need_percent:.0f} %"
        source = "" if each.event is None else f"Of the calendar: {each.event}"
        yield WrittenEvent(uid, each.instant, each.returns, title, source)
    for stretch in hours:
        uid = _uid(
            home, stretch.charge_point, "charges", stretch.departure.isoformat(), stretch.number
        )
        cost = format_money(stretch.cost, stretch.currency)
        by = local_time(stretch.departure, file.zone, "%a %d %b %H:%M")
        yield WrittenEvent(
            uid, stretch.start, stretch.end, f"Charging {stretch.vehicle}",
            f"{stretch.kwh:.2f} kWh for {cost}, for the departure on {by}",
        )  # fmt: skip


def _uid(*parts: object) -> str:
    """Return the same identifier for the same thing in each export."""
    return hashlib.sha256("\n".join(map(str, parts)).encode()).hexdigest()[:32] + OWN_UID


def _runs(periods: list[Mapping[str, Any]]) -> Iterator[list[Mapping[str, Any]]]:
    """Join periods that follow one another, such as at two rates."""
    run: list[Mapping[str, Any]] = []
    for each in periods:
        if run and run[-1]["end"] != each["start"]:
            yield run
            run = []
        run.append(each)
    if run:
        yield run
