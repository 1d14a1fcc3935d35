"""Types for the values in our files, with their ranges and words for errors.

`Expected` turns every error that pydantic finds in a value into "expected <phrase>". The loader
adds the place and the value found there, and fills in ``{currency}`` and ``{year}``.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date, time
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    ConfigDict,
    Field,
    GetCoreSchemaHandler,
    ValidationInfo,
    WithJsonSchema,
)
from pydantic_core import core_schema
from typing_extensions import override

from config.fields.names import MOST_CHARACTERS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

WATT_HOURS_PER_KWH = 1000
MOST_MONEY = 1_000_000
_CLOCK = re.compile(r"([0-9]{1,2}):([0-9]{2})", re.ASCII)
_HOURS = re.compile(r"([0-9]{1,2}):([0-9]{2}) *- *([0-9]{1,2}):([0-9]{2})", re.ASCII)
_DATE = re.compile(r"20[0-9]{2}-[0-9]{2}-[0-9]{2}", re.ASCII)
_POINTER = re.compile(r"(/([^~/]|~[01])*)*")
_MINUTES_PER_DAY = 1440


class Model(BaseModel):
    """Base of all parts of our files: frozen, strict, without unknown keys."""

    misplaced_keys: ClassVar[Mapping[str, str]] = {}
    """Keys that belong in another part or file, each with the hint for a file that has it here."""

    model_config = ConfigDict(
        frozen=True, strict=True, extra="forbid", allow_inf_nan=False, defer_build=True
    )


@dataclass(frozen=True)
class Expected:
    """Metadata of a field: the words after "expected" in its error messages.

    Attributes
    ----------
    phrase : str
        Kind, range and unit, such as ``"a current from 1 to 80 A"``.
    choices : tuple of str, or a function that returns them
        The texts that are allowed, for guessing which one was meant.
    limits : str
        The range, if the phrase does not name it.
    """

    phrase: str
    choices: tuple[str, ...] | Callable[[], Iterable[str]] = ()
    limits: str = ""

    def __get_pydantic_core_schema__(
        self, source: object, handler: GetCoreSchemaHandler
    ) -> core_schema.CoreSchema:
        schema = handler(source)
        context = {"choices": self.choices, "limits": self.limits, "kind": _kind(schema)}
        return core_schema.custom_error_schema(
            schema,
            "expected",
            custom_error_message=f"expected {self.phrase}",
            custom_error_context=context,
        )


def _kind(schema: Any) -> str:  # noqa: ANN401 - a union of some fifty dicts
    """Return ``"number"``, ``"text"`` or nothing, by what a schema reads."""
    while "schema" in schema or schema["type"] == "union":
        schema = schema["choices"][0] if schema["type"] == "union" else schema["schema"]
    kinds = {"int": "number", "float": "number", "decimal": "number", "str": "text"}
    if schema["type"] == "literal":
        return "number" if isinstance(schema["expected"][0], int) else "text"
    return kinds.get(schema["type"], "")


class Hours(Model):
    """Hours of the local clock, from their start until just before their end.

    An end at or before the start is on the next day.

    Attributes
    ----------
    start_minute : int
        Minute of the local day, 0 to 1439.
    end_minute : int
        Minute of the local day, 0 to 1440; the first minute that is not included.
    """

    start_minute: Annotated[int, Field(ge=0, lt=_MINUTES_PER_DAY)]
    end_minute: Annotated[int, Field(ge=0, le=_MINUTES_PER_DAY)]

    @override
    def __str__(self) -> str:
        start, end = divmod(self.start_minute, 60), divmod(self.end_minute, 60)
        return f"{start[0]:02d}:{start[1]:02d}-{end[0]:02d}:{end[1]:02d}"

    def contains(self, minute: int) -> bool:
        """Tell whether a minute of the local day lies inside.

        Parameters
        ----------
        minute : int
            0 to 1439.

        Returns
        -------
        bool
            True for the start minute, False for the end minute.
        """
        if self.start_minute < self.end_minute:
            return self.start_minute <= minute < self.end_minute
        return minute >= self.start_minute or minute < self.end_minute


def _minute_of_day(hour: str, minute: str) -> int:
    if int(minute) >= 60:  # noqa: PLR2004 - minutes in an hour
        raise ValueError(minute)
    return int(hour) * 60 + int(minute)


def _hours_of(value: object) -> object:
    if not isinstance(value, str):
        return value
    parts = _HOURS.fullmatch(value)
    if parts is None:
        raise ValueError(value)
    return Hours(
        start_minute=_minute_of_day(parts[1], parts[2]),
        end_minute=_minute_of_day(parts[3], parts[4]),
    )


def _time_of(value: object) -> object:
    if not isinstance(value, str):
        return value
    parts = _CLOCK.fullmatch(value)
    if parts is None:
        raise ValueError(value)
    return time(*divmod(_minute_of_day(parts[1], parts[2]), 60))


def _date_of(value: object) -> object:
    if not isinstance(value, str):
        return value
    if _DATE.fullmatch(value) is None:
        raise ValueError(value)
    return date.fromisoformat(value)


def _decimal_of(value: object) -> object:
    # The shortest decimal that reads back as the same float is the one that the file has.
    if isinstance(value, int | float) and not isinstance(value, bool):
        return Decimal(repr(value))
    return value


def _path_of(value: object, info: ValidationInfo) -> object:
    if not isinstance(value, str):
        return value
    if not value or value.startswith("~"):
        raise ValueError(value)
    directory = info.context.get("directory") if isinstance(info.context, dict) else None
    return Path(value) if directory is None else Path(directory) / value


def _command_of(value: object, info: ValidationInfo) -> object:
    """Look for the program in the file's folder; leave its arguments as they are."""
    if not isinstance(value, list) or not value or not isinstance(value[0], str):
        return value
    return [str(_path_of(value[0], info)), *value[1:]]


