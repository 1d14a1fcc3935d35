"""Where a value is in a message of hardware, and in which unit or words."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Annotated, ClassVar, Final, Literal, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Flag, Model
from config.wiring.patterns import Pattern, places_of
from config.wiring.topics import Pointer, TopicFilter

PLACES: Final = (
    "power", "energy", "current", "soc", "pilot", "plugged_in", "closed", "switched_on",
    "availability", "acknowledgement", "serial",
)  # fmt: skip
"""Names of places in a pattern: the keys that have values, and the serial of a command."""

IN_TEXT: Final = "in_text"
"""The unit of a number whose unit stands behind it."""

Scale = Annotated[
    float, Field(gt=-1_000_000, lt=1_000_000), Expected("a number other than 0, below a million")
]
PilotState = Literal["A", "B", "C", "D", "E", "F"]
Words = Annotated[
    dict[str, Annotated[PilotState, Expected("a state of the control pilot, A to F")]],
    Field(min_length=1, max_length=50),
]
YesNo = Annotated[dict[str, Flag], Field(min_length=1, max_length=50)]


class Source(Model):
    """Where a value is in messages of hardware."""

    place: ClassVar[str]
    """The name of its place in a pattern."""

    topic: TopicFilter = Field(description="Where it is published.")
    pointer: Pointer | None = Field(
        None, description="Where it is in a JSON payload; without: the payload is the value."
    )
    pattern: Pattern | None = Field(
        None,
        description="The text in which it stands, whole, with the key's name in braces in its place"
        " and {} for anything else; with pointer, the text there.",
    )

    @model_validator(mode="after")
    def _check_pattern(self) -> Self:
        refuse(tuple(self._pattern_problems()))
        return self

    def _pattern_problems(self) -> Iterator[KeyProblem]:
        if self.pattern is None:
            return
        places = places_of(self.pattern)
        for name in sorted({name for name in places.names if name} - set(PLACES)):
            known = ", ".join(f"{{{name}}}" for name in PLACES)
            message = f"expected one of {known} or {{}} between braces, got {{{name}}}"
            yield KeyProblem(("pattern",), message)
        if self.place not in places.names:
            yield KeyProblem(("pattern",), f"expected {{{self.place}}} in it")
        if places.touches:
            message = "expected a text between each two places: else nobody can tell where one ends"
            yield KeyProblem(("pattern",), message)


class NumberInput(Source):
    """A number in messages of hardware."""

    scale: Scale = Field(1.0, description="What it is multiplied by.")
    decimal_comma: Flag = Field(
        default=False, description="Whether a text has a comma in place of the decimal point."
    )

    @model_validator(mode="after")
    def _check_scale(self) -> Self:
        if self.scale == 0:
            refuse([KeyProblem(("scale",), "expected a number other than 0, got 0")])
        return self


class PowerInput(NumberInput):
    """The power that flows."""

    place: ClassVar[str] = "power"
    unit: Annotated[
        Literal["W", "kW", "in_text"],
        Expected("W, kW or in_text", ("W", "kW", "in_text")),
    ] = Field("W", description="Unit, after scaling; in_text: it stands behind the number.")


class EnergyInput(NumberInput):
    """Energy that has flowed since the meter was new, or was reset."""

    place: ClassVar[str] = "energy"
    unit: Annotated[
        Literal["Wh", "kWh", "MWh", "in_text"],
        Expected("Wh, kWh, MWh or in_text"),
    ] = Field("kWh", description="Unit, after scaling; in_text: it stands behind the number.")


class CurrentInput(NumberInput):
    """The current that flows [A per phase]."""

    place: ClassVar[str] = "current"
    unit: Annotated[Literal["A", "mA", "in_text"], Expected("A, mA or in_text")] = Field(
        "A", description="Unit, after scaling; in_text: it stands behind the number."
    )


class SocInput(NumberInput):
    """State of charge of the vehicle [percent]."""

    place: ClassVar[str] = "soc"
    unit: Annotated[Literal["%", "in_text"], Expected("% or in_text")] = Field(
        "%", description="in_text: the percent sign stands behind the number."
    )


class PilotInput(Source):
    """State of the control pilot (IEC 61851-1), A to F."""

    place: ClassVar[str] = "pilot"
    words: Words | None = Field(
        None, description="What each word of the hardware means, as a letter from A to F."
    )


class YesNoInput(Source):
    """A word that says yes or no."""

    words: YesNo | None = Field(
        None, description="What each word of the hardware means; without: true, on, 1 and so on."
    )


class PlugInput(YesNoInput):
    """A word that says whether a vehicle is plugged in."""

    place: ClassVar[str] = "plugged_in"


class SwitchInput(YesNoInput):
    """A word that says whether the hardware is switched on."""

    place: ClassVar[str] = "switched_on"


class AvailabilityInput(YesNoInput):
    """A word that says whether the hardware is there: of its birth message, and of its Will."""

    place: ClassVar[str] = "availability"


class AcknowledgementInput(YesNoInput):
    """A word with which the hardware acknowledges a command, or refuses it."""

    place: ClassVar[str] = "acknowledgement"


NO_TOPIC: Final = ""
FEWEST_PARTS: Final = 2
MOST_PARTS: Final = 12
_OF_ONE: Final = ("pointer", "pattern", "scale", "decimal_comma", "unit")
_TOPIC: Final = "Where it is published; either this or several values."


class PowerTotal(PowerInput):
    """The power that flows: one value, or a sum of several."""

    topic: TopicFilter = Field(NO_TOPIC, description=_TOPIC)
    sum: Annotated[tuple[PowerInput, ...], Field(strict=False)] | None = Field(
        None, description="Several values that are added, such as those of three phases."
    )

    @property
    def parts(self) -> tuple[PowerInput, ...]:
        """The values that it is made of."""
        return (self,) if self.sum is None else self.sum

    @model_validator(mode="after")
    def _check_parts(self) -> Self:
        refuse(tuple(_part_problems(self, "sum", self.sum)))
        return self


class EnergyTotal(EnergyInput):
    """Energy that has flowed: one register, or a sum of several."""

    topic: TopicFilter = Field(NO_TOPIC, description=_TOPIC)
    sum: Annotated[tuple[EnergyInput, ...], Field(strict=False)] | None = Field(
        None, description="Several registers that are added, such as those of three phases."
    )

    @property
    def parts(self) -> tuple[EnergyInput, ...]:
        """The values that it is made of."""
        return (self,) if self.sum is None else self.sum

    @model_validator(mode="after")
    def _check_parts(self) -> Self:
        refuse(tuple(_part_problems(self, "sum", self.sum)))
        return self


class CurrentOfPhases(CurrentInput):
    """The current that flows: one value, or those of the phases, of which the highest counts."""

    topic: TopicFilter = Field(NO_TOPIC, description=_TOPIC)
    highest: Annotated[tuple[CurrentInput, ...], Field(strict=False)] | None = Field(
        None, description="The currents of several phases; the highest counts."
    )

    @property
    def parts(self) -> tuple[CurrentInput, ...]:
        """The values that it is made of."""
        return (self,) if self.highest is None else self.highest

    @model_validator(mode="after")
    def _check_parts(self) -> Self:
        refuse(tuple(_part_problems(self, "highest", self.highest)))
        return self


def _part_problems(
    whole: NumberInput, key: str, parts: tuple[NumberInput, ...] | None
) -> Iterator[KeyProblem]:
    has_topic = whole.topic != NO_TOPIC
    if parts is None:
        if not has_topic:
            yield KeyProblem((), f"expected topic or {key}, got neither")
        return
    if has_topic:
        yield KeyProblem((key,), f"expected either topic or {key}, got both")
    if not FEWEST_PARTS <= len(parts) <= MOST_PARTS:
        message = f"expected {FEWEST_PARTS} to {MOST_PARTS} values, got {len(parts)}"
        yield KeyProblem((key,), message)
    for name in _OF_ONE:
        if name in whole.model_fields_set:
            yield KeyProblem((name,), f"expected it in each value of {key}")
