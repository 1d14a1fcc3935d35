"""Types for the values that describe a home, in both kinds of file."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import BeforeValidator, Field, WithJsonSchema

from config.fields.currencies import CURRENCIES
from config.fields.public_holidays import known_code
from config.fields.value_types import Expected, checked
from config.fields.zones import known_zones

Zone = Annotated[
    str,
    checked(lambda name: name in known_zones()),
    Expected("an IANA time zone such as Pacific/Auckland", known_zones),
]
Currency = Annotated[
    str,
    checked(lambda code: code in CURRENCIES),
    Expected("an ISO 4217 currency such as NZD", tuple(CURRENCIES)),
]
Volts = Annotated[
    float, Field(ge=90, le=300), Expected("a voltage from 90 to 300 V, line to neutral")
]
HolidayCalendar = Annotated[
    str,
    checked(known_code),
    Expected("an ISO 3166 country or part of one, such as NZ or NZ-AUK"),
]
TickMinutes = Annotated[
    Literal[1, 2, 3, 4, 5, 6, 10, 12, 15, 20, 30, 60],
    Expected("a whole number of minutes that divides 60"),
]

PHASES: Final = ("L1", "L2", "L3")

PhaseName = Annotated[Literal["L1", "L2", "L3"], Expected("a phase: L1, L2 or L3", PHASES)]
PhaseNames = Annotated[
    tuple[PhaseName, ...],
    Field(strict=False, min_length=1, max_length=3),
]

_LEAST_FUSE, _MOST_FUSE = 6, 1000


def _for_each_phase(value: object) -> object:
    """Read one current for all phases, or a list of one for each."""
    each = value if isinstance(value, list | tuple) else [value] * len(PHASES)
    found = [
        float(amps)
        for amps in each
        if isinstance(amps, int | float) and not isinstance(amps, bool)
        if _LEAST_FUSE <= amps <= _MOST_FUSE
    ]
    if len(found) != len(each) or not 1 <= len(found) <= len(PHASES):
        raise ValueError(value)
    return tuple(found)


_NUMBER = {"type": "number", "minimum": _LEAST_FUSE, "maximum": _MOST_FUSE}
FuseAmps = Annotated[
    tuple[float, ...],
    BeforeValidator(_for_each_phase),
    WithJsonSchema(
        {"anyOf": [_NUMBER, {"type": "array", "items": _NUMBER, "minItems": 1, "maxItems": 3}]}
    ),
    Expected(f"a current from {_LEAST_FUSE} to {_MOST_FUSE} A, or a list of one for each phase"),
]
