"""Named sets of dates: special days and seasons of a tariff.

Dates are given one by one or from one to another, by ISO weeks, by their distance from Easter, or
in a file. A date is in a set if any of these says so.
"""

from __future__ import annotations

import re
from datetime import date, timedelta
from typing import TYPE_CHECKING, Annotated, Self

import numpy as np
from pydantic import BeforeValidator, Field, model_validator
from typing_extensions import override

from config.calendar.day_kinds import DAY_KINDS, MONTH_NAMES, repeated
from config.calendar.easter import easter_sunday
from config.fields.key_problems import KeyProblem, refuse
from config.fields.value_types import Expected, FilePath, Model, Text, json_kind

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

MOST_SETS = 20
"""So many special days, or seasons, at most has a tariff."""

FIRST_DAY = date(2000, 1, 1)
LAST_DAY = date(2099, 12, 31)
"""The dates that a file may name, and over which a calendar is checked."""

_EPOCH = date(1970, 1, 1)
_MOST_FROM_EASTER = 100
_LAST_WEEK = 53
_LEAP_YEAR = 2000
_DAY = r"(?:(20[0-9]{2})-)?([0-9]{2})-([0-9]{2})"
_DATES = re.compile(rf"{_DAY}(?: +to +{_DAY})?", re.ASCII)
_WEEKS = re.compile(r"([0-9]{1,2})(?: +to +([0-9]{1,2}))?", re.ASCII)


