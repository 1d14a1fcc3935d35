"""What a household declares about prices: tariffs of bands, or of a price series.

`config.tariffs.bands` checks that the bands of a tariff cover the calendar.
"""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import (
    Amount,
    ClockHours,
    Date,
    Expected,
    Factor,
    FilePath,
    Model,
    Rate,
    TaxPercent,
    Text,
    TierEnd,
    UsualUse,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DayKind = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_KINDS: tuple[DayKind, ...] = (*WEEKDAYS, "holiday")

_MOST_BANDS = 100

Month = Annotated[int, Field(ge=1, le=12), Expected("a month from 1 to 12")]
HoursOfDay = Annotated[tuple[ClockHours, ...], Field(strict=False, min_length=1)]
DayKinds = Annotated[
    tuple[Annotated[DayKind, Expected("one of " + ", ".join(DAY_KINDS), DAY_KINDS)], ...],
    Field(strict=False, min_length=1),
]
Months = Annotated[tuple[Month, ...], Field(strict=False, min_length=1)]


def repeated(items: Sequence[object] | None, key: str) -> Iterator[KeyProblem]:
    """Find the repeated entries of a list.

    Parameters
    ----------
    items : sequence or None
        The list, if there is one.
    key : str
        The key that holds it.

    Yields
    ------
    KeyProblem
        One for each entry that is there already.
    """
    for index, item in enumerate(items or ()):
        if items is not None and item in items[:index]:
            yield KeyProblem((key, index), f"expected each entry once, got {item} again")


class Tier(Model):
    """A part of the home's use in a day or a month, with its rate."""

    rate: Rate = Field(description="Unit rate before tax [currency per kWh].")
    up_to_kwh: TierEnd | None = Field(
        None, description="Where the tier ends [kWh of the home's use]; the last one has no end."
    )


class Band(Model):
    """A named set of hours with one unit rate, or a rate that changes with use."""

    name: Text = Field(description="Name of the band, as accounts show it.")
    rate: Rate | None = Field(
        None, description="Unit rate before tax [currency per kWh]; either this or tiers."
    )
    tiers: Annotated[tuple[Tier, ...], Field(strict=False, min_length=2, max_length=20)] | None = (
        Field(None, description="Rates by the home's use in a day or a month; either this or rate.")
    )
    hours: HoursOfDay | None = Field(
        None, description="Hours of the local clock; without: every hour no other band names."
    )
    days: DayKinds | None = Field(
        None, description="Days on which the hours hold; without: every day."
    )
    months: Months | None = Field(
        None, description="Months in which the hours hold, 1 to 12; without: every month."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        problems = [*repeated(self.days, "days"), *repeated(self.months, "months")]
        if self.hours is None:
            problems += [
                KeyProblem(
                    (key,),
                    "a band without hours takes every hour that no other band names; "
                    'for whole days write hours: ["00:00-24:00"] beside it',
                )
                for key in ("days", "months")
                if getattr(self, key) is not None
            ]
        if (self.rate is None) == (self.tiers is None):
            got = "neither" if self.rate is None else "both"
            wanted = "expected either rate, or tiers for a rate that changes with use"
            problems.append(KeyProblem((), f"{wanted}; got {got}"))
        refuse([*problems, *_tier_problems(self.tiers or ())])
        return self


def _tier_problems(tiers: Sequence[Tier]) -> Iterator[KeyProblem]:
    """Find tiers whose ends are missing or do not rise."""
    before = Decimal(0)
    for index, tier in enumerate(tiers[:-1]):
        if tier.up_to_kwh is None:
            yield KeyProblem(
                ("tiers", index), "expected up_to_kwh: only the last tier is without an end"
            )
        elif tier.up_to_kwh <= before:
            message = f"expected more than the {before} kWh before it, got {tier.up_to_kwh}"
            yield KeyProblem(("tiers", index, "up_to_kwh"), message)
        else:
            before = tier.up_to_kwh
    if tiers and tiers[-1].up_to_kwh is not None:
        yield KeyProblem(
            ("tiers", len(tiers) - 1, "up_to_kwh"),
            "expected a last tier without up_to_kwh, for all that is used beyond the others",
        )


class PriceFile(Model):
    """Where a price series comes from, and how its prices become rates."""

    file: FilePath | None = Field(
        None,
        description="CSV file with the columns start (RFC 3339) and rate; prices from the bus, on "
        "the topic <root>/<household>/prices, take precedence. Without: from the bus only.",
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
        return self


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
