"""Read announcements of kinds of day in CSV, with the columns ``date``, ``kind`` and ``hours``."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from pydantic import TypeAdapter, ValidationError

from config.fields.value_types import ClockHours, Hours
from config.files.csv_cells import CsvCell, quoted, rows_of, separator_of
from config.files.date_list import BadCellError, date_of_cell
from config.files.errors import Fault, FileError
from config.files.price_series import PricePoint
from config.files.texts import read_text

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from datetime import date
    from pathlib import Path

_MOST_BYTES = 1024 * 1024
_MOST_FAULTS = 100
_HEADERS = (["date", "kind"], ["date", "kind", "hours"])
_HOURS: TypeAdapter[Hours] = TypeAdapter(ClockHours)


@dataclass(frozen=True, slots=True)
class Announcement:
    """The kind of a day, as its supplier announced it.

    Attributes
    ----------
    day : date
        Local date on which it begins.
    kind : str
        Name of the kind.
    hours : tuple of Hours
        The hours of it, for a kind of picked hours; the day's other hours are of the first kind.
    """

    day: date
    kind: str
    hours: tuple[Hours, ...] = ()


RateNews = PricePoint | Announcement
"""What becomes known of a tariff's rates: a price of its series, or the kind of a day."""


def prices_in(news: Iterable[RateNews]) -> tuple[PricePoint, ...]:
    """Return the prices among what is known, in the same order."""
    return tuple(each for each in news if isinstance(each, PricePoint))


def announcements_in(news: Iterable[RateNews]) -> tuple[Announcement, ...]:
    """Return the announcements among what is known, in the same order."""
    return tuple(each for each in news if isinstance(each, Announcement))


@dataclass
class _Reader:
    file: str
    kinds: Mapping[str, bool]
    faults: list[Fault] = field(default_factory=list)
    found: dict[date, tuple[Announcement, int]] = field(default_factory=dict)

    def read(self, row: list[CsvCell]) -> None:
        try:
            made = self._announcement(row)
        except BadCellError as error:
            self.faults.append(Fault(self.file, error.cell.line, error.cell.column, str(error)))
            return
        first, line = self.found.setdefault(made.day, (made, row[0].line))
        if first != made:
            message = f"kind: expected {first.kind} as in line {line} for the same date"
            self.faults.append(Fault(self.file, row[1].line, row[1].column, message))

    def _announcement(self, row: list[CsvCell]) -> Announcement:
        if not 2 <= len(row) <= len(_HEADERS[-1]):  # noqa: PLR2004 - date and kind
            raise BadCellError(
                row[0], f"expected 2 or 3 columns, date, kind, hours, got {len(row)}"
            )
        day, kind = date_of_cell("date", row[0]), row[1].text
        if kind not in self.kinds:
            known = ", ".join(self.kinds)
            raise BadCellError(row[1], f"kind: expected one of {known}, got {quoted(kind)}")
        texts = row[2].text.split() if len(row) > 2 else []  # noqa: PLR2004 - date and kind
        if bool(texts) != self.kinds[kind]:
            wanted = "hours such as 01:00-05:00" if self.kinds[kind] else "nothing"
            raise BadCellError(row[-1], f"hours: expected {wanted} for the kind {kind}")
        return Announcement(day, kind, tuple(_hours(text, row[-1]) for text in texts))


def read_hours(text: str) -> tuple[Hours, ...]:
    """Read hours such as ``"01:00-05:00 13:00-14:00"``, or raise a `ValidationError`."""
    return tuple(_HOURS.validate_python(each) for each in text.split())


def _hours(text: str, cell: CsvCell) -> Hours:
    try:
        return _HOURS.validate_python(text)
    except ValidationError:
        message = f"hours: expected hours such as 01:00-05:00, got {quoted(text)}"
        raise BadCellError(cell, message) from None


def load_announcements(path: Path, kinds: Mapping[str, bool]) -> tuple[Announcement, ...]:
    """Read announcements.

    Parameters
    ----------
    path : Path
        CSV with the header ``date,kind``, or ``date,kind,hours``; spaces separate hours. It may
        hold the header alone.
    kinds : mapping of str to bool
        The kinds that the tariff announces, and whether each is one of picked hours.

    Returns
    -------
    tuple of Announcement
        In order of time, each date once.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column; of very many the first hundred.
    """
    text = read_text(path, "announcements in CSV", _MOST_BYTES)
    rows = rows_of(text, separator_of(text))
    header = next(rows, [CsvCell(1, 1, "")])
    if [cell.text for cell in header] not in _HEADERS:
        got = quoted(",".join(cell.text for cell in header)) if text.strip() else "an empty file"
        message = f"expected the header date,kind or date,kind,hours, got {got}"
        raise FileError([Fault(str(path), header[0].line, header[0].column, message)])
    reader = _Reader(str(path), kinds)
    for row in rows:
        reader.read(row)
        if len(reader.faults) >= _MOST_FAULTS:
            break
    if reader.faults:
        raise FileError(reader.faults)
    return tuple(sorted((made for made, _line in reader.found.values()), key=lambda each: each.day))