class DateSpan(Model):
    """Dates from one to another, both included, of one year or of every year.

    Attributes
    ----------
    first, last : tuple of int
        Year, month and day; the year is 0 for a date of every year.
    """

    first: tuple[int, int, int]
    last: tuple[int, int, int]

    @override
    def __str__(self) -> str:
        ends = (f"{y}-{m:02d}-{d:02d}" if y else f"{m:02d}-{d:02d}" for y, m, d in self.ends)
        return " to ".join(ends)

    @property
    def ends(self) -> tuple[tuple[int, int, int], ...]:
        """Its first and last date; a single one if they are the same."""
        return (self.first,) if self.first == self.last else (self.first, self.last)

    def holds(self, days: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Tell which of some days since 1970 it holds."""
        if self.first[0]:
            return np.asarray((days >= _number(self.first)) & (days <= _number(self.last)))
        when = _month_and_day(days)
        first, last = (month * 100 + day for _year, month, day in (self.first, self.last))
        after, before = when >= first, when <= last
        # The end of a span that runs over the new year stands before its start.
        return np.asarray(after & before if first <= last else after | before)


class WeekSpan(Model):
    """ISO weeks from one to another, both included.

    Attributes
    ----------
    first, last : int
        Numbers of the weeks, 1 to 53.
    """

    first: int
    last: int

    @override
    def __str__(self) -> str:
        return f"{self.first}" if self.first == self.last else f"{self.first} to {self.last}"

    def holds(self, days: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Tell which of some days since 1970 it holds."""
        week = iso_weeks(days)
        after, before = week >= self.first, week <= self.last
        return np.asarray(after & before if self.first <= self.last else after | before)


def _dates_of(value: object) -> object:
    if not isinstance(value, str):
        return value
    parts = _DATES.fullmatch(value.strip())
    if parts is None:
        raise ValueError(value)
    first, last = (_checked_date(*parts.groups()[place : place + 3]) for place in (0, 3))
    last = last or first
    if first is None or last is None or (first[0] == 0) != (last[0] == 0):
        raise ValueError(value)
    if first[0] and last < first:
        raise ValueError(value)
    return DateSpan(first=first, last=last)


def _checked_date(
    year: str | None, month: str | None, day: str | None
) -> tuple[int, int, int] | None:
    if month is None or day is None:
        return None
    # A date of every year may be 29 February.
    found = date(int(year or _LEAP_YEAR), int(month), int(day))
    return int(year or 0), found.month, found.day


def _weeks_of(value: object) -> object:
    text = str(value) if isinstance(value, int) and not isinstance(value, bool) else value
    if not isinstance(text, str):
        return value
    parts = _WEEKS.fullmatch(text.strip())
    if parts is None:
        raise ValueError(value)
    first, last = int(parts[1]), int(parts[2] or parts[1])
    if not (1 <= first <= _LAST_WEEK and 1 <= last <= _LAST_WEEK):
        raise ValueError(value)
    return WeekSpan(first=first, last=last)


_Dates = Annotated[
    DateSpan,
    BeforeValidator(_dates_of),
    json_kind("string", pattern=r"^(20\d\d-)?\d\d-\d\d( +to +(20\d\d-)?\d\d-\d\d)?$"),
    Expected(
        'a date such as 2026-12-24 or (every year) "12-24", or a span such as "12-24 to 01-06"'
    ),
]
_Weeks = Annotated[
    WeekSpan,
    BeforeValidator(_weeks_of),
    json_kind("string", pattern=r"^\d{1,2}( +to +\d{1,2})?$"),
    Expected('an ISO week from 1 to 53 such as "44", or a span such as "44 to 13"'),
]
_FromEaster = Annotated[
    int,
    Field(ge=-_MOST_FROM_EASTER, le=_MOST_FROM_EASTER),
    Expected("a whole number of days from Easter Sunday, such as -2 for Good Friday"),
]


class DateSet(Model):
    """A named set of dates."""

    name: Text = Field(description="Name by which bands list it.")
    dates: Annotated[tuple[_Dates, ...], Field(strict=False, min_length=1)] | None = Field(
        None,
        description='Dates, such as 2026-12-24, or "12-24" for every year, or "12-24 to 01-06".',
    )
    weeks: Annotated[tuple[_Weeks, ...], Field(strict=False, min_length=1)] | None = Field(
        None, description='Weeks of the year by ISO 8601, such as "44", or "44 to 13".'
    )
    easter: Annotated[tuple[_FromEaster, ...], Field(strict=False, min_length=1)] | None = Field(
        None, description="Days counted from Easter Sunday: -2 is Good Friday, 1 Easter Monday."
    )
    file: FilePath | None = Field(
        None, description="CSV file of dates, such as days without school: columns from and to."
    )

    @model_validator(mode="after")
    def _check(self) -> Self:
        problems = [*repeated(self.dates, "dates"), *repeated(self.easter, "easter")]
        if all(getattr(self, key) is None for key in ("dates", "weeks", "easter", "file")):
            problems.append(KeyProblem((), "expected dates, weeks, easter or file, got none"))
        refuse(problems)
        return self

    @property
    def spans_read(self) -> tuple[tuple[date, date], ...]:
        """What its file holds; empty before the file is read."""
        return ()

    @property
    def is_any_date(self) -> bool:
        """Whether any date may be in it, since a file can change."""
        return self.file is not None

    def holds(self, days: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Tell which dates are in it.

        Parameters
        ----------
        days : ndarray of int64
            Days since 1970, as local dates.

        Returns
        -------
        ndarray of bool
            One for each day.
        """
        found = np.zeros(days.shape, np.bool_)
        spans: tuple[DateSpan | WeekSpan, ...] = (*(self.dates or ()), *(self.weeks or ()))
        for span in spans:
            found |= span.holds(days)
        if self.easter is not None:
            found |= np.isin(days, _from_easter(days, self.easter))
        for first, last in self.spans_read:
            found |= (days >= (first - _EPOCH).days) & (days <= (last - _EPOCH).days)
        return found


DateSets = Annotated[tuple[DateSet, ...], Field(strict=False, min_length=1, max_length=MOST_SETS)]


class ReadDateSet(DateSet):
    """A named set of dates, with what its file holds."""

    read: tuple[tuple[date, date], ...]

    @property
    @override
    def spans_read(self) -> tuple[tuple[date, date], ...]:
        return self.read


def set_problems(sets: Sequence[DateSet] | None, key: str) -> Iterator[KeyProblem]:
    """Find names of special days or seasons that stand twice or mean something else.

    Parameters
    ----------
    sets : sequence of DateSet or None
        Those of a tariff.
    key : str
        The key that lists them.

    Yields
    ------
    KeyProblem
        With paths from the tariff.
    """
    taken = {*DAY_KINDS, *MONTH_NAMES}
    for place, each in enumerate(sets or ()):
        if each.name in taken:
            message = f'expected a name that nothing else has, got "{each.name}"'
            yield KeyProblem((key, place, "name"), message)
        taken.add(each.name)


def iso_weeks(days: NDArray[np.int64]) -> NDArray[np.int64]:
    """Return the number of each day's week by ISO 8601.

    Parameters
    ----------
    days : ndarray of int64
        Days since 1970.

    Returns
    -------
    ndarray of int64
        1 to 53: weeks begin on Monday, and the first one has the year's first Thursday.
    """
    thursdays = days - (days + 3) % 7 + 3  # 1970-01-01 was a Thursday
    years = thursdays.astype("datetime64[D]").astype("datetime64[Y]")
    first = years.astype("datetime64[D]").astype(np.int64)
    return np.asarray((thursdays - first) // 7 + 1, np.int64)


def _month_and_day(days: NDArray[np.int64]) -> NDArray[np.int64]:
    dates = days.astype("datetime64[D]")
    months = dates.astype("datetime64[M]")
    day = (dates - months.astype("datetime64[D]")).astype(np.int64) + 1
    return np.asarray((months.astype(np.int64) % 12 + 1) * 100 + day, np.int64)


def _from_easter(days: NDArray[np.int64], distances: tuple[int, ...]) -> list[int]:
    if not days.size:
        return []
    years = range(_year(int(days.min())) - 1, _year(int(days.max())) + 2)
    return [
        (easter_sunday(year) - _EPOCH).days + distance for year in years for distance in distances
    ]


def _year(day: int) -> int:
    return (_EPOCH + timedelta(day)).year


def _number(day: tuple[int, int, int]) -> int:
    return (date(*day) - _EPOCH).days
