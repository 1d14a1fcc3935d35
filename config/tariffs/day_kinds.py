"""The kinds of day, the hours and the months in which a band or a known load holds."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal

from pydantic import Field

from config.fields.key_problems import KeyProblem
from config.fields.value_types import ClockHours, Expected

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

Weekday = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DayKind = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun", "holiday"]
WEEKDAYS: tuple[Weekday, ...] = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
DAY_KINDS: tuple[DayKind, ...] = (*WEEKDAYS, "holiday")

Month = Annotated[int, Field(ge=1, le=12), Expected("a month from 1 to 12")]
HoursOfDay = Annotated[tuple[ClockHours, ...], Field(strict=False, min_length=1)]
DayKinds = Annotated[
    tuple[Annotated[DayKind, Expected("one of " + ", ".join(DAY_KINDS), DAY_KINDS)], ...],
    Field(strict=False, min_length=1),
]
Months = Annotated[tuple[Month, ...], Field(strict=False, min_length=1)]


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
