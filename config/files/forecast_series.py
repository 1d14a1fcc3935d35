"""Read forecasts of power in CSV: the columns ``start`` and ``kw`` or ``watts``, after ``issued``.

Whether the values can be true is left to the planners.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from config.files.csv_cells import NUMBER, CsvCell, quoted, read_start, rows_of, separator_of
from config.files.date_list import BadCellError
from config.files.errors import Fault, FileError
from config.files.texts import read_text

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

MOST_KW: Final = 1000.0
"""The highest power that a forecast may name [kW]."""

WATTS_PER_KW: Final = 1000.0

_SECONDS = re.compile(r"(?<=:\d\d):\d\d(\.\d+)?", re.ASCII)

_MOST_BYTES = 2 * 1024 * 1024
"""Forty forecasts of a week in steps of 15 minutes take 1.5 MB."""
_MOST_FAULTS = 100
_HEADERS: Final = (
    ["start", "kw"],
    ["start", "watts"],
    ["issued", "start", "kw"],
    ["issued", "start", "watts"],
)


@dataclass(frozen=True, slots=True)
class ForecastPoint:
    """The power that is expected from an instant on.

    Attributes
    ----------
    start : datetime
        UTC, on a whole minute.
    kw : float
        The power [kW].
    issued : datetime or None
        When it was made, UTC; None if nobody says.
    line : int
        Where it stands in a file, counted from 1; 0 if it is from elsewhere.
    """

    start: datetime
    kw: float
    issued: datetime | None = None
    line: int = field(default=0, compare=False)

    def is_newer_than(self, other: ForecastPoint) -> bool:
        """Whether it was made later; one of unknown age is older than any other."""
        if self.issued is None or other.issued is None:
            return other.issued is None and self.issued is not None
        return self.issued > other.issued


@dataclass
class _Reader:
    file: str
    header: list[str]
    decimal_comma: bool
    faults: list[Fault] = field(default_factory=list)
    points: dict[datetime, ForecastPoint] = field(default_factory=dict)

    def read(self, row: list[CsvCell]) -> None:
        try:
            self._keep(self._point(row), row[-1])
        except BadCellError as error:
            self.faults.append(Fault(self.file, error.cell.line, error.cell.column, str(error)))

    def _keep(self, point: ForecastPoint, cell: CsvCell) -> None:
        before = self.points.setdefault(point.start, point)
        if before.issued == point.issued and before.kw != point.kw:
            message = f"{self.header[-1]}: expected one value for each start, got another one"
            raise BadCellError(cell, message)
        if point.is_newer_than(before):
            self.points[point.start] = point

    def _point(self, row: list[CsvCell]) -> ForecastPoint:
        if len(row) != len(self.header):
            wanted = f"{len(self.header)} columns, {', '.join(self.header)}"
            raise BadCellError(row[0], f"expected {wanted}, got {len(row)}")
        cells = dict(zip(self.header, row, strict=True))
        issued = _instant("issued", cells["issued"]) if "issued" in cells else None
        return ForecastPoint(
            _instant("start", cells["start"]), self._kw(row[-1]), issued, row[0].line
        )

    def _kw(self, cell: CsvCell) -> float:
        key, text = self.header[-1], cell.text
        if self.decimal_comma:
            text = text.replace(",", ".")
        unit = 1.0 if key == "kw" else WATTS_PER_KW
        if not NUMBER.fullmatch(text) or not 0 <= float(text) <= MOST_KW * unit:
            wanted = f"a power from 0 to {MOST_KW * unit:g}"
            raise BadCellError(cell, f"{key}: expected {wanted}, got {quoted(cell.text)}")
        return float(text) / unit


def _instant(key: str, cell: CsvCell) -> datetime:
    # A forecast may be made at any second; the minute is near enough to tell the newest.
    text = cell.text if key == "start" else _SECONDS.sub(":00", cell.text, count=1)
    try:
        return read_start(text)
    except ValueError as error:
        raise BadCellError(cell, str(error).replace("start:", f"{key}:", 1)) from None


def load_forecast(path: Path) -> tuple[ForecastPoint, ...]:
    """Read a file of forecasts.

    Parameters
    ----------
    path : Path
        CSV with the header ``start,kw`` or ``start,watts``, or with ``issued`` before these. If
        semicolons separate the columns, the decimal mark may be a comma. Rows may be in any order.

    Returns
    -------
    tuple of ForecastPoint
        In order of time, each start once: of several, the one that was issued last.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column; of very many the first hundred.
    """
    text = read_text(path, "a forecast in CSV", _MOST_BYTES)
    separator = separator_of(text)
    rows = rows_of(text, separator)
    header = next(rows, [CsvCell(1, 1, "")])
    names = [cell.text for cell in header]
    if names not in _HEADERS:
        got = quoted(",".join(names)) if text.strip() else "an empty file"
        message = f"expected the header start,kw or start,watts, perhaps after issued, got {got}"
        raise FileError([Fault(str(path), header[0].line, header[0].column, message)])
    reader = _Reader(str(path), names, decimal_comma=separator == ";")
    for row in rows:
        reader.read(row)
        if len(reader.faults) >= _MOST_FAULTS:
            break
    if reader.faults:
        raise FileError(reader.faults)
    return tuple(reader.points[start] for start in sorted(reader.points))
