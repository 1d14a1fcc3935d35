"""Events of calendars among the departures of the file: changed, added, hidden."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from config.events.found import CalendarEvents, DaysEvent, TripEvent
from config.household.household_file import HouseholdFile
from planners.local_time.departures import DepartureAt, departures_between
from planners.local_time.wished_departures import Wish, coming_departures, departures_to_plan
from tests.planners.households import household

ZONE = ZoneInfo("Pacific/Auckland")
ROW = {
    "vehicle": "hatchback", "days": ["mon", "tue", "wed", "thu", "fri"], "at": "07:20",
    "need_percent": 60.0, "returns": "18:10", "uses_kwh": 9.0,
}  # fmt: skip


def at(text: str) -> datetime:
    """Return a local time of a day in June 2026, such as ``"04 07:20"``; the 4th is a Thursday."""
    return datetime.strptime(f"2026-06-{text}", "%Y-%m-%d %H:%M").replace(tzinfo=ZONE)


def trip(leaves: str, returns: str | None = None, **numbers: Any) -> TripEvent:  # noqa: ANN401 - of an event
    back = None if returns is None else at(returns).astimezone(UTC)
    return TripEvent("hatchback", "Car", at(leaves).astimezone(UTC), back, **numbers)


def days(first: int, end: int, **numbers: Any) -> DaysEvent:  # noqa: ANN401 - of an event
    return DaysEvent("hatchback", "Away", date(2026, 6, first), date(2026, 6, end), **numbers)


def file_with(*events: TripEvent | DaysEvent, row: dict[str, Any] = ROW) -> HouseholdFile:
    trips = tuple(each for each in events if isinstance(each, TripEvent))
    of_days = tuple(each for each in events if isinstance(each, DaysEvent))
    return household(departures=[row]).with_events(CalendarEvents(trips, of_days))


def week(file: HouseholdFile) -> list[DepartureAt]:
    return list(departures_between(file, "hatchback", at("04 00:00"), at("07 00:00")))


def shown(file: HouseholdFile) -> list[str]:
    return [
        f"{each.instant.astimezone(ZONE):%d %H:%M} {each.need_percent:g}"
        + ("" if each.event is None else f" {each.event}")
        for each in week(file)
    ]


USUAL = ["04 07:20 60", "05 07:20 60"]


@pytest.mark.parametrize(
    ("events", "departures"),
    [
        ([], USUAL),
        # Within an hour it changes the departure of the file, to the minute; beyond, it adds one.
        ([trip("04 06:20")], ["04 06:20 60 Car", "05 07:20 60"]),
        ([trip("04 08:20", need_percent=90.0)], ["04 08:20 90 Car", "05 07:20 60"]),
        ([trip("04 06:19")], ["04 06:19 80 Car", *USUAL]),
        ([trip("04 19:00", need_percent=30.0)], ["04 07:20 60", "04 19:00 30 Car", "05 07:20 60"]),
        # What the calendar says of events without a number counts for those that add one.
        ([trip("04 07:00", default_percent=45.0)], ["04 07:00 60 Car", "05 07:20 60"]),
        ([trip("06 09:00", default_percent=45.0)], [*USUAL, "06 09:00 45 Car"]),
        # Of two near one departure, the nearer is that one.
        (
            [trip("04 07:00"), trip("04 07:30")],
            ["04 07:00 80 Car", "04 07:30 60 Car", "05 07:20 60"],
        ),
        # While a trip lasts, the vehicle does not leave again; it may at the minute of its return.
        ([trip("03 18:00", "05 07:00")], ["05 07:20 60"]),
        ([trip("04 05:00", "05 07:20")], ["04 05:00 80 Car", "05 07:20 60"]),
        # Days without departures: the last day is the one before the end.
        ([days(4, 5)], ["05 07:20 60"]),
        ([days(3, 7)], []),
        ([days(4, 6), trip("05 12:00")], ["05 12:00 80 Car"]),
        # With a number they are a trip, from the usual time on, or from midnight.
        ([days(4, 6, need_percent=95.0)], ["04 07:20 95 Away"]),
        ([days(6, 7, need_percent=95.0)], [*USUAL, "06 00:00 95 Away"]),
    ],
)
def test_events_among_departures(
    events: list[TripEvent | DaysEvent], departures: list[str]
) -> None:
    """Each event changes, adds or hides what it must, and nothing else."""
    assert shown(file_with(*events)) == departures


def test_a_distance_says_the_need_and_what_the_trip_uses() -> None:
    """150 km at 16 kWh per 100 km are 24 kWh of 52 kWh, and 10 % stay in reserve."""
    file = file_with(trip("06 09:00", "06 18:00", uses_km=150.0, reserve_percent=10.0))
    car = file.vehicles["hatchback"].model_copy(update={"kwh_per_100km": 16.0})
    file = file.model_copy(update={"vehicles": {**file.vehicles, "hatchback": car}})
    (found,) = departures_between(file, "hatchback", at("06 00:00"), at("07 00:00"))
    assert found.need_percent == pytest.approx(24 / 52 * 100 + 10)
    assert found.uses_kwh == pytest.approx(24)
    assert found.returns == at("06 18:00")
    assert found.ready_by == at("06 08:45")


def test_an_event_keeps_what_the_departure_of_the_file_says_besides() -> None:
    """Its margin, want, rate and energy stay; the return is the event's if it has one."""
    row = ROW | {"margin_minutes": 40, "want_percent": 80.0, "max_rate": Decimal("0.2")}
    (plain, _) = week(file_with(row=row))
    (changed, _) = week(file_with(trip("04 07:00", need_percent=70.0), row=row))
    assert changed == replace(
        plain, instant=at("04 07:00"), ready_by=at("04 06:20"), need_percent=70.0, event="Car"
    )
    (short, _) = week(file_with(trip("04 07:00", "04 09:30"), row=row))
    assert short.returns == at("04 09:30")


def test_an_event_of_another_vehicle_changes_nothing() -> None:
    """The van's trip is no departure of the hatchback."""
    other = replace(trip("04 07:00", "06 07:00"), vehicle="van")
    assert shown(file_with(other)) == ["04 07:20 60", "05 07:20 60"]
    assert len(departures_between(file_with(other), "van", at("04 00:00"), at("07 00:00"))) == 1


def test_a_wish_within_an_hour_changes_an_event_too() -> None:
    """What a person asks for stands above the calendar, once."""
    file = file_with(trip("06 09:00"))
    wish = Wish("1", "hatchback", at("06 09:30").astimezone(UTC), need_percent=100.0)
    found = coming_departures(file, "hatchback", at("06 00:00"), at("07 00:00"), (wish,))
    assert [(each.need_percent, each.wish) for each in found] == [(100.0, "1")]


def test_overlapping_events_are_both_kept() -> None:
    """A calendar may say it before the vehicle is back: neither departure is lost."""
    file = file_with(trip("06 09:00", "06 18:00"), trip("06 15:00", "06 16:00"))
    found = departures_between(file, "hatchback", at("06 00:00"), at("07 00:00"))
    assert [each.instant for each in found] == [at("06 09:00"), at("06 15:00")]
    planned = departures_to_plan(file, "hatchback", at("06 01:00"), at("07 00:00"))
    assert len(planned) == 1
    later = departures_to_plan(file, "hatchback", at("06 10:00"), at("07 00:00"))
    assert later[0].instant - at("06 15:00") == timedelta(0)
