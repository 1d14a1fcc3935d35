"""What a choices file declares of the air's temperature, which changes what a vehicle consumes."""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import Field

from config.fields.value_types import Expected, Model, Text

MONTHS: Final = 12

Celsius = Annotated[float, Field(ge=-60, le=60), Expected("a temperature from -60 to 60 °C")]


class MonthlyTemperature(Model):
    """Mean temperatures of the twelve months, as published for the place."""

    monthly_mean_celsius: Annotated[
        tuple[Celsius, ...],
        Field(strict=False, min_length=MONTHS, max_length=MONTHS),
        Expected("twelve temperatures from -60 to 60 °C, January first"),
    ] = Field(description="Mean temperature of each month, January first [°C].")
    declared_at_celsius: Celsius = Field(
        20.0, description="The temperature at which the vehicle's declared consumption holds [°C]."
    )
    source: Text | None = Field(
        None, description="Where these figures are from, as the report names it."
    )
