"""What a household declares about departures: when, and how full."""

from __future__ import annotations

import datetime as dt
from typing import TYPE_CHECKING, Annotated, Self

from pydantic import Field, model_validator

from config.calendar.day_kinds import WEEKDAYS, Weekday, repeated
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import (
    ClockTime,
    Date,
    Expected,
    Minutes,
    Model,
    Name,
    Percent,
    Rate,
    TripEnergy,
    TripKm,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from decimal import Decimal

    from config.fields.key_problems import KeyPath

WANT_PERCENT = (
    "State of charge wanted at max_rate or less [percent]. Without: need_percent; with max_rate, "
    "the everyday limit if that is more."
)
MAX_RATE = (
    "The highest rate, tax included, for what is wanted beyond the need [currency per kWh]; "
    "without: no limit."
)

MARGIN_MINUTES = 15
"""How long before it leaves a vehicle must be ready, unless its departure says otherwise."""

WeekdayList = Annotated[
    tuple[Annotated[Weekday, Expected("one of " + ", ".join(WEEKDAYS), WEEKDAYS)], ...],
    Field(strict=False, min_length=1),
]


class Departure(Model):
    """A weekly departure (`days`), or a single one (`date`) that replaces it."""

    vehicle: Name = Field(description="The vehicle that leaves.")
    days: WeekdayList | None = Field(None, description="Days of the week; either this or date.")
    date: Date | None = Field(None, description="Local date of a single trip; either this or days.")
    at: ClockTime = Field(description="Local time of leaving.")
    need_percent: Percent = Field(description="State of charge needed at any price [percent].")
    want_percent: Percent | None = Field(None, description=WANT_PERCENT)
    max_rate: Rate | None = Field(None, description=MAX_RATE)
    margin_minutes: Minutes = Field(
        MARGIN_MINUTES,
        description="It must be ready this long before leaving [minutes]; given up if the need is "
        "out of reach.",
    )
    returns: ClockTime | None = Field(
        None,
        description="Local time at which it is back and plugged in; at or before `at`: on the next "
        "day. Without: the next start of the plugged_in hours of its charge point, if it has any.",
    )
    uses_kwh: TripEnergy | None = Field(
        None,
        description="Battery energy that the trip uses [kWh]; either this or uses_km. Without "
        "both: the energy of daily_distance_km.",
    )
    uses_km: TripKm | None = Field(
        None,
        description="Distance of the trip [km]; needs the vehicle's consumption. Either this "
        "or uses_kwh.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        percents = percent_problems(self.need_percent, self.want_percent)
        refuse([*day_problems(self.days, self.date), *percents, *self._use_problems()])
        return self

    def _use_problems(self) -> Iterator[KeyProblem]:
        if self.uses_kwh is not None and self.uses_km is not None:
            yield KeyProblem(("uses_km",), "expected either uses_kwh or uses_km, got both")


def day_problems(days: Sequence[Weekday] | None, date: dt.date | None) -> Iterator[KeyProblem]:
    """Find what is wrong with the days of a weekly row, or the date of a single one.

    Parameters
    ----------
    days : sequence of str or None
        Days of the week.
    date : date or None
        Local date of a single trip.

    Yields
    ------
    KeyProblem
        With its path from the row.
    """
    if (days is None) == (date is None):
        got = "neither" if days is None else "both"
        yield KeyProblem((), f"expected either days or date, got {got}")
    yield from repeated(days, "days")


def days_of(
    days: Sequence[Weekday] | None, date: dt.date | None
) -> Iterator[tuple[KeyPath, object]]:
    """List the days of a row, each with its path from the row."""
    if date is not None:
        yield ("date",), date
    for index, day in enumerate(days or ()):
        yield ("days", index), day


def percent_problems(need: float, want: float | None) -> Iterator[KeyProblem]:
    """Find a wanted state of charge that is below the needed one.

    Parameters
    ----------
    need, want : float
        As given [percent].

    Yields
    ------
    KeyProblem
        With its path from the part that has both keys.
    """
    if want is not None and want < need:
        yield KeyProblem(
            ("want_percent",), f"expected at least need_percent ({need:g}), got {want:g}"
        )


def wanted_percent(
    need: float, want: float | None, max_rate: Decimal | None, limit: float
) -> float:
    """Return the state of charge that is wanted.

    Parameters
    ----------
    need, want : float
        As given; ``want`` is None if the file leaves it out [percent].
    max_rate : Decimal or None
        As given.
    limit : float
        The vehicle's everyday limit [percent].

    Returns
    -------
    float
        As given; else the need, or with a highest rate the everyday limit if that is more
        [percent].
    """
    if want is not None:
        return want
    return need if max_rate is None else max(need, limit)
