"""What is paid for energy that the home gives to the grid: constant, by bands, by prices, a sum."""

from __future__ import annotations

from decimal import Decimal
from typing import TYPE_CHECKING, Annotated, Any, Final, Self

from pydantic import BeforeValidator, Field, GetJsonSchemaHandler, model_validator
from pydantic_core import PydanticCustomError
from typing_extensions import override

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Model, Rate
from config.tariffs.band import MOST_BANDS, Band, remainder_problems
from config.tariffs.components import Percentage, RateComponent, composition_problems
from config.tariffs.price_file import PriceFile

if TYPE_CHECKING:
    from collections.abc import Iterator

    from pydantic.json_schema import JsonSchemaValue
    from pydantic_core import CoreSchema

EXPORT: Final = "export"
"""Name of the only band of a constant export rate."""

_SOURCES = ("rate", "bands", "prices", "components")


class ExportRate(Model):
    """What is paid for a kWh that goes to the grid; 0 or less where nothing is paid for it."""

    rate: Rate | None = Field(
        None, description="The same at all hours [currency per kWh], as it is paid."
    )
    bands: (
        Annotated[tuple[Band, ...], Field(strict=False, min_length=1, max_length=MOST_BANDS)] | None
    ) = Field(None, description="Bands of the local clock; they cover every hour.")
    prices: PriceFile | None = Field(
        None,
        description="A price series; without a file of its own, the prices of the tariff itself.",
    )
    components: (
        Annotated[tuple[RateComponent, ...], Field(strict=False, min_length=1, max_length=50)]
        | None
    ) = Field(None, description="Parts whose sum is the rate.")
    percentages: (
        Annotated[tuple[Percentage, ...], Field(strict=False, min_length=1, max_length=50)] | None
    ) = Field(None, description="Taxes in percent of components of it, below 0 for a deduction.")

    @classmethod
    @override
    def __get_pydantic_json_schema__(
        cls, schema: CoreSchema, handler: GetJsonSchemaHandler
    ) -> JsonSchemaValue:
        return {"anyOf": [{"type": "number"}, handler(schema)]}

    @property
    def series(self) -> PriceFile | None:
        """The price series that it needs, its own or that of a component."""
        series = [self.prices, *(each.prices for each in self.components or ())]
        return next((each for each in series if each is not None), None)

    @property
    def all_bands(self) -> tuple[Band, ...]:
        """Its bands, those of its components included."""
        parts = (band for each in self.components or () for band in each.bands or ())
        return (*(self.bands or ()), *parts)

    def in_units(self, unit: Decimal) -> ExportRate:
        """Return the same with rates that were given in some unit of the currency."""
        update: dict[str, Any] = {
            "rate": None if self.rate is None else self.rate * unit,
            "prices": None if self.prices is None else self.prices.in_units(unit),
        }
        for key in ("bands", "components"):
            entries = getattr(self, key)
            update[key] = None if entries is None else tuple(e.in_units(unit) for e in entries)
        return self.model_copy(update=update)

    @model_validator(mode="after")
    def _check(self) -> Self:
        given = [key for key in _SOURCES if getattr(self, key) is not None]
        if len(given) != 1:
            got = " and ".join(given) or "none"
            refuse([KeyProblem((), f"expected one of {', '.join(_SOURCES)}, got {got}")])
        refuse(tuple(composition_problems(self.components, None, self.percentages)))
        refuse(tuple(remainder_problems(self.bands or ())))
        refuse(tuple(self._problems()))
        return self

    def _problems(self) -> Iterator[KeyProblem]:
        if self.rate is not None and self.percentages is not None:
            yield KeyProblem(("percentages",), "expected none beside rate, which is what is paid")
        for path, entry in self._entries():
            for key in ("tiers", "kinds"):
                if getattr(entry, key, None) is not None:
                    message = f"expected no {key} in an export rate"
                    yield KeyProblem((*path, key), message)
        if (series := self.series) is not None and series.fetch is not None:
            path = ("prices",) if self.prices is not None else ("components",)
            yield KeyProblem(path, "expected no fetch here: only a tariff's own prices are fetched")

    def _entries(self) -> Iterator[tuple[tuple[str | int, ...], Band | RateComponent | Percentage]]:
        """List its bands, components and percentages with their paths."""
        for key in ("bands", "components", "percentages"):
            for place, entry in enumerate(getattr(self, key) or ()):
                yield (key, place), entry
                for number, band in enumerate(getattr(entry, "bands", None) or ()):
                    yield (key, place, "bands", number), band


def _of_a_number(value: object) -> object:
    if isinstance(value, int | float | Decimal) and not isinstance(value, bool):
        return {"rate": value}
    if not isinstance(value, dict | ExportRate):
        wanted = "expected a number of {currency} per kWh, or bands, prices or components"
        raise PydanticCustomError("expected", wanted, {"choices": (), "limits": "", "kind": ""})
    return value


ExportRateOrNumber = Annotated[
    ExportRate,
    BeforeValidator(_of_a_number),
]
"""An export rate; a plain number is the same rate at all hours."""
