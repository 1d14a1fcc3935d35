"""A price series: where it comes from, and how its prices become rates."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Factor, FilePath, Model, Rate
from config.tariffs.price_fetch import PriceFetch


class CheapestHours(Model):
    """Rates by whether an hour is one of the cheapest of its day, as a contract may say."""

    hours: Annotated[int, Field(ge=1, le=23), Expected("a whole number of hours from 1 to 23")] = (
        Field(description="So many hours of each local day, those with the lowest prices.")
    )
    rate: Rate | None = Field(
        None, description="Their rate before tax [currency per kWh]; either this or add."
    )
    add: Rate | None = Field(
        None,
        description="Added to their rate instead, below 0 for a reduction [currency per kWh].",
    )
    other_rate: Rate | None = Field(
        None,
        description="Rate of all other hours before tax [currency per kWh]; without: as the price"
        " says.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.rate is None) == (self.add is None):
            got = "neither" if self.rate is None else "both"
            refuse([KeyProblem((), f"expected either rate or add, got {got}")])
        return self

    def in_units(self, unit: Decimal) -> CheapestHours:
        """Return the same with rates that were given in some unit of the currency."""
        rates = {key: getattr(self, key) for key in ("rate", "add", "other_rate")}
        update = {key: None if each is None else each * unit for key, each in rates.items()}
        return self.model_copy(update=update)


class PriceFile(Model):
    """Where a price series comes from, and how its prices become rates."""

    file: FilePath | None = Field(
        None,
        description="CSV file with the columns start (RFC 3339) and rate; prices from the bus, on "
        "the topic <root>/<household>/prices, take precedence. Without: from the bus only.",
    )
    fetch: PriceFetch | None = Field(
        None, description="Where `lullwatt fetch-prices` gets the prices that it writes into file."
    )
    multiply: Factor = Field(Decimal(1), description="rate = multiply x price + add, before tax.")
    add: Rate = Field(Decimal(0), description="Added to each price [currency per kWh].")
    at_most: Rate | None = Field(
        None,
        description="Upper limit of multiply x price + add, before tax [currency per kWh].",
    )
    at_least: Rate | None = Field(
        None, description="Lower limit of it, before tax [currency per kWh]."
    )
    cheapest_hours: CheapestHours | None = Field(
        None, description="What the cheapest hours of each day cost, if that differs."
    )
    step_minutes: (
        Annotated[int, Field(ge=1, le=1440), Expected("a whole number of minutes from 1 to 1440")]
        | None
    ) = Field(
        None,
        description="The longest time that a price holds, if no other follows sooner [minutes]. "
        "Without: read off the gaps between prices, so that missing rows are noticed.",
    )

    def in_units(self, unit: Decimal) -> PriceFile:
        """Return the series with prices and additions that are in some unit of the currency."""
        keys = ("multiply", "add", "at_most", "at_least")
        amounts = {key: getattr(self, key) for key in keys}
        update = {key: None if each is None else each * unit for key, each in amounts.items()}
        cheapest = self.cheapest_hours and self.cheapest_hours.in_units(unit)
        return self.model_copy(update=update | {"cheapest_hours": cheapest})

    @model_validator(mode="after")
    def _check(self) -> Self:
        least, most = self.at_least, self.at_most
        if least is not None and most is not None and least > most:
            message = f"expected no more than at_most, which is {most}, got {least}"
            refuse([KeyProblem(("at_least",), message)])
        if self.fetch is not None and self.file is None:
            refuse([KeyProblem(("fetch",), "expected file beside it, where the prices are kept")])
        return self
