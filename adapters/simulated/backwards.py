"""Read and write a charge point's wiring backwards, as its hardware does.

What the household file tells the hardware is understood here, and what it hears is written. Opens
no connection.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any, Final, Literal

from adapters.contract.messages import MalformedMessage
from adapters.wired.values import FACTORS, NO, THERE, YES, Value, read_values
from config.files.errors import UsageError
from config.household.wiring import OutputMessage, Wiring, WiringInputs
from config.wiring.patterns import places_of
from config.wiring.values import IN_TEXT, AcknowledgementInput, NumberInput, Source

_WRITTEN: Final = {"power": "kW", "energy": "kWh", "current": "A", "soc": "%"}
"""The units in texts."""

_SAMPLE: Final[Mapping[str, Value]] = {
    "power": 2300.0, "energy": 12.345, "current": 10.0, "soc": 50.0, "pilot": "B",
    "plugged_in": True, "switched_on": True, "availability": True,
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Told:
    """What hardware was told.

    Attributes
    ----------
    what
        Which of the wiring's messages it was.
    values
        What stood between braces, by name.
    """

    what: Literal["start", "stop", "current", "change over", "question"]
    values: Mapping[str, Any] = field(default_factory=dict)

    def number(self, name: str) -> float | None:
        """Return a value as a number; None if it was not told."""
        return None if name not in self.values else float(self.values[name])

    @property
    def valid_until(self) -> datetime | None:
        """The instant at which a start expires; None if it was not told."""
        text = self.values.get("valid_until")
        return None if text is None else datetime.fromisoformat(str(text)).astimezone(UTC)


def told_topics(wiring: Wiring) -> tuple[str, ...]:
    """Return the topics on which hardware is told something, each once."""
    told = wiring.tell.messages if wiring.tell else ()
    asked = wiring.hear.ask if wiring.hear else ()
    return tuple(dict.fromkeys(each.topic for each in (*told, *asked)))


def told_by(wiring: Wiring, topic: str, payload: bytes) -> Told | None:
    """Return what a message tells the hardware; None if it is none of the wiring's.

    Parameters
    ----------
    wiring
        The charge point's.
    topic, payload
        What the bus carried.

    Returns
    -------
    Told or None
        The stop, where a message could be more than one.
    """
    for question in wiring.hear.ask if wiring.hear else ():
        if _values_in(question, topic, payload) is not None:
            return Told("question")
    tell = wiring.tell
    if tell is None:
        return None
    stop = _values_in(tell.stop, topic, payload)
    if stop is not None:
        return Told("change over" if tell.only_changes_over else "stop", stop)
    if tell.current is not None:
        current = _values_in(tell.current, topic, payload)
        if current is not None:
            return Told("current", current)
    start = _values_in(tell.start, topic, payload)
    return None if start is None else Told("start", start)


def _values_in(template: OutputMessage, topic: str, payload: bytes) -> dict[str, Any] | None:
    """Return what stands in a message at the placeholders; None if it is another message."""
    if topic != template.topic:
        return None
    try:
        text = payload.decode()
        if template.text is not None:
            read = places_of(template.text).read(text)
            found = None if read is None else dict(read)
        else:
            found = {}
            if not _same(template.object, json.loads(text), found):
                found = None
        return found if found is None or _are_good(found) else None
    except (ValueError, RecursionError):
        return None


def _same(template: object, value: object, found: dict[str, Any]) -> bool:
    """Whether a JSON value is what a template writes; its placeholders are added to `found`."""
    if isinstance(template, str):
        places = places_of(template)
        if places.names and places.literals == ("", ""):
            found[places.names[0]] = value
            return True
        read = places.read(value) if isinstance(value, str) else None
        found |= read or ()
        return read is not None
    if isinstance(template, Mapping):
        return (
            isinstance(value, dict)
            and template.keys() == value.keys()
            and all(_same(inner, value[key], found) for key, inner in template.items())
        )
    if isinstance(template, list):
        return (
            isinstance(value, list)
            and len(template) == len(value)
            and all(_same(*pair, found) for pair in zip(template, value, strict=True))
        )
    return type(template) is type(value) and template == value


def _are_good(found: Mapping[str, Any]) -> bool:
    """Whether the values are what a command has; a ValueError or False if not."""
    told = Told("start", found)
    until = told.valid_until
    numbers = [told.number(name) for name in ("amps", "watts", "phases", "seconds", "serial")]
    is_dated = until is None or until.tzinfo is not None
    return is_dated and all(each is None or each >= 0 for each in numbers)


def acknowledging(source: AcknowledgementInput, serial: str) -> tuple[str, bytes]:
    """Return the message by which hardware acknowledges a command."""
    values = {"acknowledgement": _word(source.words, YES, is_true=True), "serial": serial}
    text = values["acknowledgement"]
    if source.pattern is not None:
        text = places_of(source.pattern).fill(values)
    body = text if source.pointer is None else _json({source.pointer: text})
    return one_topic(source.topic), body.encode()


class Reports:
    """Writes what hardware reports.

    Parameters
    ----------
    hear
        The charge point's wiring.

    Raises
    ------
    UsageError
        If no hardware could write it all: two values share a topic and describe different texts.
    """

    def __init__(self, hear: WiringInputs) -> None:
        self._hear = hear
        self._by_topic: dict[str, list[tuple[str, int, Source]]] = {}
        self._parts: dict[str, int] = {}
        for key, source in hear.sources:
            part = self._parts.get(key, 0)
            self._parts[key] = part + 1
            self._by_topic.setdefault(one_topic(source.topic), []).append((key, part, source))
        for topic, payload in self.messages(_SAMPLE, set(_SAMPLE)):
            try:
                read_values(hear, topic, payload)
            except MalformedMessage as error:
                raise UsageError(
                    f"wiring: hear: the values on {topic} describe different texts ({error});"
                    " expected the same pattern for each"
                ) from error

    @property
    def topics(self) -> tuple[str, ...]:
        """The topics on which it reports."""
        return tuple(self._by_topic)

    def messages(self, values: Mapping[str, Value], keys: set[str]) -> list[tuple[str, bytes]]:
        """Return the messages of all topics with at least one of some keys.

        Parameters
        ----------
        values
            All that is known, by key: watts, kWh, amperes, percent, a pilot letter, yes or no.
        keys
            Those that are to be reported.

        Returns
        -------
        list of tuple of str and bytes
            Topic and payload; none for a topic whose values are not all known.
        """
        return [
            (topic, payload)
            for topic, there in self._by_topic.items()
            if keys & {key for key, _, _ in there}
            and (payload := self._payload(there, values)) is not None
        ]

    def _payload(
        self, there: list[tuple[str, int, Source]], values: Mapping[str, Value]
    ) -> bytes | None:
        written: dict[str, str] = {}
        leaves: dict[str, object] = {}
        for key, _, source in there:
            if values.get(key) is None:
                return None
            value = self._written(key, source, values[key])
            if value is None:
                return None
            written[source.place] = str(value)
            leaves[source.pointer or ""] = value
        texts = [each for _, _, each in there if each.pattern is not None]
        if texts:
            text = _filled(texts, written)
            leaves |= {each.pointer or "": text for each in texts}
        plain = [pointer for pointer in leaves if pointer]
        return (_json(leaves) if plain else str(leaves[""])).encode()

    def _written(self, key: str, source: Source, value: Value) -> object:
        """Return a value as it stands in a message; None if the hardware has no word for it."""
        if not isinstance(source, NumberInput):
            words = getattr(source, "words", None)
            if key == "pilot":
                letters = {letter: letter for letter in "ABCDEF"} if words is None else words
                return next((word for word, state in letters.items() if state == value), None)
            if words is None and source.pointer is not None and source.pattern is None:
                return bool(value)  # as JSON has it
            usual = THERE if key == "availability" else {"on": True, "off": False}
            return _word(words, usual, is_true=bool(value))
        number = float(value)
        if key != "current":
            number /= self._parts[key]
            if source.pattern is not None:
                number /= places_of(source.pattern).names.count(source.place)
        unit = str(getattr(source, "unit", ""))
        behind = _WRITTEN[key] if unit == IN_TEXT else ""
        number = round(number / FACTORS[key][behind or unit] / source.scale, 6)
        number = int(number) if number == int(number) else number
        if source.pointer is not None and not behind and not source.decimal_comma:
            return number
        text = f"{number:.6f}".rstrip("0").rstrip(".")
        text = text.replace(".", ",") if source.decimal_comma else text
        return f"{text} {behind}".strip()


def _filled(texts: list[Source], written: Mapping[str, str]) -> str:
    """Fill in the pattern that fits all of some values' patterns; the first, if none does."""
    patterns = list(dict.fromkeys(each.pattern or "" for each in texts))
    filled = [places_of(pattern).fill(written) for pattern in patterns]
    fitting = (
        text for text in filled if all(places_of(p).read(text) is not None for p in patterns)
    )
    return next(fitting, filled[0])


def _word(words: Mapping[str, bool] | None, usual: Mapping[str, bool], *, is_true: bool) -> str:
    known = {**usual, **YES, **NO} if words is None else words
    return next((word for word, means in known.items() if means == is_true), "")


def one_topic(topic_filter: str) -> str:
    """Return a topic that a filter covers."""
    return topic_filter.replace("+", "1").replace("#", "1")


def _json(leaves: Mapping[str, object]) -> str:
    """Write a JSON document with a value at each pointer."""
    document: dict[str, Any] = {}
    for pointer, value in leaves.items():
        *path, last = [raw.replace("~1", "/").replace("~0", "~") for raw in pointer.split("/")[1:]]
        inner = document
        for key in path:
            inner = inner.setdefault(key, {})
        inner[last] = value
    return json.dumps(_with_lists(document))


def _with_lists(value: object) -> object:
    """Turn objects whose keys are all indices into lists."""
    if not isinstance(value, dict):
        return value
    inner = {key: _with_lists(each) for key, each in value.items()}
    if inner and all(key.isdigit() for key in inner):
        return [inner.get(str(index), 0) for index in range(max(map(int, inner)) + 1)]
    return inner
