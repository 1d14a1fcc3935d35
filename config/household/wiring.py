"""How hardware with its own topics gets commands and reports values.

A charge point without `wiring` speaks the daemon's own messages. With it, `tell` says what is
published to start and stop it, and `hear` where its values come from. Each works without the other.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Flag, Model, checked, is_pointer

PLACEHOLDERS = ("amps", "watts", "valid_until", "seconds", "serial")
"""Names allowed between braces in a text or a JSON value: current per phase [A], power [W], the
instant at which a start expires (RFC 3339), how long until then [seconds], the command's serial."""

_BRACED = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}", re.ASCII)
_LONGEST_TOPIC = 1000

PilotState = Literal["A", "B", "C", "D", "E", "F"]


def is_topic(text: str) -> bool:
    """Tell whether a text is a topic to publish to."""
    return _is_plain(text) and not set(text) & set("+#")


def is_filter(text: str) -> bool:
    """Tell whether a text is a topic filter: ``+`` for a level, ``#`` for the rest."""
    levels = text.split("/")
    return (
        _is_plain(text)
        and all(level == "+" or "+" not in level for level in levels)
        and all("#" not in level for level in levels[:-1])
        and (levels[-1] == "#" or "#" not in levels[-1])
    )


def _is_plain(text: str) -> bool:
    """Tell whether a text has no control characters and no leading ``$``."""
    return 0 < len(text) <= _LONGEST_TOPIC and text.isprintable() and not text.startswith("$")


TopicName = Annotated[
    str, checked(is_topic), Expected("a topic without +, #, control characters or a leading $")
]
TopicFilter = Annotated[
    str,
    checked(is_filter),
    Expected("a topic, in which + may stand for one level and # for the rest"),
]
Pointer = Annotated[
    str,
    checked(is_pointer),
    Expected('a JSON Pointer (RFC 6901) such as "/energy/total"'),
]
Scale = Annotated[
    float, Field(gt=-1_000_000, lt=1_000_000), Expected("a number other than 0, below a million")
]
QualityOfService = Annotated[Literal[0, 1, 2], Expected("0, 1 or 2, as in MQTT")]
Words = Annotated[
    dict[str, Annotated[PilotState, Expected("a state of the control pilot, A to F")]],
    Field(min_length=1, max_length=50),
]
YesNo = Annotated[dict[str, Flag], Field(min_length=1, max_length=50)]


class OutputMessage(Model):
    """One message to hardware: a text, or a JSON object, with placeholders in braces."""

    topic: TopicName = Field(description="Where it is published.")
    text: Annotated[str, Field(max_length=5000), Expected("a text")] | None = Field(
        None, description="The whole payload, such as on or {amps}; either this or object."
    )
    object: dict[str, Any] | None = Field(
        None, description='A JSON object; a value of exactly "{amps}" becomes a number.'
    )
    qos: QualityOfService = Field(1, description="MQTT quality of service.")
    retain: Flag = Field(default=False, description="Whether the broker keeps the message.")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if (self.text is None) == (self.object is None):
            got = "neither" if self.text is None else "both"
            refuse([KeyProblem((), f"expected either text or object, got {got}")])
        refuse(tuple(self._unknown_placeholders()))
        return self

    def _unknown_placeholders(self) -> Iterator[KeyProblem]:
        key = "object" if self.text is None else "text"
        for name in sorted(self.placeholders - set(PLACEHOLDERS)):
            known = ", ".join(f"{{{name}}}" for name in PLACEHOLDERS)
            yield KeyProblem((key,), f"expected one of {known} between braces, got {{{name}}}")

    def says_the_same_as(self, other: OutputMessage) -> bool:
        """Whether hardware can't distinguish this message from another."""
        own = (self.topic, self.text, self.object)
        return own == (other.topic, other.text, other.object)

    @property
    def placeholders(self) -> frozenset[str]:
        """The names that stand between braces."""
        return frozenset(_names_in(self.object if self.text is None else self.text))


def _names_in(value: object) -> Iterator[str]:
    if isinstance(value, str):
        yield from _BRACED.findall(value)
    elif isinstance(value, Mapping):
        for inner in value.values():
            yield from _names_in(inner)
    elif isinstance(value, list):
        for inner in value:
            yield from _names_in(inner)


class WiringOutputs(Model):
    """The messages to a charge point."""

    start: OutputMessage = Field(description="Starts it.")
    stop: OutputMessage = Field(description="Stops it.")
    current: OutputMessage | None = Field(
        None, description="Sets its current, before a start and whenever the current changes."
    )
    repeat_minutes: (
        Annotated[int, Field(ge=1, le=60), Expected("a whole number of minutes from 1 to 60")]
        | None
    ) = Field(
        None,
        description="How often to repeat the command in force, for hardware that may forget it "
        "[minutes].",
    )
    stop_as_will: Flag = Field(
        default=False,
        description="Leaves its stop with the broker as the Will of a separate connection, for a "
        "plug or relay that would stay on if the daemon died.",
    )

    @property
    def is_start_limited(self) -> bool:
        """Whether a start says when it expires; else only a stop ends it."""
        return bool({"seconds", "valid_until"} & self.start.placeholders)


class NumberInput(Model):
    """A number in messages of hardware."""

    topic: TopicFilter = Field(description="Where it is published.")
    pointer: Pointer | None = Field(
        None, description="Where it is in a JSON payload; without: the payload is the number."
    )
    scale: Scale = Field(1.0, description="What it is multiplied by.")

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.scale == 0:
            refuse([KeyProblem(("scale",), "expected a number other than 0, got 0")])
        return self