def _not_a_fraction(value: float) -> float:
    if 0 < value < 1:
        raise ValueError(value)
    return value


def json_kind(kind: str, **more: float | str) -> WithJsonSchema:
    """Set a value's type in the JSON Schema, if files write it as another type."""
    return WithJsonSchema({"type": kind, **more})


Text = Annotated[
    str,
    Field(min_length=1, max_length=200),
    Expected("a text of 1 to 200 characters"),
]
TextOrTexts = Annotated[
    tuple[Text, ...],
    BeforeValidator(lambda value: (value,) if isinstance(value, str) else value),
    Field(strict=False, min_length=1),
    WithJsonSchema(
        {
            "anyOf": [
                {"type": "string", "minLength": 1, "maxLength": 200},
                {"type": "array", "items": {"type": "string", "minLength": 1}, "minItems": 1},
            ]
        }
    ),
]
Name = Annotated[
    str,
    Field(max_length=MOST_CHARACTERS, pattern=r"[A-Za-z0-9]"),
    Expected(f"a name of up to {MOST_CHARACTERS} characters with a letter a-z or a digit in it"),
]
TopicLevel = Annotated[
    str,
    Field(max_length=MOST_CHARACTERS, pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$"),
    Expected("one topic level of a-z, 0-9 and hyphens such as haus-mueller"),
]
Flag = Annotated[bool, Expected("true or false")]
_FROM_0 = (
    Field(ge=0, le=MOST_MONEY),
    BeforeValidator(_decimal_of),
    json_kind("number", minimum=0, maximum=MOST_MONEY),
)
_ABOVE_0 = (
    Field(gt=0, le=MOST_MONEY),
    BeforeValidator(_decimal_of),
    json_kind("number", exclusiveMinimum=0, maximum=MOST_MONEY),
)
Rate = Annotated[
    Decimal,
    Field(ge=-MOST_MONEY, le=MOST_MONEY),
    BeforeValidator(_decimal_of),
    json_kind("number", minimum=-MOST_MONEY, maximum=MOST_MONEY),
    Expected("a number of {currency} per kWh", limits=f"from -{MOST_MONEY} to {MOST_MONEY}"),
]
Amount = Annotated[Decimal, *_FROM_0, Expected(f"an amount of {{currency}} from 0 to {MOST_MONEY}")]
Fixed = Annotated[
    Decimal,
    Field(ge=-MOST_MONEY, le=MOST_MONEY),
    BeforeValidator(_decimal_of),
    json_kind("number", minimum=-MOST_MONEY, maximum=MOST_MONEY),
    Expected("an amount of {currency}", limits=f"from -{MOST_MONEY} to {MOST_MONEY}"),
]
UsualUse = Annotated[Decimal, *_FROM_0, Expected(f"an energy from 0 to {MOST_MONEY} kWh")]
TierEnd = Annotated[Decimal, *_ABOVE_0, Expected(f"an energy above 0, at most {MOST_MONEY} kWh")]
Factor = Annotated[Decimal, *_ABOVE_0, Expected(f"a number above 0, at most {MOST_MONEY}")]
TaxPercent = Annotated[
    Decimal,
    Field(ge=0, le=100),
    BeforeValidator(_decimal_of),
    json_kind("number", minimum=0, maximum=100),
    Expected("a percentage from 0 to 100"),
]
PercentAdded = Annotated[
    Decimal,
    Field(ge=-100, le=100),
    BeforeValidator(_decimal_of),
    json_kind("number", minimum=-100, maximum=100),
    Expected("a percentage from -100 to 100"),
]
Percent = Annotated[
    float,
    Field(ge=0, le=100),
    AfterValidator(_not_a_fraction),
    Expected("a percentage from 0 to 100 (80 means 80 %)"),
]
Amps = Annotated[float, Field(ge=1, le=80), Expected("a current from 1 to 80 A")]
TripEnergy = Annotated[float, Field(ge=0, le=1000), Expected("an energy from 0 to 1000 kWh")]
TripKm = Annotated[float, Field(ge=0, le=3000), Expected("a distance from 0 to 3000 km")]
Phases = Annotated[int, Field(ge=1, le=3), Expected("1, 2 or 3 phases")]
Minutes = Annotated[
    int,
    Field(ge=0, le=_MINUTES_PER_DAY),
    Expected(f"a whole number of minutes from 0 to {_MINUTES_PER_DAY}"),
]
ClockHours = Annotated[
    Hours,
    BeforeValidator(_hours_of),
    json_kind("string", pattern=r"^([01]?\d|2[0-3]):[0-5]\d *- *(([01]?\d|2[0-3]):[0-5]\d|24:00)$"),
    Expected('hours of the local clock such as "21:00-07:00"'),
]
ClockTime = Annotated[
    time,
    BeforeValidator(_time_of),
    json_kind("string", pattern=r"^([01]?\d|2[0-3]):[0-5]\d$"),
    Expected('a time of the local clock such as "07:20"'),
]
_DATE_TEXT = (
    BeforeValidator(_date_of),
    json_kind("string", format="date", pattern=r"^20\d\d-\d\d-\d\d$"),
)
Date = Annotated[date, *_DATE_TEXT, Expected("a date from 2000 to 2099 such as 2026-04-01")]
YearDate = Annotated[date, *_DATE_TEXT, Expected("a date in {year}, as year-month-day")]
FilePath = Annotated[
    Path,
    BeforeValidator(_path_of),
    json_kind("string", minLength=1),
    Expected("a path, absolute or from the folder of this file (~ is not replaced)"),
]

CommandLine = Annotated[
    tuple[Annotated[str, Field(min_length=1, max_length=4096)], ...],
    Field(strict=False, min_length=1, max_length=100),
    BeforeValidator(_command_of),
    Expected("a list of texts: the path of a program (~ is not replaced), then its arguments"),
]


def checked(test: Callable[[str], bool]) -> AfterValidator:
    """Make a validator that accepts the texts for which a test is true.

    Parameters
    ----------
    test : callable
        True for valid texts. The field's `Expected` says in words what it tests.

    Returns
    -------
    AfterValidator
        Metadata for an ``Annotated[str, ...]``.
    """

    def validate(value: str) -> str:
        if not test(value):
            raise ValueError(value)
        return value

    return AfterValidator(validate)


def is_pointer(text: str) -> bool:
    """Tell whether a text is a JSON Pointer (RFC 6901)."""
    return _POINTER.fullmatch(text) is not None
