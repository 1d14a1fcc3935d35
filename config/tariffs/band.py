"""A band of a tariff: a named set of hours with one unit rate, or with tiers."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Protocol, Self

from pydantic import Field, model_validator

from config.calendar.day_kinds import BandDays, BandMonths, HoursOfDay, repeated
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Model, Rate, Text, TierEnd
from config.tariffs.rising_ends import end_problems

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

MOST_BANDS = 100
"""So many bands at most has a tariff, or a part of a rate."""


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
    days: BandDays | None = Field(
        None,
        description="Days on which the hours hold, or names of special_days; without: every day.",
    )
    months: BandMonths | None = Field(
        None,
        description="Months in which the hours hold, 1 to 12, or names of seasons; without: all.",
    )

    kinds: Annotated[tuple[Text, ...], Field(strict=False, min_length=1)] | None = Field(
        None,
        description="Kinds of announced days on which the band holds; without: on all of them.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        keys = ("days", "months", "kinds")
        problems = [problem for key in keys for problem in repeated(getattr(self, key), key)]
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
        refuse([*problems, *tier_problems(self.tiers or ())])
        return self

    def in_units(self, unit: Decimal) -> Band:
        """Return the band with rates that were given in some unit of the currency."""
        rate = None if self.rate is None else self.rate * unit
        return self.model_copy(update={"rate": rate, "tiers": tiers_in_units(self.tiers, unit)})


def tiers_in_units(tiers: tuple[Tier, ...] | None, unit: Decimal) -> tuple[Tier, ...] | None:
    """Return tiers with rates that were given in some unit of the currency."""
    if tiers is None:
        return None
    return tuple(tier.model_copy(update={"rate": tier.rate * unit}) for tier in tiers)


def remainder_problems(bands: Sequence[Band]) -> Iterator[KeyProblem]:
    """Find bands without hours beyond the first of each kind of announced day.

    Parameters
    ----------
    bands : sequence of Band
        Bands of one calendar.

    Yields
    ------
    KeyProblem
        With paths from the entry that has the bands.
    """
    places = [place for place, band in enumerate(bands) if band.hours is None]
    for place, earlier in ((p, places[:n]) for n, p in enumerate(places)):
        if any(_share_a_kind(bands[place], bands[other]) for other in earlier):
            message = "expected at most one band without hours, got another"
            yield KeyProblem(("bands", place), message)


def _share_a_kind(one: Band, other: Band) -> bool:
    return one.kinds is None or other.kinds is None or bool({*one.kinds} & {*other.kinds})


class UpTo(Protocol):
    """An entry that holds up to some use of the home."""

    @property
    def up_to_kwh(self) -> Decimal | None:
        """Where it ends [kWh]; None for the last one."""


def tier_problems(tiers: Sequence[UpTo]) -> Iterator[KeyProblem]:
    """Find tiers whose ends are missing or do not rise.

    Parameters
    ----------
    tiers : sequence of UpTo
        In the order of the file.

    Yields
    ------
    KeyProblem
        With paths from the entry that has the tiers.
    """
    ends = [tier.up_to_kwh for tier in tiers]
    yield from end_problems(ends, "tier", "up_to_kwh", "all that is used beyond the others")
