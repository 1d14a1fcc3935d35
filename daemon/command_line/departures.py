"""The command `lullwatt departures`: what is planned, also as a calendar for a phone."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

import click

from adapters.calendar_file.writing import calendar_text
from adapters.clocks.clock import SystemClock
from adapters.ledger.stored_prices import stored_ledger
from daemon.calendar.export import charging_hours, departures_ahead, written_events
from daemon.nights.saved_state import read_saved
from daemon.presentation.figures import local_time
from daemon.presentation.options import AT_OPTION, FILE
from daemon.presentation.output import say, write_output
from daemon.service.house_loading import load_house
from planners.accounts.money import format_money

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.household.household_file import HouseholdFile
    from daemon.calendar.export import ChargingHours
    from daemon.control.state import Wishes
    from planners.local_time.departures import DepartureAt


@click.command("departures")
@FILE
@click.option(
    "--days", type=click.IntRange(1, 370), default=14, show_default=True, help="How far to look."
)
@click.option(
    "--format",
    "form",
    type=click.Choice(["text", "ics"]),
    default="text",
    show_default=True,
    help="ics: a calendar (RFC 5545) that a phone can show.",
)
@AT_OPTION
def departures(file: Path, days: int, form: str, at: datetime | None) -> None:
    """List the coming departures, and the hours in which the daemon means to charge.

    Departures are those of the file, of its calendars, and those that a person asked for. The
    charging hours are those of the plan that the daemon made last, as its ledger has it.
    """
    now = at or SystemClock().now()
    household = load_house(file, now).file
    for trouble in household.events.troubles:
        say(trouble, err=True)
    wishes, hours = _of_ledger(household, now)
    ahead = departures_ahead(household, wishes, now, now + timedelta(days=days))
    if form == "ics":
        name = household.household.name
        write_output(calendar_text(name, written_events(household, ahead, hours), now))
    else:
        for line in _lines(household, ahead, hours):
            say(line)


def _of_ledger(
    file: HouseholdFile, now: datetime
) -> tuple[dict[str, Wishes], tuple[ChargingHours, ...]]:
    """Read what a person asked for, and the last plan of each charge point."""
    wishes: dict[str, Wishes] = {}
    hours: list[ChargingHours] = []
    with stored_ledger(file.ledger.path) as ledger:
        if ledger is None:
            return {}, ()
        for point in file.charge_points:
            body = ledger.open_night(point)
            if body is not None and "memory" in body:
                wishes[point] = read_saved(body).memory.wishes
            plan = ledger.plan_before(point, now + datetime.resolution)
            hours += charging_hours(
                point, None if plan is None else plan.body, wishes.get(point), now
            )
    return wishes, tuple(sorted(hours, key=lambda each: (each.start, each.charge_point)))


def _lines(
    file: HouseholdFile,
    ahead: tuple[DepartureAt, ...],
    hours: tuple[ChargingHours, ...],
) -> Iterator[str]:

    form = "%a %d %b %H:%M"
    yield "Departures:" if ahead else "No departure is ahead."
    for each in ahead:
        want = (
            f", {each.want_percent:.0f} % wanted" if each.want_percent > each.need_percent else ""
        )
        back = "" if each.returns is None else f", back {local_time(each.returns, file.zone, form)}"
        yield (
            f"  {local_time(each.instant, file.zone, form)}  {each.vehicle}:"
            f" {each.need_percent:.0f} % needed{want}{back}{_source(each)}"
        )
    yield "Charging, as the daemon planned it last:" if hours else "No charging is planned."
    for stretch in hours:
        start, end = (local_time(at, file.zone, form) for at in (stretch.start, stretch.end))
        yield (
            f"  {start} to {end}  {stretch.vehicle} on {stretch.charge_point}:"
            f" {stretch.kwh:.2f} kWh for {format_money(stretch.cost, stretch.currency)}"
        )


def _source(departure: DepartureAt) -> str:
    if departure.wish is not None:
        return " (asked for)"
    return "" if departure.event is None else f" ({departure.event!r} of the calendar)"
