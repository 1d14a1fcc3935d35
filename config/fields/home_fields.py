"""Types for the values that describe a home, in both kinds of file."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

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
