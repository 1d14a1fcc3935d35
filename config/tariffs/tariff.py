"""What a household declares about prices: tariffs of bands, or of a price series.

`config.tariffs.bands` checks that the bands of a tariff cover the calendar.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Amount, Date, Expected, Model, TaxPercent, Text, UsualUse
from config.tariffs.band import Band
from config.tariffs.price_file import PriceFile

if TYPE_CHECKING:
    from collections.abc import Iterator

_MOST_BANDS = 100


class Tariff(Model):
    """Dated prices for energy: bands of the local clock, or a price series."""

    name: Text = Field(description="Name of the tariff, as accounts show it.")
    valid_from: Date | None = Field(
        None, description="First local date on which it holds; the first tariff may leave it out."
    )
    standing_charge: Amount = Field(
        Decimal(0), description="Charge before tax [currency per local day]."
    )
    tax_percent: TaxPercent = Field(
        Decimal(0), description="Tax added to the rates and the standing charge [percent]."
    )
    clock: Annotated[
        Literal["wall", "standard"], Expected("wall or standard", ("wall", "standard"))
    ] = Field("wall", description="standard: the meter's clock ignores daylight saving.")
    tiers_per: (
        Annotated[Literal["day", "month"], Expected("day or month", ("day", "month"))] | None
    ) = Field(None, description="Whether the use is counted by the local day or month, for tiers.")
    usual_kwh: UsualUse | None = Field(
        None,
        description="What the home uses in that time without charging [kWh]; charging comes on "
        "top, and is planned at the rate of the next kWh.",
    )
    bands: (
        Annotated[tuple[Band, ...], Field(strict=False, min_length=1, max_length=_MOST_BANDS)]
        | None
    ) = Field(None, description="Bands of the local clock; either this or prices.")
    prices: PriceFile | None = Field(None, description="A price series; either this or bands.")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.bands is None) == (self.prices is None):
            got = "neither" if self.bands is None else "both"
            refuse([KeyProblem((), f"expected either bands or prices, got {got}")])
        refuse(
            [
                KeyProblem(("bands", index), "expected at most one band without hours, got another")
                for index in self._bands_without_hours()[1:]
            ]
        )
        refuse(tuple(self._use_problems()))
        return self

    @property
    def tax_factor(self) -> Decimal:
        """What an amount before tax is multiplied by to include the tax."""
        return (100 + self.tax_percent) / 100

    def _use_problems(self) -> Iterator[KeyProblem]:
        tiered = [i for i, band in enumerate(self.bands or ()) if band.tiers is not None]
        for key in ("tiers_per", "usual_kwh"):
            is_given = getattr(self, key) is not None
            if tiered and not is_given:
                yield KeyProblem((), f"expected {key}, since a band has tiers")
            if is_given and not tiered:
                yield KeyProblem((key,), "expected a band with tiers beside it; no band has any")

    def _bands_without_hours(self) -> list[int]:
        return [i for i, band in enumerate(self.bands or ()) if band.hours is None]
