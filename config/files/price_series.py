"""Read price series in CSV, with the columns ``start`` (RFC 3339) and ``rate``.

Factor, tax and steps are left to the planners.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from typing import TYPE_CHECKING

from config.files.csv_cells import NUMBER, CsvCell, quoted, read_start, rows_of, separator_of
from config.files.errors import Fault, FileError
from config.files.texts import read_text

if TYPE_CHECKING:
    from pathlib import Path

_MOST_BYTES = 8 * 1024 * 1024
"""A year in steps of 5 minutes takes 3 MB."""
_MOST_FAULTS = 100
_MOST_RATE = 1_000_000
_HEADER = ["start", "rate"]
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+", re.ASCII)


@dataclass(frozen=True, order=True, slots=True)
class PricePoint:
    """A price and the instant from which it holds.

    Attributes
    ----------
    start : datetime
        UTC, on a whole minute.
    rate : Decimal
        As the file gives it, before factor and tax [currency per kWh, once multiplied by
        `multiply`].
    """

    start: datetime
    rate: Decimal


@dataclass
class _SeriesReader:
    """Collects the prices and faults of a file, row by row."""

    file: str
    decimal_comma: bool
    faults: list[Fault] = field(default_factory=list)
    points: dict[datetime, PricePoint] = field(default_factory=dict)
    lines: dict[datetime, int] = field(default_factory=dict)

    def read(self, row: list[CsvCell]) -> None:
        if len(row) != len(_HEADER):
            message = f"expected 2 columns, start and rate, got {len(row)}"
            self._refuse(row[0], message + _comma_hint(row[1:]))
            return
        start, rate = self._instant(row[0]), self._rate(row[1])
        if start is not None and rate is not None:
            self._keep(PricePoint(start, rate), row)

    def _instant(self, cell: CsvCell) -> datetime | None:
        try:
            return read_start(cell.text)
        except ValueError as error:
            self._refuse(cell, str(error))
        return None

    def _rate(self, cell: CsvCell) -> Decimal | None:
        hint, text = "", cell.text
        if self.decimal_comma and _DECIMAL_COMMA.fullmatch(text):
            text = text.replace(",", ".")
        if NUMBER.fullmatch(text):
            rate = Decimal(text)
            if abs(rate) <= _MOST_RATE:
                return rate
            hint = f"; the most is {_MOST_RATE}"
        self._refuse(cell, f"rate: expected a number, got {quoted(cell.text)}{hint}")
        return None

    def _keep(self, point: PricePoint, row: list[CsvCell]) -> None:
        first = self.points.setdefault(point.start, point)
        if first.rate != point.rate:
            self._refuse(
                row[1],
                f"rate: expected {first.rate} as in line {self.lines[point.start]} for the same "
                f"start, got {row[1].text}",
            )
        self.lines.setdefault(point.start, row[0].line)

    def _refuse(self, cell: CsvCell, message: str) -> None:
        self.faults.append(Fault(self.file, cell.line, cell.column, message))


def load_prices(path: Path) -> tuple[PricePoint, ...]:
    """Read a price series.

    Parameters
    ----------
    path : Path
        CSV with the header ``start,rate``. If semicolons separate the columns, the decimal mark may
        be a comma. Rows may be in any order; a row that repeats another is dropped.

    Returns
    -------
    tuple of PricePoint
        In order of time, each instant once.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column; of very many the first hundred.
    """
    text = read_text(path, "a price series in CSV", _MOST_BYTES)
    separator = separator_of(text)
    rows = rows_of(text, separator)
    header = next(rows, [CsvCell(1, 1, "")])
    if [cell.text for cell in header] != _HEADER:
        got = quoted(",".join(cell.text for cell in header)) if text.strip() else "an empty file"
        message = f"expected the header start,rate, got {got}"
        raise FileError([Fault(str(path), header[0].line, header[0].column, message)])
    series = _SeriesReader(str(path), decimal_comma=separator == ";")
    for row in rows:
        series.read(row)
        if len(series.faults) >= _MOST_FAULTS:
            break
    if not series.points and not series.faults:
        message = "expected at least one price below the header, got none"
        series.faults.append(Fault(str(path), header[0].line, 1, message))
    if series.faults:
        raise FileError(series.faults)
    return tuple(sorted(series.points.values()))


def _comma_hint(cells: list[CsvCell]) -> str:
    """Suggest what to write if a decimal comma has split a rate in two."""
    rate = ",".join(cell.text for cell in cells).strip('"')
    if not _DECIMAL_COMMA.fullmatch(rate):
        return ""
    return f"; write {rate.replace(',', '.')}, or separate the columns by semicolons"
