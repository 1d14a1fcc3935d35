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
from config.fields.value_types import Expected, Flag, Model
from config.wiring.topics import TopicName
from config.wiring.values import (
    CurrentOfPhases,
    EnergyTotal,
    PilotInput,
    PlugInput,
    PowerTotal,
    SocInput,
    Source,
)

PLACEHOLDERS = ("amps", "watts", "valid_until", "seconds", "serial")
"""Names allowed between braces in a text or a JSON value: current per phase [A], power [W], the
instant at which a start expires (RFC 3339), how long until then [seconds], the command's serial."""

_BRACED = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}", re.ASCII)

QualityOfService = Annotated[Literal[0, 1, 2], Expected("0, 1 or 2, as in MQTT")]


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


class WiringInputs(Model):
    """Where a charge point's values come from."""

    power: PowerTotal | None = Field(None, description="Power that flows.")
    energy: EnergyTotal | None = Field(None, description="The meter's energy register.")
    current: CurrentOfPhases | None = Field(None, description="Current that flows.")
    soc: SocInput | None = Field(None, description="State of charge of the vehicle.")
    pilot: PilotInput | None = Field(None, description="Control pilot, A to F.")
    plugged_in: PlugInput | None = Field(None, description="Whether a vehicle is plugged in.")

    @property
    def topics(self) -> tuple[str, ...]:
        """The topics to subscribe to, each once."""
        return tuple(dict.fromkeys(source.topic for _, source in self.sources))

    @property
    def sources(self) -> tuple[tuple[str, Source], ...]:
        """All values that messages have, each with its key; parts of a sum one by one."""
        found: list[tuple[str, Source]] = []
        for key in type(self).model_fields:
            whole: Source | None = getattr(self, key)
            parts: tuple[Source, ...] = () if whole is None else getattr(whole, "parts", (whole,))
            found += ((key, part) for part in parts)
        return tuple(found)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not any(getattr(self, name) for name in type(self).model_fields):
            wanted = ", ".join(type(self).model_fields)
            refuse([KeyProblem((), f"expected at least one of {wanted}")])
        if self.pilot is not None and self.plugged_in is not None:
            refuse([KeyProblem(("plugged_in",), "expected either pilot or plugged_in, got both")])
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
