"""Read the values out of messages of wired hardware. Opens no connection."""

from __future__ import annotations

import json
import math
import re
import string
import sys
from collections import Counter
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Final

from adapters.contract.messages import LARGEST_PAYLOAD_BYTES, MalformedMessage
from adapters.contract.topics import matches
from adapters.wired.json_pointer import value_at
from config.household.wiring import WiringInputs
from config.wiring.patterns import places_of
from config.wiring.values import (
    IN_TEXT,
    AcknowledgementInput,
    NumberInput,
    PilotInput,
    PilotState,
    Source,
    YesNoInput,
)

FACTORS: Final[Mapping[str, Mapping[str, float]]] = {
    "power": {"W": 1.0, "kW": 1000.0, "MW": 1_000_000.0},
    "energy": {"Wh": 0.001, "kWh": 1.0, "MWh": 1000.0},
    "current": {"A": 1.0, "mA": 0.001},
    "soc": {"%": 1.0},
}
"""What each unit is worth in the unit that counts here."""

_NUMBER: Final = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?", re.ASCII)
_LONGEST_NUMBER: Final = 50
YES: Final[Mapping[str, bool]] = {"true": True, "on": True, "1": True, "yes": True}
NO: Final[Mapping[str, bool]] = {"false": False, "off": False, "0": False, "no": False}
THERE: Final[Mapping[str, bool]] = {"online": True, "offline": False}
_LETTERS: Final[dict[str, PilotState]] = {
    "A": "A", "B": "B", "C": "C", "D": "D", "E": "E", "F": "F",
}  # fmt: skip
_LONGEST_WORD: Final = 100

LONGEST_HOLD: Final = timedelta(minutes=15)
"""A reported power is assumed to flow for no longer than this without another message."""

Value = float | str | bool


@dataclass(frozen=True)
class HardwareValue:
    """One value read from a message.

    Attributes
    ----------
    key
        The key below `hear` in the household file.
    value
        In watts, kilowatt-hours, amperes or percent; a pilot letter; or yes or no.
    part
        Which part of a sum it is, from 0.
    """

    key: str
    value: Value
    part: int = 0


def read_values(inputs: WiringInputs, topic: str, payload: bytes) -> tuple[HardwareValue, ...]:
    """Return all the values that a message holds.

    Parameters
    ----------
    inputs
        The charge point's wiring.
    topic, payload
        What the bus carried.

    Returns
    -------
    tuple of HardwareValue
        Empty for a topic that is not in the wiring.

    Raises
    ------
    MalformedMessage
        If the payload does not match the household file; then none of its values is used.
    """  # noqa: DOC502 - raised by the helpers
    _refuse_large(payload)
    return tuple(_values(inputs, topic, payload))


def read_number(source: NumberInput, key: str, payload: bytes) -> float:
    """Return one number of a message, scaled.

    Parameters
    ----------
    source
        Where it is.
    key
        What the household file calls it.
    payload
        What the bus carried.

    Returns
    -------
    float
        Finite; a power in watts.

    Raises
    ------
    MalformedMessage
        If the payload does not match the household file.
    """  # noqa: DOC502 - raised by the helpers
    _refuse_large(payload)
    return _number(source, key, payload)


def read_acknowledgement(source: AcknowledgementInput, payload: bytes) -> tuple[bool, int | None]:
    """Return whether a message acknowledges a command, and the serial if its pattern has it.

    Parameters
    ----------
    source
        Where the word is.
    payload
        What the bus carried.

    Returns
    -------
    tuple
        False for a refusal; the serial, or None.

    Raises
    ------
    MalformedMessage
        If the payload does not match the household file.
    """
    _refuse_large(payload)
    serials = _raw_values(source, payload, source.place, name="serial") if source.pattern else []
    serial = _plain_number(serials[0], decimal_comma=False) if serials else None
    if serials and serial is None:
        raise MalformedMessage(f"serial: expected a number, got {_shown(serials[0])}")
    return read_yes_or_no(source, source.place, payload), None if serial is None else int(serial)


def _refuse_large(payload: bytes) -> None:
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        raise MalformedMessage(f"larger than {LARGEST_PAYLOAD_BYTES // 1024} KiB")


def _values(inputs: WiringInputs, topic: str, payload: bytes) -> Iterator[HardwareValue]:
    parts: Counter[str] = Counter()
    for key, source in inputs.sources:
        part, parts[key] = parts[key], parts[key] + 1
        if matches(source.topic, topic):
            yield HardwareValue(key, _value(source, key, payload), part)


def _value(source: Source, key: str, payload: bytes) -> Value:
    match source:
        case NumberInput():
            return _number(source, key, payload)
        case PilotInput():
            return _pilot(source, key, payload)
        case YesNoInput():
            return read_yes_or_no(source, key, payload)
        case _:
            raise TypeError(source)


