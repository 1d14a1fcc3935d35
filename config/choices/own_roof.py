"""What a choices file declares of the home's own solar roofs, and of a year of weather for them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final, Self

from pydantic import Field, model_validator
from typing_extensions import override

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Model, Text
from config.home.generation import Generation

if TYPE_CHECKING:
    from collections.abc import Iterator

MONTHS: Final = 12

DAEMON_KEYS: Final = ("forecast", "when_too_little")
"""Keys of a household file's generation that only a running daemon needs."""

_OF_THE_HOUSEHOLD = ("latitude", "longitude", "roofs", "inverter_kw", "trust_percent")

_DaySun = Annotated[
    float, Field(ge=0, le=12), Expected("an energy of a day from 0 to 12 kWh per m2")
]


class YearOfWeather(Model):
    """How much sun a typical year has, from a published table or an offer."""

    yearly_kwh_per_kwp: (
        Annotated[
            float, Field(ge=100, le=2600), Expected("a year's energy from 100 to 2600 kWh per kWp")
        ]
        | None
    ) = Field(
        None,
        description="What a kilowatt of peak power gives in a year, after losses [kWh per kWp]; its"
        " seasons are then those of a clear sky.",
    )
    daily_sun_kwh_per_m2: (
        Annotated[tuple[_DaySun, ...], Field(strict=False, min_length=MONTHS, max_length=MONTHS)]
        | None
    ) = Field(
        None,
        description="Mean sun of a day on a level plane in each month, January first [kWh per m2],"
        " as published for the place.",
    )
    source: Text | None = Field(
        None, description="Where these figures are from, as the report names it."
    )
    seed: Annotated[int, Field(ge=0), Expected("a whole number, 0 or more")] = Field(
        1, description="Start of the random order of dull and clear days."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        keys = ("yearly_kwh_per_kwp", "daily_sun_kwh_per_m2")
        given = [key for key in keys if getattr(self, key) is not None]
        if len(given) != 1:
            got = "both" if given else "none"
            refuse([KeyProblem((), f"expected one of {', '.join(keys)}, got {got}")])
        return self


class AppraisedGeneration(Generation):
    """The home's own roofs, as in a household file or taken from one, with a year of weather."""

    household: FilePath | None = Field(
        None, description="A household file to take the roofs from, with their place."
    )
    weather: YearOfWeather = Field(description="The weather of the appraised year.")

    @override
    def _problems(self) -> Iterator[KeyProblem]:
        for key in DAEMON_KEYS:
            if key in self.model_fields_set:
                message = "expected to be left out: it is for a running daemon only"
                yield KeyProblem((key,), message)
        if self.household is not None:
            for key in _OF_THE_HOUSEHOLD:
                if key in self.model_fields_set:
                    message = "expected to be left out: household has it"
                    yield KeyProblem((key,), message)
        elif not self.roofs:
            yield KeyProblem((), "expected roofs, or household to take them from")
        else:
            yield from super()._problems()

    def like(self, other: Generation) -> AppraisedGeneration:
        """Return the roofs of a household file, with this weather."""
        same = {key: getattr(other, key) for key in _OF_THE_HOUSEHOLD}
        return self.model_copy(update={"household": None, **same})
