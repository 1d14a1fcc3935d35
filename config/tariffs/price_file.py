"""A price series: where it comes from, and how its prices become rates."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Factor, FilePath, Model, Rate
from config.tariffs.price_fetch import PriceFetch


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
    step_minutes: (
        Annotated[int, Field(ge=1, le=1440), Expected("a whole number of minutes from 1 to 1440")]
        | None
    ) = Field(
        None,
        description="The longest time that a price holds, if no other follows sooner [minutes]. "
        "Without: read off the gaps between prices, so that missing rows are noticed.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        least, most = self.at_least, self.at_most
        if least is not None and most is not None and least > most:
            message = f"expected no more than at_most, which is {most}, got {least}"
            refuse([KeyProblem(("at_least",), message)])
        if self.fetch is not None and self.file is None:
            refuse([KeyProblem(("fetch",), "expected file beside it, where the prices are kept")])
        return self