def _raw_values(source: Source, payload: bytes, key: str, name: str | None = None) -> list[object]:
    """Return what stands at a name, or the value's own; several if a pattern has it repeatedly."""
    found = _raw_value(source.pointer, payload, key)
    if source.pattern is None:
        return [found]
    read = places_of(source.pattern).read(found) if isinstance(found, str) else None
    if read is None:
        raise MalformedMessage(f"{key}: expected a text like {source.pattern}, got {_shown(found)}")
    return [value for each, value in read if each == (name or source.place)]


def _raw_value(pointer: str | None, payload: bytes, key: str) -> object:
    try:
        text = payload.decode()
        if pointer is None:
            return text.strip()
        return value_at(json.loads(text), pointer)
    except (ValueError, RecursionError) as error:
        wanted = "UTF-8 text" if pointer is None else "JSON"
        raise MalformedMessage(f"{key}: expected {wanted}") from error
    except LookupError as error:
        raise MalformedMessage(f"{key}: {error.args[0]}") from error


def _number(source: NumberInput, key: str, payload: bytes) -> float:
    numbers = [_with_unit(source, key, found) for found in _raw_values(source, payload, key)]
    total = max(numbers) if source.place == "current" else sum(numbers)
    if not math.isfinite(total):
        raise MalformedMessage(f"{key}: expected a number below {sys.float_info.max:.0e}")
    return total


def _with_unit(source: NumberInput, key: str, found: object) -> float:
    factors, unit = FACTORS[source.place], str(getattr(source, "unit", ""))
    wanted, bare = "a number", found
    if unit == IN_TEXT:
        wanted = f"a number and its unit ({', '.join(factors)})"
        bare, unit = _split_unit(found, factors)
    number = _plain_number(bare, decimal_comma=source.decimal_comma)
    if number is None or unit not in factors:
        raise MalformedMessage(f"{key}: expected {wanted}, got {_shown(found)}")
    return number * source.scale * factors[unit]


def _split_unit(found: object, factors: Mapping[str, float]) -> tuple[object, str]:
    """Part a text after its number. Hardware writes KW or wh too, but M and m must be right."""
    if not isinstance(found, str) or len(found) > _LONGEST_NUMBER:
        return found, ""
    number = found.rstrip("%" + string.ascii_letters)
    unit = found[len(number) :]
    meant = [name for name in factors if name[0] not in "Mm" and name.lower() == unit.lower()]
    return number.rstrip(), meant[0] if meant else unit


def _plain_number(found: object, *, decimal_comma: bool) -> float | None:
    if isinstance(found, int | float) and not isinstance(found, bool):
        try:
            number = float(found)
        except OverflowError:
            return None
        return number if math.isfinite(number) else None
    if not isinstance(found, str) or len(found) > _LONGEST_NUMBER:
        return None
    text = found.strip().replace("\N{MINUS SIGN}", "-")
    if decimal_comma:
        text = "." if "." in text else text.replace(",", ".", 1)
    number = float(text) if _NUMBER.fullmatch(text) else math.inf
    return number if math.isfinite(number) else None


def _pilot(source: PilotInput, key: str, payload: bytes) -> PilotState:
    found = _word(_raw_values(source, payload, key)[0])
    words: Mapping[str, PilotState] = source.words or _LETTERS
    if found not in words:
        raise MalformedMessage(f"{key}: expected one of {', '.join(words)}, got {_shown(found)}")
    return words[found]


def read_yes_or_no(source: YesNoInput, key: str, payload: bytes) -> bool:
    """Return whether a message says yes.

    Parameters
    ----------
    source
        Where the word is, and what it means.
    key
        What the household file calls it.
    payload
        What the bus carried.

    Returns
    -------
    bool
        By the file's words; without them true, on, 1 and yes mean yes.

    Raises
    ------
    MalformedMessage
        If the payload does not match the household file.
    """
    _refuse_large(payload)
    found = _word(_raw_values(source, payload, key)[0])
    words = source.words or {**YES, **NO, **(THERE if source.place == "availability" else {})}
    word = found if source.words else found.lower()
    if word not in words:
        raise MalformedMessage(f"{key}: expected one of {', '.join(words)}, got {_shown(found)}")
    return words[word]


def _word(found: object) -> str:
    """Write a value as a word of the household file: JSON's true and 1 are words too."""
    return found if isinstance(found, str) else json.dumps(found)


def _shown(found: object) -> str:
    shown = json.dumps(found, default=str)
    return shown if len(shown) <= _LONGEST_WORD else f"{shown[:_LONGEST_WORD]}..."
