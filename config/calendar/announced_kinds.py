"""Kinds of day, or hours of a day, that the supplier announces shortly before."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING, Annotated, Literal, Self

from pydantic import BeforeValidator, Field, model_validator

from config.calendar.day_kinds import DayKinds, Months, repeated
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import ClockTime, Expected, FilePath, Model, Text, json_kind

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

Assumption = Literal["dearest", "commonest", "share"]
"""What is assumed of a day that is not announced yet."""

_ASSUMPTIONS = ("dearest", "commonest", "share")
_LEAP_YEAR = 2000


def _yearly(value: object) -> object:
    """Read a date of every year, such as ``"09-01"``, as month and day."""
    if not isinstance(value, str):
        return value
    month, dash, day = value.partition("-")
    if not (dash and month.isdecimal() and day.isdecimal() and len(value) == len("09-01")):
        raise ValueError(value)
    # A year with a 29 February has every date that there is.
    found = date(_LEAP_YEAR, int(month), int(day))
    return found.month, found.day


_YearlyDate = Annotated[
    tuple[int, int],
    BeforeValidator(_yearly),
    json_kind("string", pattern=r"^\d\d-\d\d$"),
    Expected('a date of every year such as "09-01"'),
]


class AnnouncedKind(Model):
    """A kind of day that the supplier announces, or a kind of hours that it picks in a day."""

    name: Text = Field(description="Name of the kind, as bands and announcements list it.")
    at_most: (
        Annotated[int, Field(ge=1, le=366), Expected("a whole number of days from 1 to 366")] | None
    ) = Field(None, description="So many days of a season at most are of this kind.")
    days: DayKinds | None = Field(None, description="Days that may be of it; without: every day.")
    months: Months | None = Field(
        None, description="Months whose days may be of it, 1 to 12; without: every month."
    )
    picked_hours: bool = Field(
        default=False,
        description="Whether only hours of a day are of it, which the supplier picks; the other"
        " hours are of the first kind.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        refuse([*repeated(self.days, "days"), *repeated(self.months, "months")])
        return self


class AnnouncedDays(Model):
    """Kinds of day that are announced, and what is assumed until they are."""

    kinds: Annotated[
        tuple[AnnouncedKind, ...], Field(strict=False, min_length=2, max_length=10)
    ] = Field(description="The kinds of day; each has bands that list it under kinds.")
    until_announced: Annotated[
        Assumption, Expected("dearest, commonest or share", _ASSUMPTIONS)
    ] = Field(
        "dearest",
        description="What a day that is not announced is taken for: the dearest kind that it may"
        " be, the commonest so far, or each kind by its share of the days so far.",
    )
    begins: ClockTime | None = Field(
        None, description="When an announced day begins, by the tariff's clock; without: midnight."
    )
    season_begins: _YearlyDate = Field(
        (1, 1), description="First day of the season over which days of a kind are counted."
    )
    file: FilePath | None = Field(
        None,
        description="CSV file with the columns date, kind and hours; announcements from the bus,"
        " on the topic <root>/<household>/announcements, take precedence.",
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        problems = [
            KeyProblem(("kinds", place, "name"), f'expected another name, got "{name}" again')
            for place, name in enumerate(self.names)
            if name in self.names[:place]
        ]
        if self.kinds[0].picked_hours:
            message = "expected a kind of days first, since other hours than picked ones are of it"
            problems.append(KeyProblem(("kinds", 0, "picked_hours"), message))
        if all(kind.at_most or kind.days or kind.months for kind in self.kinds):
            message = "expected a kind without at_most, days and months, for all other days"
            problems.append(KeyProblem(("kinds",), message))
        refuse(problems)
        return self

    @property
    def names(self) -> tuple[str, ...]:
        """The names of its kinds."""
        return tuple(kind.name for kind in self.kinds)

    @property
    def picked_by_name(self) -> dict[str, bool]:
        """Whether each kind is one of picked hours."""
        return {kind.name: kind.picked_hours for kind in self.kinds}

    @property
    def begin_minute(self) -> int:
        """Minute of the day at which an announced day begins."""
        return 0 if self.begins is None else self.begins.hour * 60 + self.begins.minute


def kind_problems(
    announced: AnnouncedDays | None,
    kinds_of_bands: Sequence[tuple[tuple[str | int, ...], Sequence[str]]],
) -> Iterator[KeyProblem]:
    """Find kinds that bands list but the tariff does not announce, and kinds without a band.

    Parameters
    ----------
    announced : AnnouncedDays or None
        What the tariff announces.
    kinds_of_bands : sequence of tuple
        The path to each band that lists kinds, and what it lists.

    Yields
    ------
    KeyProblem
        With paths from the tariff.
    """
    names = announced.names if announced else ()
    for path, kinds in kinds_of_bands:
        for place, kind in enumerate(kinds):
            if kind not in names:
                known = f"one of the announced kinds ({', '.join(names)})"
                wanted = known if names else "announced beside the bands, which names the kinds"
                yield KeyProblem((*path, "kinds", place), f'expected {wanted}, got "{kind}"')
    if announced is None:
        return
    listed = {kind for _path, kinds in kinds_of_bands for kind in kinds}
    for place, name in enumerate(names):
        if name not in listed:
            message = f'expected a band that lists "{name}" under kinds, got none'
            yield KeyProblem(("announced", "kinds", place, "name"), message)
