"""What a choices file declares of money over the years: prices that grow, grants, maintenance."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from config.fields.value_types import Amount, Expected, Model, Text

MOST_YEARS = 50
"""The longest time for which a choice is kept [years]."""

Interest = Annotated[
    float, Field(ge=0, le=30), Expected("a percentage a year from 0 to 30 (4 means 4 %)")
]
Growth = Annotated[
    float, Field(ge=-20, le=30), Expected("a percentage a year from -20 to 30 (2 means 2 %)")
]


class PriceGrowth(Model):
    """How much prices grow from each year to the next, part by part."""

    energy_percent: Growth = Field(
        0.0, description="Of every kWh at home, and of what export earns [percent a year]."
    )
    standing_charge_percent: Growth = Field(
        0.0,
        description="Of standing charges, minimum bills and capacity charges [percent a year].",
    )
    elsewhere_percent: Growth = Field(
        0.0, description="Of a kWh that is charged elsewhere [percent a year]."
    )
    maintenance_percent: Growth = Field(0.0, description="Of maintenance [percent a year].")


class Grant(Model):
    """Money that is received for a choice."""

    amount: Amount = Field(description="What is received [currency].")
    after_years: Annotated[
        int, Field(ge=0, le=MOST_YEARS), Expected("a whole number of years from 0 to 50")
    ] = Field(0, description="How long after the outlay it is received [years].")
    note: Text | None = Field(None, description="Who pays it, and for what.")


class Maintenance(Model):
    """Money that is paid for a choice again and again."""

    amount: Amount = Field(description="What is paid each time, tax included [currency].")
    every_years: Annotated[
        int, Field(ge=1, le=MOST_YEARS), Expected("a whole number of years from 1 to 50")
    ] = Field(1, description="How often it is paid, at the end of so many years [years].")
    note: Text | None = Field(None, description="What is done.")

    @property
    def per_year(self) -> float:
        """Its mean of a year [currency]."""
        return float(self.amount) / self.every_years
