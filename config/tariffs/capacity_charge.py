"""A capacity charge of a tariff: money for the highest power that the supplier's meter saw."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any, Literal, NamedTuple, Self

from pydantic import Field, model_validator
from typing_extensions import override

from config.calendar.date_sets import DateSet
from config.calendar.day_kinds import BandDays, BandMonths, HoursOfDay, repeated
from config.calendar.tables import Calendar, calendar_mask, calendar_of
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Amount, Expected, Hours, Model
from config.tariffs.rising_ends import end_problems

if TYPE_CHECKING:
    from collections.abc import Iterator

    import numpy as np
    from numpy.typing import NDArray

IntervalMinutes = Literal[15, 30, 60]

MOST_STEPS = 50

_Kw = Annotated[float, Field(gt=0, le=1000), Expected("a power above 0, at most 1000 kW")]
_LeastKw = Annotated[float, Field(ge=0, le=1000), Expected("a power from 0 to 1000 kW")]


WHOLE_DAY = Hours(start_minute=0, end_minute=1440)


class CountedHours(NamedTuple):
    """Hours, days and months in which power counts, as of a band."""

    hours: tuple[Hours, ...] | None
    days: tuple[str, ...] | None
    months: tuple[int | str, ...] | None


class CapacityStep(Model):
    """A step of a capacity charge: one amount for all powers up to its end."""

    charge: Amount = Field(description="Charge before tax [currency per month, or year].")
    up_to_kw: _Kw | None = Field(
        None, description="The highest power of the step [kW]; the last one has no end."
    )


class CapacityCharge(Model):
    """Money for the highest mean power of a month or a year, by the kilowatt or by steps."""

    per: Annotated[Literal["month", "year"], Expected("month or year", ("month", "year"))] = Field(
        "month", description="The time whose highest power counts, and that a charge is for."
    )
    interval_minutes: Annotated[IntervalMinutes, Expected("15, 30 or 60 minutes")] = Field(
        60,
        description="The meter's power is the mean of such intervals of the local clock [minutes].",
    )
    highest_days: Annotated[
        int, Field(ge=1, le=31), Expected("a whole number of days from 1 to 31")
    ] = Field(
        1,
        description="The highest powers of so many different days are averaged; 1: the highest "
        "power counts alone.",
    )
    mean_of_months: Annotated[
        int, Field(ge=1, le=24), Expected("a whole number of months from 1 to 24")
    ] = Field(
        1,
        description="Each bill is for the mean of the powers of so many months, its own included.",
    )
    at_least_kw: _LeastKw = Field(
        0.0, description="The power of each month, or year, counts at least as much [kW]."
    )
    rate_per_kw: Amount | None = Field(
        None,
        description="Charge of each kW before tax [currency per kW and month, or year]; either "
        "this or steps.",
    )
    steps: (
        Annotated[
            tuple[CapacityStep, ...], Field(strict=False, min_length=2, max_length=MOST_STEPS)
        ]
        | None
    ) = Field(None, description="Charges by steps of the power; either this or rate_per_kw.")
    hours: HoursOfDay | None = Field(
        None, description="Hours of the local clock that count; without: all."
    )
    days: BandDays | None = Field(
        None,
        description="Days on which the hours count, or names of special days; without: every day.",
    )
    months: BandMonths | None = Field(
        None,
        description="Months in which the hours count, 1 to 12, or names of seasons; without: every"
        " month.",
    )

    not_on: BandDays | None = Field(
        None,
        description="Days that do not count, whatever weekday they are: holiday, or names of"
        " special days.",
    )

    @property
    def timed(self) -> tuple[CountedHours, ...]:
        """The hours, days and months that count, then the days that do not."""
        counted = CountedHours(self.hours or (WHOLE_DAY,), self.days, self.months)
        if self.not_on is None:
            return (counted,)
        return counted, CountedHours((WHOLE_DAY,), self.not_on, None)

    @property
    def calendar(self) -> Calendar:
        """What tells its dates apart."""
        return calendar_of(self.timed, (), ())

    @property
    def mask(self) -> NDArray[np.bool_]:
        """Whether power counts in each month, kind of day and minute of its calendar."""
        counted, *others = (calendar_mask(each, self.calendar) for each in self.timed)
        for other in others:
            counted &= ~other
        return counted

    def with_dates(
        self, seasons: tuple[DateSet, ...] | None, special_days: tuple[DateSet, ...] | None
    ) -> CapacityCharge:
        """Return the charge with what its tariff declares, as far as it lists it."""
        calendar = calendar_of(self.timed, seasons or (), special_days or ())
        given: dict[str, Any] = {key: getattr(self, key) for key in CapacityCharge.model_fields}
        if not calendar.seasons and not calendar.special_days:
            return CapacityCharge.model_construct(self.model_fields_set, **given)
        given |= {"seasons": calendar.seasons, "special_days": calendar.special_days}
        return DatedCharge.model_construct(self.model_fields_set, **given)

    @model_validator(mode="after")
    def _check(self) -> Self:
        keys = ("days", "months", "not_on")
        problems = [each for key in keys for each in repeated(getattr(self, key), key)]
        if (self.rate_per_kw is None) == (self.steps is None):
            got = "neither" if self.steps is None else "both"
            problems.append(KeyProblem((), f"expected either rate_per_kw or steps, got {got}"))
        if self.per == "year" and self.mean_of_months > 1:
            message = "expected no mean of several months beside per: year"
            problems.append(KeyProblem(("mean_of_months",), message))
        refuse([*problems, *_step_problems(self.steps or ())])
        return self


def _step_problems(steps: tuple[CapacityStep, ...]) -> Iterator[KeyProblem]:
    """Find steps whose ends are missing or do not rise, or whose charge falls."""
    ends = [step.up_to_kw for step in steps]
    yield from end_problems(ends, "step", "up_to_kw", "all higher powers")
    least = Decimal(0)
    for index, step in enumerate(steps):
        if step.charge < least:
            message = f"expected at least the {least} of the step before it, got {step.charge}"
            yield KeyProblem(("steps", index, "charge"), message)
        least = max(least, step.charge)


class DatedCharge(CapacityCharge):
    """A capacity charge that lists special days or seasons of its tariff, with their dates."""

    seasons: tuple[DateSet, ...]
    special_days: tuple[DateSet, ...]

    @property
    @override
    def calendar(self) -> Calendar:
        """What tells its dates apart."""
        return calendar_of(self.timed, self.seasons, self.special_days)
