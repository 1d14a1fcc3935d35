"""Read the values out of messages of wired hardware. Opens no connection."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Final, Literal

from adapters.contract.messages import LARGEST_PAYLOAD_BYTES, MalformedMessage
from adapters.contract.topics import matches
from adapters.wired.json_pointer import value_at
from config.household.wiring import (
    NumberInput,
    PilotInput,
    PilotState,
    PlugInput,
    PowerInput,
    WiringInputs,
)

_FACTORS: Final = {"W": 1.0, "kW": 1000.0, "Wh": 0.001, "kWh": 1.0, "MWh": 1000.0}
_YES: Final = {"true": True, "on": True, "1": True, "yes": True}
_NO: Final = {"false": False, "off": False, "0": False, "no": False}
_LETTERS: Final[dict[str, PilotState]] = {
    "A": "A", "B": "B", "C": "C", "D": "D", "E": "E", "F": "F",
}  # fmt: skip
_LONGEST_WORD: Final = 100

LONGEST_HOLD: Final = timedelta(minutes=15)
"""A reported power is assumed to flow for no longer than this without another message."""

Value = float | str | bool
Number = Literal["power", "energy", "current", "soc"]
_NUMBERS: Final[tuple[Number, ...]] = ("power", "energy", "current", "soc")


@dataclass(frozen=True)
class HardwareValue:
    """One value read from a message.

    Attributes
    ----------
    key
        The key below `hear` in the household file.
    value
        In watts, kilowatt-hours, amperes or percent; a pilot letter; or whether a vehicle is
        plugged in.
    """

    key: Literal["power", "energy", "current", "soc", "pilot", "plugged_in"]
    value: Value


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
    unit = source.unit if isinstance(source, PowerInput) else "W"
    return _number(source, key, payload) * source.scale * _FACTORS[unit]


def _refuse_large(payload: bytes) -> None:
    if len(payload) > LARGEST_PAYLOAD_BYTES:
        raise MalformedMessage(f"larger than {LARGEST_PAYLOAD_BYTES // 1024} KiB")


def _values(inputs: WiringInputs, topic: str, payload: bytes) -> Iterator[HardwareValue]:
    for name in _NUMBERS:
        number: NumberInput | None = getattr(inputs, name)
        if number is not None and matches(number.topic, topic):
            value = _number(number, name, payload)
            yield HardwareValue(name, value * number.scale * _FACTORS[getattr(number, "unit", "W")])
    if inputs.pilot is not None and matches(inputs.pilot.topic, topic):
        yield HardwareValue("pilot", _pilot(inputs.pilot, payload))
    if inputs.plugged_in is not None and matches(inputs.plugged_in.topic, topic):
        yield HardwareValue("plugged_in", _plugged_in(inputs.plugged_in, payload))


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
    found = _raw_value(source.pointer, payload, key)
    if isinstance(found, str | int | float) and not isinstance(found, bool):
        try:
            number = float(found)
        except (ValueError, OverflowError):
            number = math.nan
        if math.isfinite(number):
            return number
    raise MalformedMessage(f"{key}: expected a number, got {_shown(found)}")


def _pilot(source: PilotInput, payload: bytes) -> PilotState:
    found = _word(_raw_value(source.pointer, payload, "pilot"))
    words: Mapping[str, PilotState] = source.words or _LETTERS
    if found not in words:
        raise MalformedMessage(f"pilot: expected one of {', '.join(words)}, got {_shown(found)}")
    return words[found]


def _plugged_in(source: PlugInput, payload: bytes) -> bool:
    found = _word(_raw_value(source.pointer, payload, "plugged_in"))
    words = source.words or (_YES | _NO)
    word = found if source.words else found.lower()
    if word not in words:
        raise MalformedMessage(
            f"plugged_in: expected one of {', '.join(words)}, got {_shown(found)}"
        )
    return words[word]


def _word(found: object) -> str:
    """Write a value as a word of the household file: JSON's true and 1 are words too."""
    return found if isinstance(found, str) else json.dumps(found)


def _shown(found: object) -> str:
    shown = json.dumps(found, default=str)
    return shown if len(shown) <= _LONGEST_WORD else f"{shown[:_LONGEST_WORD]}..."