class PowerInput(NumberInput):
    """The power that flows."""

    unit: Annotated[Literal["W", "kW"], Expected("W or kW", ("W", "kW"))] = Field(
        "W", description="Unit, after scaling."
    )


class EnergyInput(NumberInput):
    """Energy that has flowed since the meter was new, or was reset."""

    unit: Annotated[Literal["Wh", "kWh", "MWh"], Expected("Wh, kWh or MWh")] = Field(
        "kWh", description="Unit, after scaling."
    )


class CurrentInput(NumberInput):
    """The current that flows [A per phase]."""


class SocInput(NumberInput):
    """State of charge of the vehicle [percent]."""


class PilotInput(Model):
    """State of the control pilot (IEC 61851-1), A to F."""

    topic: TopicFilter = Field(description="Where it is published.")
    pointer: Pointer | None = Field(
        None, description="Where it is in a JSON payload; without: the payload is the word."
    )
    words: Words | None = Field(
        None, description="What each word of the hardware means, as a letter from A to F."
    )


class PlugInput(Model):
    """A word that says whether a vehicle is plugged in."""

    topic: TopicFilter = Field(description="Where it is published.")
    pointer: Pointer | None = Field(
        None, description="Where it is in a JSON payload; without: the payload is the word."
    )
    words: YesNo | None = Field(
        None, description="What each word of the hardware means; without: true, on, 1 and so on."
    )


class WiringInputs(Model):
    """Where a charge point's values come from."""

    power: PowerInput | None = Field(None, description="Power that flows.")
    energy: EnergyInput | None = Field(None, description="The meter's energy register.")
    current: CurrentInput | None = Field(None, description="Current that flows.")
    soc: SocInput | None = Field(None, description="State of charge of the vehicle.")
    pilot: PilotInput | None = Field(None, description="Control pilot, A to F.")
    plugged_in: PlugInput | None = Field(None, description="Whether a vehicle is plugged in.")

    @property
    def topics(self) -> tuple[str, ...]:
        """The topics to subscribe to, each once."""
        sources = (getattr(self, name) for name in type(self).model_fields)
        return tuple(dict.fromkeys(each.topic for each in sources if each is not None))

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not any(getattr(self, name) for name in type(self).model_fields):
            wanted = ", ".join(type(self).model_fields)
            refuse([KeyProblem((), f"expected at least one of {wanted}")])
        if self.pilot is not None and self.plugged_in is not None:
            refuse([KeyProblem(("plugged_in",), "expected either pilot or plugged_in, got both")])
        return self


class LoadMeter(Model):
    """A meter with its own topics that shows what the home draws."""

    phases: Annotated[tuple[CurrentInput, ...], Field(strict=False)] = Field(
        description="Where its currents are published: one, which then is the highest, or those of "
        "L1, L2 and L3."
    )
    includes_charge_points: Flag = Field(
        default=False, description="Whether the charge points' own current is part of them."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(self.phases) not in {1, 3}:
            got = f"expected one current, or three: L1, L2 and L3; got {len(self.phases)}"
            refuse([KeyProblem(("phases",), got)])
        return self


class GridMeter(Model):
    """A meter with its own topics that shows what flows between the home and the grid."""

    power: Annotated[tuple[PowerInput, ...], Field(strict=False)] = Field(
        description="Where its power is published: one, the sum of the phases, or those of L1, L2"
        " and L3. What the home takes is positive, what it gives is negative; scale: -1 turns a"
        " meter round that has it the other way."
    )
    export: Annotated[tuple[PowerInput, ...], Field(strict=False)] | None = Field(
        None,
        description="For a meter that shows export apart: where, as often as power, which then is"
        " import alone.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if len(self.power) not in {1, 3}:
            got = f"expected one power, or three: L1, L2 and L3; got {len(self.power)}"
            refuse([KeyProblem(("power",), got)])
        if self.export is not None and len(self.export) != len(self.power):
            got = f"expected {len(self.power)}, as many as power; got {len(self.export)}"
            refuse([KeyProblem(("export",), got)])
        return self


class Wiring(Model):
    """Commands to a charge point, and its values."""

    tell: WiringOutputs | None = Field(
        None, description="Messages to it; without: only the daemon's own commands."
    )
    hear: WiringInputs | None = Field(
        None, description="Where its values come from; without: only the daemon's own topics."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        if self.tell is None and self.hear is None:
            refuse([KeyProblem((), "expected tell, hear or both")])
        return self


def wiring_problems(wiring: Wiring | None, switching: str) -> Iterator[KeyProblem]:
    """Find what is wrong with a charge point's wiring.

    Parameters
    ----------
    wiring : Wiring or None
        As the file has it.
    switching : str
        ``"on_off"`` or ``"current"``.

    Yields
    ------
    KeyProblem
        With paths from the charge point.
    """
    tell = wiring.tell if wiring else None
    if tell is None:
        return
    messages = [tell.start, *([tell.current] if tell.current else [])]
    if switching == "current" and not any(
        {"amps", "watts"} & message.placeholders for message in messages
    ):
        yield KeyProblem(
            ("wiring", "tell"),
            "expected {amps} or {watts} in start or current, since switching is current",
        )
    if tell.start.says_the_same_as(tell.stop):
        yield KeyProblem(
            ("wiring", "tell", "stop"),
            "expected another message than start's: hardware that only changes over at each message"
            " can't be told to stop, since nobody knows which state it is in",
        )
    for name in sorted(tell.stop.placeholders & {"amps", "watts", "valid_until", "seconds"}):
        yield KeyProblem(("wiring", "tell", "stop"), f"expected no {{{name}}}: a stop has none")
