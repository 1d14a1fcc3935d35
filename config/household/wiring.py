"""How hardware with its own topics gets commands and reports values.

A charge point without `wiring` speaks the daemon's own messages. With it, `tell` says what is
published to start and stop it, and `hear` where its values come from. Each works without the other.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import Field, model_validator

from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, Flag, Model
from config.wiring.patterns import places_of
from config.wiring.topics import TopicName
from config.wiring.values import (
    AcknowledgementInput,
    AvailabilityInput,
    CurrentOfPhases,
    EnergyTotal,
    PilotInput,
    PlugInput,
    PowerTotal,
    SocInput,
    Source,
    SwitchInput,
)

PLACEHOLDERS = ("amps", "watts", "phases", "valid_until", "seconds", "serial")
"""Names allowed between braces in a text or a JSON value: current per phase [A], power [W], how
many phases carry it, the instant at which a start expires (RFC 3339), how long until then
[seconds], the command's serial."""

_BRACED = re.compile(r"\{([A-Za-z_][A-Za-z0-9_]*)\}", re.ASCII)

QualityOfService = Annotated[Literal[0, 1, 2], Expected("0, 1 or 2, as in MQTT")]


class OutputMessage(Model):
    """One message to hardware: a text, or a JSON object, with placeholders in braces."""

    known_placeholders: ClassVar[tuple[str, ...]] = PLACEHOLDERS

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
        for name in sorted(self.placeholders - set(self.known_placeholders)):
            known = ", ".join(f"{{{name}}}" for name in self.known_placeholders) or "no name"
            one_of = "one of " if self.known_placeholders else ""
            yield KeyProblem((key,), f"expected {one_of}{known} between braces, got {{{name}}}")

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


class Question(OutputMessage):
    """A message that makes hardware answer with its values."""

    known_placeholders: ClassVar[tuple[str, ...]] = ()

    every_seconds: Annotated[
        int, Field(ge=2, le=3600), Expected("a whole number of seconds from 2 to 3600")
    ] = Field(60, description="How often it is asked [seconds].")


