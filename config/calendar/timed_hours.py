"""Hours of some days and months that a household declares for something other than a rate."""

from __future__ import annotations

from typing import Self

from pydantic import Field, model_validator

from config.calendar.day_kinds import BandDays, BandMonths, HoursOfDay, repeated
from config.fields.key_problems import refuse
from config.fields.value_types import Model


class TimedHours(Model):
    """Hours of the local clock in which something holds."""

    hours: HoursOfDay = Field(description="Hours of the local clock in which it holds.")
    days: BandDays | None = Field(
        None,
        description="Days on which the hours hold, or names of special days; without: every day.",
    )
    months: BandMonths | None = Field(
        None,
        description="Months in which the hours hold, 1 to 12, or names of seasons; without: every"
        " month.",
    )

    @model_validator(mode="after")
    def _check_repeats(self) -> Self:
        refuse([p for key in ("days", "months") for p in repeated(getattr(self, key), key)])
        return self


class PoweredHours(TimedHours):
    """Hours in which the circuit of a charge point has power."""
