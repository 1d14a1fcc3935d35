"""Price series in CSV: ``start`` (an instant after RFC 3339) and ``rate``, as suppliers give them.

What the prices mean (factor, tax, steps) is the business of the planners.
"""

from __future__ import annotations

import json
import re
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from config.errors import Fault, FileError
from config.texts import printable, read_text

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

_MOST_BYTES = 32 * 1024 * 1024
_MOST_RATE = 1_000_000
_LONGEST_SHOWN = 40
_YEARS = range(2000, 2100)
_HEADER = ["start", "rate"]
_START_WANTED = "start: expected an instant such as 2026-06-03T18:30:00+12:00"
_INSTANT = re.compile(
    r"(?P<date>\d{4}-\d\d-\d\d)[Tt ](?P<clock>\d\d:\d\d):(?P<second>\d\d)(?P<fraction>\.\d+)?"
    r"(?P<offset>[Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)?",
    re.ASCII,
)
_NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,3})?", re.ASCII)
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+", re.ASCII)


@dataclass(frozen=True, order=True)
class PricePoint:
    """A price from an instant on.

    Attributes
    ----------
    start : datetime
        UTC, on a whole minute.
    rate : Decimal
        As the file gives it, before factor and tax [currency per kWh, or what `multiply` makes it].
    """

    start: datetime
    rate: Decimal


@dataclass(frozen=True)
class _Cell:
    line: int
    column: int
    text: str


@dataclass
class _Series:
    """What has been read so far; a decimal comma is one only where semicolons part the columns."""

    file: str
    decimal_comma: bool
    faults: list[Fault] = field(default_factory=list)
    points: dict[datetime, PricePoint] = field(default_factory=dict)
    lines: dict[datetime, int] = field(default_factory=dict)

    def read(self, row: list[_Cell]) -> None:
        if len(row) != len(_HEADER):
            message = f"expected 2 columns, start and rate, got {len(row)}"
            self._refuse(row[0], message + _comma_hint(row[1:]))
            return
        start, rate = self._instant(row[0]), self._rate(row[1])
        if start is not None and rate is not None:
            self._keep(PricePoint(start, rate), row)

    def _instant(self, cell: _Cell) -> datetime | None:
        parts = _INSTANT.fullmatch(cell.text)
        if parts is None:
            self._refuse(cell, f"{_START_WANTED}, got {_quoted(cell.text)}")
        elif parts["offset"] is None:
            self._refuse(cell, f"{_START_WANTED}, got {_quoted(cell.text)} without Z or an offset")
        elif int(parts["second"]) or (parts["fraction"] or "").strip(".0"):
            self._refuse(cell, f"start: expected a whole minute, got {_quoted(cell.text)}")
        else:
            instant = _utc(parts["date"], parts["clock"], parts["offset"])
            if instant is not None:
                return instant
            self._refuse(cell, f"start: expected a time that exists, got {_quoted(cell.text)}")
        return None

    def _rate(self, cell: _Cell) -> Decimal | None:
        hint, text = "", cell.text
        if self.decimal_comma and _DECIMAL_COMMA.fullmatch(text):
            text = text.replace(",", ".")
        if _NUMBER.fullmatch(text):
            rate = Decimal(text)
            if abs(rate) <= _MOST_RATE:
                return rate
            hint = f"; the most is {_MOST_RATE}"
        self._refuse(cell, f"rate: expected a number, got {_quoted(cell.text)}{hint}")
        return None

    def _keep(self, point: PricePoint, row: list[_Cell]) -> None:
        first = self.points.setdefault(point.start, point)
        if first.rate != point.rate:
            self._refuse(
                row[1],
                f"rate: expected {first.rate} as in line {self.lines[point.start]} for the same "
                f"start, got {row[1].text}",
            )
        self.lines.setdefault(point.start, row[0].line)

    def _refuse(self, cell: _Cell, message: str) -> None:
        self.faults.append(Fault(self.file, cell.line, cell.column, message))


def load_prices(path: Path) -> tuple[PricePoint, ...]:
    """Read a price series.

    Parameters
    ----------
    path : Path
        CSV with the header ``start,rate``, separated by commas, or by semicolons, and then with a
        decimal comma or point. Rows may stand in any order; a row that says the same again is
        dropped.

    Returns
    -------
    tuple of PricePoint
        In the order of time, each instant once.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column.
    """
    text = read_text(path, "a price series in CSV", _MOST_BYTES)
    separator = _separator(text)
    header, *rows = list(_rows(text, separator)) or [[_Cell(1, 1, "")]]
    if [cell.text for cell in header] != _HEADER:
        got = _quoted(",".join(cell.text for cell in header)) if text.strip() else "an empty file"
        message = f"expected the header start,rate, got {got}"
        raise FileError([Fault(str(path), header[0].line, header[0].column, message)])
    series = _Series(str(path), decimal_comma=separator == ";")
    for row in rows:
        series.read(row)
    if not rows:
        message = "expected at least one price below the header, got none"
        series.faults.append(Fault(str(path), header[0].line, 1, message))
    if series.faults:
        raise FileError(series.faults)
    return tuple(sorted(series.points.values()))


def _separator(text: str) -> str:
    """Tell what parts the columns: a semicolon where the header has one, else a comma."""
    header = next((line for line in text.split("\n") if line.strip()), "")
    return ";" if ";" in header else ","


def _rows(text: str, separator: str) -> Iterator[list[_Cell]]:
    """Cut a text into rows of cells; lines without content are left out."""
    for number, line in enumerate(text.split("\n"), start=1):
        if line.strip():
            yield list(_cells(line, number, separator))


def _cells(line: str, number: int, separator: str) -> Iterator[_Cell]:
    index = 0
    for piece in line.split(separator):
        lead = len(piece) - len(piece.lstrip())
        cell = piece.strip()
        if len(cell) > 1 and cell[0] == cell[-1] == '"':
            cell, lead = cell[1:-1].strip(), lead + 1
        yield _Cell(number, index + lead + 1, cell)
        index += len(piece) + 1


def _comma_hint(cells: list[_Cell]) -> str:
    """Say what to write where a decimal comma has parted a rate in two."""
    rate = ",".join(cell.text for cell in cells).strip('"')
    if not _DECIMAL_COMMA.fullmatch(rate):
        return ""
    return f"; write {rate.replace(',', '.')}, or part the columns by semicolons"


def _utc(date: str, clock: str, offset: str) -> datetime | None:
    try:
        local = datetime.fromisoformat(f"{date}T{clock}:00+00:00")
    except ValueError:
        return None
    if local.year not in _YEARS:
        return None
    if offset in {"Z", "z"}:
        return local
    ahead = timedelta(hours=int(offset[1:3]), minutes=int(offset[4:]))
    return local - ahead if offset[0] == "+" else local + ahead


def _quoted(text: str) -> str:
    shown = text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."
    return printable(json.dumps(shown, ensure_ascii=False)) if shown else "nothing"