class WiringOutputs(Model):
    """The messages to a charge point."""

    start: OutputMessage = Field(description="Starts it.")
    stop: OutputMessage = Field(
        description="Stops it. The same message as start is one that only changes over: it is sent"
        " only if switched_on under hear differs."
    )
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
    repeat_seconds: (
        Annotated[int, Field(ge=2, le=3600), Expected("a whole number of seconds from 2 to 3600")]
        | None
    ) = Field(
        None,
        description="The same in seconds, for hardware that stops unless it hears its command more"
        " than once a minute [seconds].",
    )
    acknowledgement: AcknowledgementInput | None = Field(
        None,
        description="Where it acknowledges each message: the next waits for it, and what is not"
        " acknowledged is sent again, twice at most.",
    )
    answer_seconds: Annotated[
        int, Field(ge=1, le=600), Expected("a whole number of seconds from 1 to 600")
    ] = Field(
        10,
        description="How long its acknowledgement, or its state after it has changed over, may take"
        " [seconds].",
    )
    stop_as_will: Flag = Field(
        default=False,
        description="Leaves its stop with the broker as the Will of a separate connection, for a "
        "plug or relay that would stay on if the daemon died.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse(tuple(self._problems()))
        return self

    def _problems(self) -> Iterator[KeyProblem]:
        if self.repeat_seconds is not None and self.repeat_minutes is not None:
            message = "expected either repeat_minutes or repeat_seconds, got both"
            yield KeyProblem(("repeat_seconds",), message)
        if self.only_changes_over and self.stop_as_will:
            message = "expected false: a message that only changes over could switch it on"
            yield KeyProblem(("stop_as_will",), message)
        yield from self._kept_start()
        heard = self.acknowledgement
        names = places_of(heard.pattern).names if heard and heard.pattern else ()
        if "serial" in names and not all("serial" in each.placeholders for each in self.messages):
            path = ("acknowledgement", "pattern")
            yield KeyProblem(path, "expected {serial} in each message that is acknowledged with it")

    def _kept_start(self) -> Iterator[KeyProblem]:
        """Refuse a start that the broker still holds for hardware after it was stopped."""
        if not self.start.retain or "valid_until" in self.start.placeholders:
            return
        if self.only_changes_over:
            message = "expected false: hardware that connects again would change over"
        elif self.stop.retain and self.stop.topic == self.start.topic:
            return
        else:
            message = (
                "expected false, or retain: true for a stop on the same topic: else the broker "
                "keeps the start, and hardware that connects again is switched on"
            )
        yield KeyProblem(("start", "retain"), message)

    @property
    def messages(self) -> tuple[OutputMessage, ...]:
        """The messages, each once."""
        return (self.start, self.stop, *((self.current,) if self.current else ()))

    @property
    def only_changes_over(self) -> bool:
        """Whether start and stop are the same message, which switches on or off in turn."""
        return self.start.says_the_same_as(self.stop)

    @property
    def repeat_after_seconds(self) -> int | None:
        """How long after a command it is sent again [seconds]; None for never."""
        if self.repeat_minutes is not None:
            return self.repeat_minutes * 60
        return self.repeat_seconds

    @property
    def is_start_limited(self) -> bool:
        """Whether a start says when it expires; else only a stop ends it."""
        return bool({"seconds", "valid_until"} & self.start.placeholders)


VALUES = (
    "power", "energy", "current", "soc", "pilot", "plugged_in", "switched_on", "availability",
)  # fmt: skip
"""The keys below `hear` that have a value."""


class WiringInputs(Model):
    """Where a charge point's values come from."""

    power: PowerTotal | None = Field(None, description="Power that flows.")
    energy: EnergyTotal | None = Field(None, description="The meter's energy register.")
    current: CurrentOfPhases | None = Field(None, description="Current that flows.")
    soc: SocInput | None = Field(None, description="State of charge of the vehicle.")
    pilot: PilotInput | None = Field(None, description="Control pilot, A to F.")
    plugged_in: PlugInput | None = Field(None, description="Whether a vehicle is plugged in.")
    switched_on: SwitchInput | None = Field(None, description="Whether it is switched on.")
    availability: AvailabilityInput | None = Field(
        None,
        description="Whether it is there, by its birth message and its Will: while it is not, its"
        " values count for nothing. Without words: online and offline.",
    )
    ask: Annotated[tuple[Question, ...], Field(strict=False, max_length=10)] = Field(
        (), description="Questions for hardware that only answers."
    )

    @property
    def topics(self) -> tuple[str, ...]:
        """The topics to subscribe to, each once."""
        return tuple(dict.fromkeys(source.topic for _, source in self.sources))

    @property
    def measures(self) -> bool:
        """Whether any value shows what flows."""
        return (self.power or self.energy or self.current) is not None

    @property
    def sources(self) -> tuple[tuple[str, Source], ...]:
        """All values that messages have, each with its key; parts of a sum one by one."""
        found: list[tuple[str, Source]] = []
        for key in VALUES:
            whole: Source | None = getattr(self, key)
            parts: tuple[Source, ...] = () if whole is None else getattr(whole, "parts", (whole,))
            found += ((key, part) for part in parts)
        return tuple(found)

    @model_validator(mode="after")
    def _check(self) -> Self:
        if not self.sources:
            refuse([KeyProblem((), f"expected at least one of {', '.join(VALUES)}")])
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

    @property
    def missing_for_phases(self) -> str | None:
        """What a charge point lacks that switches phases: it is told, and its power is read."""
        tell, hear = self.tell, self.hear
        if tell is not None:
            messages = [tell.start, *([tell.current] if tell.current else [])]
            if not any("phases" in message.placeholders for message in messages):
                return "{phases} in start or current of wiring.tell: else it is never told"
        if hear is not None and hear.power is None:
            return "power in wiring.hear: it is switched only once no power is read"
        return None


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
    hear = wiring.hear if wiring else None
    if tell.only_changes_over and (hear is None or hear.switched_on is None):
        yield KeyProblem(
            ("wiring", "tell", "stop"),
            "expected another message than start's, or switched_on under hear: hardware that only"
            " changes over at each message can't be told to stop, since nobody knows which state it"
            " is in",
        )
    for name in sorted(tell.stop.placeholders & {"amps", "watts", "valid_until", "seconds"}):
        yield KeyProblem(("wiring", "tell", "stop"), f"expected no {{{name}}}: a stop has none")
