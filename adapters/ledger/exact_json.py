"""JSON text that keeps money exact: Decimals go out as JSON numbers and come back as Decimals.

Knows nothing of what the objects mean. The standard encoder can write a Decimal only by way of a
float, which would round it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any


def dump_exact(body: Mapping[str, object]) -> str:
    """Write a JSON object without rounding any number.

    Parameters
    ----------
    body
        Texts, whole numbers, floats, Decimals, booleans, None, and mappings and sequences of them.
        A whole Decimal is written with ``.0``, so that it can be told from a count.

    Returns
    -------
    str
        Compact JSON in ASCII: a lone surrogate, which UTF-8 can't carry, is escaped like the rest.
        Any other type (an instant must be made text by the caller) or a key that is no text is a
        `TypeError`; a number that is not finite, which JSON can't say, a `ValueError`.
    """
    return _write(body)


def load_exact(text: str) -> dict[str, Any]:
    """Read an object written by `dump_exact`: fractions come back as Decimal, counts as int."""
    loaded: dict[str, Any] = json.loads(text, parse_float=Decimal)
    return loaded


def _write(value: object) -> str:
    if value is None or isinstance(value, bool | str):
        return json.dumps(value)
    if isinstance(value, int | float | Decimal):
        return _write_number(value)
    if isinstance(value, Mapping):
        return "{" + ",".join(_write_pair(key, each) for key, each in value.items()) + "}"
    if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray):
        return "[" + ",".join(_write(each) for each in value) + "]"
    raise TypeError(f"{type(value).__name__} can't be written as JSON")


def _write_pair(key: object, value: object) -> str:
    if not isinstance(key, str):
        raise TypeError(f"a JSON key must be text, got {key!r}")
    return f"{json.dumps(key)}:{_write(value)}"


def _write_number(number: float | Decimal) -> str:
    if isinstance(number, int):
        return int.__repr__(number)
    if isinstance(number, float):
        # json.dumps refuses NaN here, and writes a numpy float as a plain one.
        return json.dumps(float(number), allow_nan=False)
    if not number.is_finite():
        raise ValueError(f"{number} can't be written as JSON")
    text = str(number)
    return text if "." in text or "E" in text else f"{text}.0"
