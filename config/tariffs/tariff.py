"""What a household declares about prices: tariffs of bands, of a price series, or of components.

`config.tariffs.bands` checks that the bands of a tariff cover the calendar.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from functools import lru_cache
from typing import TYPE_CHECKING, Annotated, Literal, NamedTuple, Self

from pydantic import Field, ModelWrapValidatorHandler, model_validator

from config.calendar.announced_kinds import AnnouncedDays, kind_problems
from config.calendar.date_sets import DateSet, DateSets, set_problems
from config.calendar.declared_names import unlisted_problems, with_marked_tariff
from config.calendar.tables import Calendar, calendar_of
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import (
    Amount,
    Date,
    Expected,
    Flag,
    Model,
    TaxPercent,
    Text,
    UsualUse,
)
from config.tariffs.band import MOST_BANDS, Band, remainder_problems
from config.tariffs.capacity_charge import CapacityCharge
from config.tariffs.components import (
    ENERGY,
    TAX,
    Fee,
    MinimumBill,
    Percentage,
    RateComponent,
    composition_problems,
)
from config.tariffs.export_rate import EXPORT, ExportRateOrNumber
from config.tariffs.price_file import PriceFile

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.calendar.declared_names import Lists
    from config.calendar.tables import Timed

_SOURCES = ("bands", "prices", "components")
HUNDREDTH = Decimal("0.01")


TiersPer = Literal["day", "month", "days_of_month"]
TIERS_UNITS: Mapping[TiersPer, str] = {
    "day": "day",
    "month": "month",
    "days_of_month": "day of the month",
}
"""What the ends of tiers are for, in words."""


class Tariff(Model):
    """Dated prices for energy: bands of the local clock, a price series, or a sum of components."""

    name: Text = Field(description="Name of the tariff, as accounts show it.")
    valid_from: Date | None = Field(
        None, description="First local date on which it holds; the first tariff may leave it out."
    )
    standing_charge: Amount = Field(
        Decimal(0), description="Charge before tax [currency per local day]."
    )
    in_hundredths: Flag = Field(
        default=False,
        description="Whether the standing charge and all rates per kWh, also prices of a series,"
        " are in hundredths of the currency's unit, such as pence or cents.",
    )
    tax_percent: TaxPercent = Field(
        Decimal(0), description="Tax added to the rates and the standing charge [percent]."
    )
    clock: Annotated[
        Literal["wall", "standard"], Expected("wall or standard", ("wall", "standard"))
    ] = Field("wall", description="standard: the meter's clock ignores daylight saving.")
    tiers_per: (
        Annotated[
            TiersPer, Expected("day, month or days_of_month", ("day", "month", "days_of_month"))
        ]
        | None
    ) = Field(
        None,
        description="Whether the use is counted by the local day or month, for tiers;"
        " days_of_month: by the month, and up_to_kwh and usual_kwh are for each day of it.",
    )
    usual_kwh: UsualUse | None = Field(
        None,
        description="What the home uses in that time without charging [kWh]; charging comes on "
        "top, and is planned at the rate of the next kWh.",
    )
    seasons: DateSets | None = Field(
        None,
        description="Parts of the year that bands list under months; a date in one of them is in"
        " no month.",
    )
    special_days: DateSets | None = Field(
        None,
        description="Days that bands list under days; such a day is neither a weekday nor a public"
        " holiday.",
    )
    announced: AnnouncedDays | None = Field(
        None,
        description="Kinds of day that the supplier announces shortly before; bands list them"
        " under kinds.",
    )
    bands: (
        Annotated[tuple[Band, ...], Field(strict=False, min_length=1, max_length=MOST_BANDS)] | None
    ) = Field(None, description="Bands of the local clock; one of bands, prices and components.")
    prices: PriceFile | None = Field(
        None, description="A price series; one of bands, prices and components."
    )
    components: (
        Annotated[tuple[RateComponent, ...], Field(strict=False, min_length=1, max_length=50)]
        | None
    ) = Field(None, description="Parts whose sum is the rate; one of bands, prices and components.")
    fees: Annotated[tuple[Fee, ...], Field(strict=False, min_length=1, max_length=50)] | None = (
        Field(
            None,
            description="Further amounts for each day, month or year, beside the standing charge.",
        )
    )
    minimum_bill: MinimumBill | None = Field(
        None, description="The least that a month's bill comes to."
    )
    percentages: (
        Annotated[tuple[Percentage, ...], Field(strict=False, min_length=1, max_length=50)] | None
    ) = Field(
        None,
        description="Taxes, levies and discounts in percent of components of the rate, in the order"
        " in which they are added; instead of tax_percent.",
    )
    capacity_charge: CapacityCharge | None = Field(
        None, description="What the highest power of a month or a year costs."
    )
    export_rate: ExportRateOrNumber | None = Field(
        None,
        description="What is paid for energy that the home's own roofs give to the grid [currency"
        " per kWh, as it is paid]: a number, or bands, prices or components; without: 0.",
    )

    @model_validator(mode="wrap")
    @classmethod
    def _read(cls, data: object, handler: ModelWrapValidatorHandler[Self]) -> Self:
        made = handler(with_marked_tariff(data))
        made = made.in_units(HUNDREDTH) if made.in_hundredths else made
        charge = made.capacity_charge
        if charge is None or not (made.seasons or made.special_days):
            return made
        return made.with_dates(made.seasons, made.special_days)

    @model_validator(mode="after")
    def _check(self) -> Self:
        given = [key for key in _SOURCES if getattr(self, key) is not None]
        if len(given) != 1:
            got = " and ".join(given) or "none"
            refuse([KeyProblem((), f"expected one of {', '.join(_SOURCES)}, got {got}")])
        if self.percentages is not None and "tax_percent" in self.model_fields_set:
            message = "expected either tax_percent or percentages, got both"
            refuse([KeyProblem(("tax_percent",), message)])
        refuse(tuple(composition_problems(self.components, self.fees, self.percentages)))
        refuse(tuple(remainder_problems(self.bands or ())))
        refuse(tuple(self._use_problems()))
        refuse(tuple(self._date_problems()))
        refuse(tuple(kind_problems(self.announced, self._kinds_of_bands)))
        sold = self.export_rate.series if self.export_rate else None
        if sold is not None and sold.file is None and self.series is None:
            message = "expected file in its prices: the tariff itself has no price series"
            refuse([KeyProblem(("export_rate",), message)])
        return self

    @property
    def by_kind(self) -> tuple[KindTariff, ...]:
        """A plain tariff for each kind of announced day; none if no band of its own lists kinds."""
        return _by_kind(self)

    @property
    def _kinds_of_bands(self) -> list[tuple[tuple[str | int, ...], tuple[str, ...]]]:
        lists: list[tuple[tuple[str | int, ...], Sequence[Band]]] = [((), self.bands or ())]
        for place, component in enumerate(self.components or ()):
            lists.append((("components", place), component.bands or ()))
        return [
            ((*path, "bands", place), band.kinds)
            for path, bands in lists
            for place, band in enumerate(bands)
            if band.kinds is not None
        ]

    def in_units(self, unit: Decimal) -> Self:
        """Return the tariff with rates that were given in some unit of the currency."""
        update: dict[str, object] = {
            "in_hundredths": False,
            "standing_charge": self.standing_charge * unit,
            "prices": None if self.prices is None else self.prices.in_units(unit),
            "export_rate": None if self.export_rate is None else self.export_rate.in_units(unit),
        }
        for key in ("bands", "components"):
            entries = getattr(self, key)
            update[key] = None if entries is None else tuple(e.in_units(unit) for e in entries)
        return self.model_copy(update=update)

    def with_dates(
        self, seasons: tuple[DateSet, ...] | None, special_days: tuple[DateSet, ...] | None
    ) -> Self:
        """Return the tariff with what its files of dates hold."""
        charge = self.capacity_charge
        update = {
            "seasons": seasons,
            "special_days": special_days,
            "capacity_charge": charge and charge.with_dates(seasons, special_days),
        }
        return self.model_copy(update=update)

    @property
    def calendar(self) -> Calendar:
        """What tells the dates of its own bands apart."""
        return calendar_of(self.bands or (), self.seasons or (), self.special_days or ())

    @property
    def tiers_unit(self) -> str:
        """What the ends of its tiers are for, in words; empty without tiers."""
        return "" if self.tiers_per is None else TIERS_UNITS[self.tiers_per]

    @property
    def all_bands(self) -> tuple[Band, ...]:
        """Its bands, those of its components included."""
        return (
            *(self.bands or ()),
            *(band for component in self.components or () for band in component.bands or ()),
        )

    @property
    def is_composed(self) -> bool:
        """Whether it has components, or percentages other than `tax_percent`."""
        return self.components is not None or self.percentages is not None

    @property
    def tax_factor(self) -> Decimal:
        """What an amount before tax is multiplied by to include the tax, unless it is composed."""
        return (100 + self.tax_percent) / 100

    @property
    def percentages_in_order(self) -> tuple[Percentage, ...]:
        """The percentages of a composed tariff; `tax_percent` is one on everything."""
        if self.percentages is not None or not self.tax_percent:
            return self.percentages or ()
        return (Percentage(name=TAX, percent=self.tax_percent),)

    @property
    def series(self) -> PriceFile | None:
        """The price series that it needs, its own or that of a component."""
        return next(iter(self.series_by_path.values()), None)

    @property
    def series_by_path(self) -> dict[tuple[str | int, ...], PriceFile]:
        """Its price series, one at most, by the keys that lead to it."""
        if self.prices is not None:
            return {("prices",): self.prices}
        return {
            ("components", place, "prices"): component.prices
            for place, component in enumerate(self.components or ())
            if component.prices is not None
        }

    @property
    def export_tariff(self) -> Tariff:
        """What is paid for exported energy, as a tariff of its own; 0 if no rate is declared."""
        return _export_tariff(self)

    @property
    def plain_components(self) -> tuple[PlainComponent, ...]:
        """Its components as plain tariffs of bands or a price series; itself if it has none."""
        return _plain_components(self)

    def _date_problems(self) -> Iterator[KeyProblem]:
        yield from set_problems(self.special_days, "special_days")
        yield from set_problems(self.seasons, "seasons")
        charge, sold = self.capacity_charge, self.export_rate
        timed: tuple[Timed, ...] = (
            *self.all_bands,
            *(charge.timed if charge else ()),
            *(sold.all_bands if sold else ()),
        )
        percentages = (*(self.percentages or ()), *((sold.percentages if sold else None) or ()))
        months: tuple[Lists, ...] = (*timed, *percentages)
        days = [each.days for each in timed]
        yield from unlisted_problems(self.special_days, self.seasons, (days, months))

    def _use_problems(self) -> Iterator[KeyProblem]:
        kinds: dict[str, Sequence[Band | RateComponent | Percentage] | None] = {
            "a band": self.all_bands,
            "a component": self.components,
            "a percentage": self.percentages,
        }
        tiered = [kind for kind, entries in kinds.items() if _any_tiers(entries or ())]
        for key in ("tiers_per", "usual_kwh"):
            is_given = getattr(self, key) is not None
            if tiered and not is_given:
                yield KeyProblem((), f"expected {key}, since {tiered[0]} has tiers")
            if is_given and not tiered:
                yield KeyProblem((key,), "expected a band with tiers beside it; no band has any")


@dataclass(frozen=True, slots=True)
class PlainComponent:
    """A component of a rate, as a tariff of its own without tax.

    Attributes
    ----------
    name : str
        Name of the component.
    tariff : Tariff
        Its bands or its price series.
    valid_from, valid_to : date or None
        First and last local date on which it holds; None is no limit.
    """

    name: str
    tariff: Tariff
    valid_from: date | None
    valid_to: date | None


def _any_tiers(entries: Sequence[Band | RateComponent | Percentage]) -> bool:
    return any(entry.tiers is not None for entry in entries)


@lru_cache(maxsize=64)
def _plain_components(tariff: Tariff) -> tuple[PlainComponent, ...]:
    if not tariff.is_composed:
        return (PlainComponent(ENERGY, tariff, None, None),)
    components = tariff.components
    if components is None:
        components = (RateComponent(name=ENERGY, bands=tariff.bands, prices=tariff.prices),)
    return tuple(
        PlainComponent(
            component.name, _plain(tariff, component), component.valid_from, component.valid_to
        )
        for component in components
    )


def _plain(tariff: Tariff, component: RateComponent) -> Tariff:
    bands = component.all_bands
    has_tiers = any(band.tiers is not None for band in bands or ())
    calendar = calendar_of(bands or (), tariff.seasons or (), tariff.special_days or ())
    return Tariff(
        name=tariff.name,
        clock=tariff.clock,
        tiers_per=tariff.tiers_per if has_tiers else None,
        usual_kwh=tariff.usual_kwh if has_tiers else None,
        seasons=calendar.seasons or None,
        special_days=calendar.special_days or None,
        announced=tariff.announced if _lists_kinds(bands or ()) else None,
        bands=bands,
        prices=component.prices,
    )


@lru_cache(maxsize=64)
def _export_tariff(tariff: Tariff) -> Tariff:
    sold = tariff.export_rate
    bands = sold.bands if sold else None
    if sold is None or sold.rate is not None:
        bands = (Band(name=EXPORT, rate=sold.rate if sold else Decimal(0)),)
    listing = (*(bands or ()), *(sold.all_bands if sold else ()))
    percentages = (sold.percentages if sold else None) or ()
    calendar = calendar_of(listing, tariff.seasons or (), tariff.special_days or ())
    months = {month for each in percentages for month in each.months or ()}
    seasons = [
        each
        for each in tariff.seasons or ()
        if each.name in months or each in (calendar.seasons or ())
    ]
    return Tariff(
        name=tariff.name,
        valid_from=tariff.valid_from,
        clock=tariff.clock,
        seasons=tuple(seasons) or None,
        special_days=calendar.special_days or None,
        bands=bands,
        prices=sold.prices if sold else None,
        components=sold.components if sold else None,
        percentages=percentages or None,
    )


class KindTariff(NamedTuple):
    """A tariff on announced days of one kind.

    Attributes
    ----------
    kind : str
        Name of the kind.
    tariff : Tariff
        The bands that hold on such days.
    places : tuple of int
        Where each of them stands in the tariff's own list.
    """

    kind: str
    tariff: Tariff
    places: tuple[int, ...]


def _lists_kinds(bands: Sequence[Band]) -> bool:
    return any(band.kinds is not None for band in bands)


@lru_cache(maxsize=64)
def _by_kind(tariff: Tariff) -> tuple[KindTariff, ...]:
    bands = tariff.bands or ()
    if tariff.announced is None or not _lists_kinds(bands):
        return ()
    found = []
    for kind in tariff.announced.names:
        places = [n for n, band in enumerate(bands) if band.kinds is None or kind in band.kinds]
        held = tuple(bands[place].model_copy(update={"kinds": None}) for place in places)
        calendar = calendar_of(held, tariff.seasons or (), tariff.special_days or ())
        update = {
            "bands": held,
            "announced": None,
            "seasons": calendar.seasons or None,
            "special_days": calendar.special_days or None,
        }
        found.append(KindTariff(kind, tariff.model_copy(update=update), tuple(places)))
    return tuple(found)
