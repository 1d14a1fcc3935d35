"""Read the files of dates that tariffs and households name."""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol, Self, TypeVar

from config.calendar.date_sets import DateSet, ReadDateSet
from config.files.date_list import load_dates
from config.files.errors import Fault, FileError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date
    from pathlib import Path

Spans = tuple[tuple["date", "date"], ...]


_Declares = TypeVar("_Declares", bound="DeclaresDates")


class DeclaresDates(Protocol):
    """A part of a file that declares special days and seasons."""

    @property
    def seasons(self) -> tuple[DateSet, ...] | None:
        """Parts of the year."""

    @property
    def special_days(self) -> tuple[DateSet, ...] | None:
        """Days with a name."""

    def with_dates(
        self, seasons: tuple[DateSet, ...] | None, special_days: tuple[DateSet, ...] | None
    ) -> Self:
        """Return the part with other ones."""


def dates_files(parts: Iterable[DeclaresDates]) -> frozenset[Path]:
    """Return the files of dates that parts of a file name."""
    return frozenset(
        each.file
        for part in parts
        for each in (*(part.seasons or ()), *(part.special_days or ()))
        if each.file is not None
    )


def read_dates(parts: Iterable[DeclaresDates]) -> dict[Path, Spans]:
    """Read the files of dates that parts of a file name.

    Parameters
    ----------
    parts : iterable of Tariff or Household
        As declared.

    Returns
    -------
    dict
        What each file holds, for `with_dates`.

    Raises
    ------
    FileError
        Every fault of these files, each with line and column.
    """
    read: dict[Path, Spans] = {}
    faults: list[Fault] = []
    for path in sorted(dates_files(parts)):
        try:
            read[path] = load_dates(path)
        except FileError as error:
            faults += error.faults
    if faults:
        raise FileError(faults)
    return read


def with_dates(part: _Declares, read: dict[Path, Spans]) -> _Declares:
    """Return a part of a file with what its files of dates hold, as `read_dates` read them."""
    if not dates_files([part]):
        return part
    return part.with_dates(_all_filled(part.seasons, read), _all_filled(part.special_days, read))


def _all_filled(
    sets: tuple[DateSet, ...] | None, read: dict[Path, Spans]
) -> tuple[DateSet, ...] | None:
    return None if sets is None else tuple(_filled(each, read) for each in sets)


def _filled(dates: DateSet, read: dict[Path, Spans]) -> DateSet:
    if dates.file is None:
        return dates
    given = {key: getattr(dates, key) for key in DateSet.model_fields}
    return ReadDateSet(**given, read=read[dates.file])
