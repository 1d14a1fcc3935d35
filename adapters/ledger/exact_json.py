"""JSON text that keeps money exact: numbers with a fraction are Decimals.

Knows nothing of what the objects mean. The standard encoder can write a Decimal only as a float,
which would round it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from decimal import Decimal
from json.encoder import encode_basestring_ascii
from math import isfinite
from typing import Any, Final

_CONSTANTS: Final = {None: "null", True: "true", False: "false"}


def dump_exact(body: Mapping[str, object]) -> str:
    """Write a JSON object without rounding any number.

    Parameters
    ----------
    body
        Texts, whole numbers, floats, Decimals, booleans, None, and mappings and sequences of them.
        A whole Decimal is written with ``.0``, to distinguish it from a count.

    Returns
    -------
    str
        Compact JSON in ASCII; even a lone surrogate, which UTF-8 can't encode, is escaped. Any
        other type (the caller must convert an instant to text) or a key that is not text is a
        `TypeError`. A number that is not finite, which JSON can't express, is a `ValueError`.
    """
    return _write(body)


def load_exact(text: str) -> dict[str, Any]:
    """Read a `dump_exact` object, with fractions as Decimal and counts as int."""
    loaded: dict[str, Any] = json.loads(text, parse_float=Decimal)
    return loaded


def _write(value: object) -> str:
    if isinstance(value, str):
        return encode_basestring_ascii(value)
    if value is None or isinstance(value, bool):
        return _CONSTANTS[value]
    if isinstance(value, int | float | Decimal):
        return _write_number(value)
    if isinstance(value, Mapping):
        return "{" + ",".join([_write_pair(key, each) for key, each in value.items()]) + "}"
    if isinstance(value, Sequence) and not isinstance(value, bytes | bytearray):
        return "[" + ",".join([_write(each) for each in value]) + "]"
    raise TypeError(f"{type(value).__name__} can't be written as JSON")


def _write_pair(key: object, value: object) -> str:
    if not isinstance(key, str):
        raise TypeError(f"a JSON key must be text, got {key!r}")
    return f"{encode_basestring_ascii(key)}:{_write(value)}"


def _write_number(number: float | Decimal) -> str:
    if isinstance(number, int):
        return int.__repr__(number)
    if not (isfinite(number) if isinstance(number, float) else number.is_finite()):
        raise ValueError(f"{number} can't be written as JSON")
    if isinstance(number, float):
        return float.__repr__(number)  # a numpy float is written like a plain float
    text = str(number)
    return text if "." in text or "E" in text else f"{text}.0"
