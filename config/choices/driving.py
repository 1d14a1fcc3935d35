"""What a household declares about its driving in a year, for an appraisal.

`config.choices.trip_rules` checks that the vehicle is at home between its trips.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Self

from pydantic import Field, model_validator

from config.calendar.day_kinds import WEEKDAYS, repeated
from config.fields.distance import TripDistance, YearDistance
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import ClockTime, Expected, FilePath, Minutes, Model, Name, YearDate
from config.household.departure import WeekdayList, day_problems

if TYPE_CHECKING:
    from collections.abc import Iterator

SOURCES = ("distance_per_year", "trips", "ledger")
_BACK = "Local time at which it is back and plugged in; at or before leaves: on the next day."


class Trip(Model):
    """Weekly trips (`days`), or a single trip (`date`) that replaces a weekly one."""

    days: WeekdayList | None = Field(None, description="Days of the week; either this or date.")
    date: YearDate | None = Field(
        None, description="Local date of a single trip; either this or days."
    )
    distance: TripDistance = Field(description="Distance of the day's trip, with its unit.")
    leaves: ClockTime | None = Field(
        None, description="Local time of leaving; without: the one under driving."
    )
    returns: ClockTime | None = Field(None, description=f"{_BACK} Without: the one under driving.")

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(tuple(day_problems(self.days, self.date)))
        return self


class DrivingRecord(Model):
    """The household's own ledger: what its nights charged counts as what was used."""

    path: FilePath = Field(description="The SQLite file that the daemon keeps.")
    vehicle: Name = Field(description="The vehicle's name in the household file.")


class DrivingPattern(Model):
    """How far the vehicle is driven in the year, and when it is away."""

    distance_per_year: YearDistance | None = Field(
        None, description="Distance of the year with its unit, spread evenly over days."
    )
    days: WeekdayList = Field(
        WEEKDAYS, description="Days of the week on which distance_per_year is driven."
    )
    leaves: ClockTime | None = Field(
        None, description="Local time of leaving; with trips: for those that give none."
    )
    returns: ClockTime | None = Field(
        None, description=f"{_BACK} With trips: for those that give none."
    )
    margin_minutes: Minutes = Field(
        15, description="It must be ready this long before leaving [minutes]."
    )
    trips: Annotated[tuple[Trip, ...], Field(strict=False, min_length=1)] = Field(
        (), description="Weekly and single trips, one a day."
    )
    ledger: DrivingRecord | None = Field(
        None, description="A record of what was really used, in place of distances."
    )
    spread_percent: Annotated[
        float, Field(ge=0, le=200), Expected("a percentage from 0 to 200 (30 means 30 %)")
    ] = Field(
        0.0, description="Standard deviation of a trip's distance [percent of that distance]."
    )
    draws: Annotated[
        int, Field(ge=0, le=10_000), Expected("a whole number of years from 0 to 10000")
    ] = Field(0, description="Years drawn at random around this one, for the range of figures.")
    seed: Annotated[int, Field(ge=0), Expected("a whole number, 0 or more")] = Field(
        1, description="Start of the random numbers: the same seed draws the same years."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*self._source_problems(), *self._time_problems(), *self._draw_problems()])
        return self

    def _source_problems(self) -> Iterator[KeyProblem]:
        given = [key for key in SOURCES if key in self.model_fields_set]
        wanted = f"expected one of {', '.join(SOURCES)}"
        if not given:
            yield KeyProblem((), f"{wanted}, got none")
        for key in given[1:]:
            yield KeyProblem((key,), f"{wanted}, got {given[0]} as well")
        if "days" in self.model_fields_set and "distance_per_year" not in given:
            yield KeyProblem(("days",), "expected only beside distance_per_year")
        yield from repeated(self.days, "days")

    def _time_problems(self) -> Iterator[KeyProblem]:
        for key in ("leaves", "returns"):
            if getattr(self, key) is not None:
                continue
            if not self.trips:
                yield KeyProblem(
                    (), f'missing key "{key}"; expected a time of the local clock such as "07:20"'
                )
            for index, trip in enumerate(self.trips):
                if getattr(trip, key) is None:
                    message = f"expected {key}, here or under driving for all trips"
                    yield KeyProblem(("trips", index), message)

    def _draw_problems(self) -> Iterator[KeyProblem]:
        if self.draws > 0 and self.spread_percent == 0:
            message = "expected spread_percent above 0 beside it: without, all years are the same"
            yield KeyProblem(("draws",), message)
