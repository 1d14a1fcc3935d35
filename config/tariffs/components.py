"""The lines of a bill: components of the rate, fees, and percentages on them.

A network fee by the clock on top of a market price, a tax that changes on a date, a value added tax
on all of them but one: each is a line of the supplier's bill, and has an entry of its own.
"""

from __future__ import annotations

from decimal import Decimal
from itertools import combinations
from typing import TYPE_CHECKING, Annotated, Literal, Protocol, Self

from pydantic import Field, model_validator

from config.calendar.day_kinds import BandMonths, repeated
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import (
    Amount,
    Date,
    Expected,
    Fixed,
    Model,
    PercentAdded,
    Rate,
    Text,
    TierEnd,
)
from config.tariffs.band import (
    MOST_BANDS,
    Band,
    Tier,
    remainder_problems,
    tier_problems,
    tiers_in_units,
)
from config.tariffs.price_file import PriceFile

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import date

STANDING_CHARGE = "standing_charge"
"""How a percentage names the standing charge."""

TAX = "tax"
"""Name of the percentage that `tax_percent` of a tariff is short for."""

ENERGY = "energy"
"""Name of the only component of a tariff that has bands or prices of its own."""

_SOURCES = ("rate", "tiers", "bands", "prices")


class Dated(Protocol):
    """An entry that holds from one local date to another, both included; None is no limit."""

    @property
    def name(self) -> str:
        """What the bill calls it."""

    @property
    def valid_from(self) -> date | None:
        """The first date."""

    @property
    def valid_to(self) -> date | None:
        """The last date."""


