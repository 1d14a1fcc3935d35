"""The kinds of day, the hours, the months and the seasons in which a band or a load holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import (
    BeforeValidator,
    ConfigDict,
    Field,
    TypeAdapter,
    WithJsonSchema,
    WrapValidator,
)

from config.fields.key_problems import KeyProblem
from config.fields.value_types import ClockHours, Expected

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DayKind = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_KINDS: tuple[DayKind, ...] = (*WEEKDAYS, "holiday")
MONTH_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")


class DeclaredName(str):
    """The name of one of a tariff's special days or seasons, where a band lists it."""

    __slots__ = ()


def _month_of(value: object) -> object:
    return MONTH_NAMES.index(value) + 1 if value in MONTH_NAMES else value


def _declared_or(kind: Any) -> Any:  # noqa: ANN401 - a type with metadata, and a validator
    adapter: TypeAdapter[Any] = TypeAdapter(kind, config=ConfigDict(strict=True))

    def validate(value: object, _handler: object) -> object:
        return value if isinstance(value, DeclaredName) else adapter.validate_python(value)

    return validate


Month = Annotated[
    int,
    Field(ge=1, le=12),
    BeforeValidator(_month_of),
    WithJsonSchema({"enum": [*range(1, 13), *MONTH_NAMES]}),
    Expected("a month from 1 to 12, or jan to dec"),
]
HoursOfDay = Annotated[tuple[ClockHours, ...], Field(strict=False, min_length=1)]
DayKinds = Annotated[
    tuple[Annotated[DayKind, Expected("one of " + ", ".join(DAY_KINDS), DAY_KINDS)], ...],
    Field(strict=False, min_length=1),
]
Months = Annotated[tuple[Month, ...], Field(strict=False, min_length=1)]

_ANY_TEXT = {"type": "string", "minLength": 1}
BandDays = Annotated[
    tuple[
        Annotated[
            str,
            WrapValidator(_declared_or(DayKind)),
            WithJsonSchema({"anyOf": [{"enum": list(DAY_KINDS)}, _ANY_TEXT]}),
            Expected(
                f"one of {', '.join(DAY_KINDS)}, or the name of one of special_days", DAY_KINDS
            ),
        ],
        ...,
    ],
    Field(strict=False, min_length=1),
]
"""Days as a tariff's bands list them: kinds of day, or special days that the tariff declares."""
BandMonths = Annotated[
    tuple[
        Annotated[
            int | str,
            WrapValidator(_declared_or(Month)),
            WithJsonSchema({"anyOf": [{"enum": [*range(1, 13), *MONTH_NAMES]}, _ANY_TEXT]}),
            Expected("a month from 1 to 12 or jan to dec, or the name of one of seasons"),
        ],
        ...,
    ],
    Field(strict=False, min_length=1),
]
"""Months as a tariff's bands list them: months, or seasons that the tariff declares."""


def repeated(items: Sequence[object] | None, key: str) -> Iterator[KeyProblem]:
    """Find the repeated entries of a list.

    Parameters
    ----------
    items : sequence or None
        The list, if there is one.
    key : str
        The key that holds it.

    Yields
    ------
    KeyProblem
        One for each entry that is there already.
    """
    for index, item in enumerate(items or ()):
        if items is not None and item in items[:index]:
            yield KeyProblem((key, index), f"expected each entry once, got {item} again")
