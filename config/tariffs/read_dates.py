"""Read the files of dates that tariffs name."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.calendar.date_sets import DateSet, ReadDateSet
from config.files.date_list import load_dates
from config.files.errors import Fault, FileError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date
    from pathlib import Path

    from config.tariffs.tariff import Tariff

Spans = tuple[tuple["date", "date"], ...]


def dates_files(tariffs: Iterable[Tariff]) -> frozenset[Path]:
    """Return the files of dates that tariffs name."""
    return frozenset(
        each.file
        for tariff in tariffs
        for each in (*(tariff.seasons or ()), *(tariff.special_days or ()))
        if each.file is not None
    )


def with_dates_read(tariffs: Iterable[Tariff]) -> tuple[Tariff, ...]:
    """Return tariffs with what their files of dates hold.

    Parameters
    ----------
    tariffs : iterable of Tariff
        As declared.

    Returns
    -------
    tuple of Tariff
        The same, each special day and season with the dates of its file.

    Raises
    ------
    FileError
        Every fault of these files, each with line and column.
    """
    tariffs = tuple(tariffs)
    read: dict[Path, Spans] = {}
    faults: list[Fault] = []
    for path in sorted(dates_files(tariffs)):
        try:
            read[path] = load_dates(path)
        except FileError as error:
            faults += error.faults
    if faults:
        raise FileError(faults)
    return tuple(_with_dates(tariff, read) for tariff in tariffs)


def _with_dates(tariff: Tariff, read: dict[Path, Spans]) -> Tariff:
    if not dates_files([tariff]):
        return tariff
    update = {
        key: tuple(_filled(each, read) for each in sets)
        for key in ("seasons", "special_days")
        if (sets := getattr(tariff, key)) is not None
    }
    return tariff.model_copy(update=update)


def _filled(dates: DateSet, read: dict[Path, Spans]) -> DateSet:
    if dates.file is None:
        return dates
    given = {key: getattr(dates, key) for key in DateSet.model_fields}
    return ReadDateSet(**given, read=read[dates.file])