class RateComponent(Model):
    """One component of a rate: the market price, the network fee, a tax per kWh."""

    name: Text = Field(description="Name of the component, as a bill shows it.")
    valid_from: Date | None = Field(None, description="First local date on which it holds.")
    valid_to: Date | None = Field(None, description="Last local date on which it holds.")
    rate: Rate | None = Field(
        None, description="The same at all hours [currency per kWh], before percentages."
    )
    tiers: Annotated[tuple[Tier, ...], Field(strict=False, min_length=2, max_length=20)] | None = (
        Field(None, description="The same at all hours, by the home's use in a day or a month.")
    )
    bands: (
        Annotated[tuple[Band, ...], Field(strict=False, min_length=1, max_length=MOST_BANDS)] | None
    ) = Field(None, description="Bands of the local clock; they cover every hour.")
    prices: PriceFile | None = Field(
        None, description="A price series; at most one component of a tariff has one."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        given = [key for key in _SOURCES if getattr(self, key) is not None]
        problems = [
            *_date_problems(self),
            *tier_problems(self.tiers or ()),
            *remainder_problems(self.bands or ()),
        ]
        if len(given) != 1:
            got = " and ".join(given) or "none"
            problems.append(KeyProblem((), f"expected one of {', '.join(_SOURCES)}, got {got}"))
        refuse(problems)
        return self

    @property
    def all_bands(self) -> tuple[Band, ...] | None:
        """Its bands, or one for all hours if it has a rate or tiers; None for a price series."""
        if self.prices is not None:
            return None
        return self.bands or (Band(name=self.name, rate=self.rate, tiers=self.tiers),)

    def in_units(self, unit: Decimal) -> RateComponent:
        """Return the component with rates that were given in some unit of the currency."""
        update = {
            "rate": None if self.rate is None else self.rate * unit,
            "tiers": tiers_in_units(self.tiers, unit),
            "bands": None if self.bands is None else tuple(b.in_units(unit) for b in self.bands),
            "prices": None if self.prices is None else self.prices.in_units(unit),
        }
        return self.model_copy(update=update)


class Fee(Model):
    """An amount for each day, month or year, whatever is used; below 0 for a credit."""

    name: Text = Field(description="Name of the fee, as a bill shows it.")
    amount: Fixed = Field(description="What it is, before percentages [currency].")
    per: Annotated[
        Literal["day", "month", "year"],
        Expected("day, month or year", ("day", "month", "year")),
    ] = Field(
        description="For a local day, or for a calendar month or year, whose days share it equally."
    )
    valid_from: Date | None = Field(None, description="First local date on which it holds.")
    valid_to: Date | None = Field(None, description="Last local date on which it holds.")

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(tuple(_date_problems(self)))
        return self


class MinimumBill(Model):
    """The least that a month's bill comes to: what is missing from it is charged on top."""

    amount: Amount = Field(description="The least, before percentages [currency].")
    per: Annotated[Literal["day", "month"], Expected("day or month", ("day", "month"))] = Field(
        "month", description="For a calendar month, or for each of its days."
    )
    of: Annotated[Literal["bill", "energy"], Expected("bill or energy", ("bill", "energy"))] = (
        Field(
            "bill",
            description="What must reach it: energy, standing charge and fees, or energy alone.",
        )
    )
    home_energy: Amount = Field(
        Decimal(0),
        description="What the rest of the home's energy usually costs in a month, before"
        " percentages [currency].",
    )


class PercentTier(Model):
    """A percentage up to some use of the home in a day or a month."""

    percent: PercentAdded = Field(description="Percentage up to there.")
    up_to_kwh: TierEnd | None = Field(
        None, description="Where it ends [kWh of the home's use]; the last one has no end."
    )


class Percentage(Model):
    """A tax, levy or discount in percent of components of the rate."""

    name: Text = Field(description="Name of the percentage, as a bill shows it.")
    percent: PercentAdded | None = Field(
        None, description="What is added [percent]; less than 0 for a discount."
    )
    tiers: (
        Annotated[tuple[PercentTier, ...], Field(strict=False, min_length=2, max_length=20)] | None
    ) = Field(None, description="Percentages by the home's use in a day or a month.")
    on: Annotated[tuple[Text, ...], Field(strict=False, min_length=1)] | None = Field(
        None,
        description="Names of components, of fees, of percentages above it, or standing_charge; "
        "without: all of them.",
    )
    valid_from: Date | None = Field(None, description="First local date on which it holds.")
    valid_to: Date | None = Field(None, description="Last local date on which it holds.")
    months: BandMonths | None = Field(
        None,
        description="Months in which it holds, 1 to 12, or names of seasons; without: every month.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        problems = [
            *_date_problems(self),
            *tier_problems(self.tiers or ()),
            *repeated(self.months, "months"),
            *repeated(self.on, "on"),
        ]
        if (self.percent is None) == (self.tiers is None):
            got = "neither" if self.percent is None else "both"
            problems.append(KeyProblem((), f"expected either percent or tiers, got {got}"))
        refuse(problems)
        return self


Line = RateComponent | Fee | Percentage
"""A line of a bill."""


def _date_problems(entry: Dated) -> Iterator[KeyProblem]:
    first, last = entry.valid_from, entry.valid_to
    if first is not None and last is not None and last < first:
        message = f"expected no date before valid_from, which is {first}, got {last}"
        yield KeyProblem(("valid_to",), message)


def composition_problems(
    components: Sequence[RateComponent] | None,
    fees: Sequence[Fee] | None,
    percentages: Sequence[Percentage] | None,
) -> Iterator[KeyProblem]:
    """Find the broken rules between the lines of a bill: components, fees and percentages.

    Parameters
    ----------
    components : sequence of RateComponent or None
        The components, if the tariff has any.
    fees : sequence of Fee or None
        The fees, if it has any.
    percentages : sequence of Percentage or None
        The percentages, if it has any.

    Yields
    ------
    KeyProblem
        With paths from the tariff.
    """
    series = [
        place for place, component in enumerate(components or ()) if component.prices is not None
    ]
    for place in series[1:]:
        message = f"expected at most one component with prices, got another after [{series[0]}]"
        yield KeyProblem(("components", place, "prices"), message)
    lists: dict[str, Sequence[Line]] = {
        "components": components or (),
        "fees": fees or (),
        "percentages": percentages or (),
    }
    taken = {STANDING_CHARGE: "that of the standing charge"}
    if components is None:
        taken[ENERGY] = "that of the bands or prices"
    for key, lines in lists.items():
        yield from _repeated_names(key, lines)
        for place, line in enumerate(lines):
            if line.name in taken:
                message = f'expected another name than "{line.name}", which is {taken[line.name]}'
                yield KeyProblem((key, place, "name"), message)
        taken |= {line.name: f"one of the {key}" for line in lines if line.name not in taken}
    yield from _unknown_names([*(components or ()), *(fees or ())], components, percentages or ())


def _repeated_names(key: str, lines: Sequence[Line]) -> Iterator[KeyProblem]:
    for earlier, later in combinations(range(len(lines)), 2):
        one, other = lines[earlier], lines[later]
        if one.name == other.name and _hold_together(one, other):
            message = (
                f'expected a unique name, got "{one.name}", also the name of {key}[{earlier}]'
                " at the same time"
            )
            yield KeyProblem((key, later, "name"), message)


def _unknown_names(
    lines: Sequence[Line],
    components: Sequence[RateComponent] | None,
    percentages: Sequence[Percentage],
) -> Iterator[KeyProblem]:
    first = [ENERGY] if components is None else []
    known = dict.fromkeys([*first, *(line.name for line in lines), STANDING_CHARGE])
    for place, percentage in enumerate(percentages):
        for number, name in enumerate(percentage.on or ()):
            if name not in known:
                message = (
                    "expected the name of a component, of a fee, or of a percentage above it"
                    f' ({", ".join(known)}), got "{name}"'
                )
                yield KeyProblem(("percentages", place, "on", number), message)
        known[percentage.name] = None


def _hold_together(one: Line, other: Line) -> bool:
    """Tell whether two lines hold on a common date."""
    for first, second in ((one, other), (other, one)):
        if first.valid_to and second.valid_from and first.valid_to < second.valid_from:
            return False
    mine, theirs = (
        set(line.months or ()) if isinstance(line, Percentage) else set() for line in (one, other)
    )
    return not mine or not theirs or bool(mine & theirs)
