"""Read series that are issued again and again, in CSV: forecasts of power, and carbon intensities.

Their columns are ``start`` and the value, perhaps after ``issued``: of several values for a start
the one that was issued last counts. Whether they can be true is left to others.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final, Generic, NamedTuple, TypeVar

from config.files.csv_cells import NUMBER, CsvCell, quoted, read_start, rows_of, separator_of
from config.files.date_list import BadCellError
from config.files.errors import Fault, FileError
from config.files.texts import read_text

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from pathlib import Path

MOST_KW: Final = 1000.0
"""The highest power that a forecast may name [kW]."""

WATTS_PER_KW: Final = 1000.0

MOST_GRAMS: Final = 3000.0
"""The highest carbon intensity [g/kWh]: nearly three times the 1,050 g/kWh of lignite, the worst
fuel that is burnt for power (common practice, no source)."""

_SECONDS = re.compile(r"(?<=:\d\d):\d\d(\.\d+)?", re.ASCII)

_MOST_BYTES = 2 * 1024 * 1024
"""Forty forecasts of a week in steps of 15 minutes take 1.5 MB."""
_MOST_FAULTS = 100


@dataclass(frozen=True, slots=True)
class IssuedPoint:
    """A value that holds from an instant on.

    Attributes
    ----------
    start : datetime
        UTC, on a whole minute.
    value : float
        What is expected, or was measured.
    issued : datetime or None
        When it was made, UTC; None if nobody says.
    line : int
        Where it stands in a file, counted from 1; 0 if it is from elsewhere.
    """

    start: datetime
    value: float
    issued: datetime | None = None
    line: int = field(default=0, compare=False)

    def is_newer_than(self, other: IssuedPoint) -> bool:
        """Whether it was made later; one of unknown age is older than any other."""
        if self.issued is None or other.issued is None:
            return other.issued is None and self.issued is not None
        return self.issued > other.issued


@dataclass(frozen=True, slots=True)
class ForecastPoint(IssuedPoint):
    """The power that is expected from an instant on."""

    @property
    def kw(self) -> float:
        """The power [kW]."""
        return self.value


@dataclass(frozen=True, slots=True)
class IntensityPoint(IssuedPoint):
    """The carbon intensity of the grid from an instant on [g CO2e per kWh]."""


_Point = TypeVar("_Point", ForecastPoint, IntensityPoint)


class _Kind(NamedTuple, Generic[_Point]):
    """What a file holds: its name, its value and highest value in words, its columns with units."""

    name: str
    value: str
    most: float
    units: Mapping[str, float]
    point: type[_Point]


_POWER = _Kind(
    "a forecast in CSV", "a power", MOST_KW, {"kw": 1.0, "watts": WATTS_PER_KW}, ForecastPoint
)
_INTENSITY = _Kind(
    "carbon intensities in CSV", "an intensity", MOST_GRAMS, {"grams_per_kwh": 1.0}, IntensityPoint
)


@dataclass
class _Reader(Generic[_Point]):
    kind: _Kind[_Point]
    file: str
    header: list[str]
    decimal_comma: bool
    faults: list[Fault] = field(default_factory=list)
    points: dict[datetime, _Point] = field(default_factory=dict)

    def read(self, row: list[CsvCell]) -> None:
        try:
            self._keep(self._point(row), row[-1])
        except BadCellError as error:
            self.faults.append(Fault(self.file, error.cell.line, error.cell.column, str(error)))

    def _keep(self, point: _Point, cell: CsvCell) -> None:
        before = self.points.setdefault(point.start, point)
        if before.issued == point.issued and before.value != point.value:
            message = f"{self.header[-1]}: expected one value for each start, got another one"
            raise BadCellError(cell, message)
        if point.is_newer_than(before):
            self.points[point.start] = point

    def _point(self, row: list[CsvCell]) -> _Point:
        if len(row) != len(self.header):
            wanted = f"{len(self.header)} columns, {', '.join(self.header)}"
            raise BadCellError(row[0], f"expected {wanted}, got {len(row)}")
        cells = dict(zip(self.header, row, strict=True))
        issued = _instant("issued", cells["issued"]) if "issued" in cells else None
        start = _instant("start", cells["start"])
        return self.kind.point(start, self._value(row[-1]), issued, row[0].line)

    def _value(self, cell: CsvCell) -> float:
        key, text = self.header[-1], cell.text
        if self.decimal_comma:
            text = text.replace(",", ".")
        unit, most = self.kind.units[key], self.kind.most
        if not NUMBER.fullmatch(text) or not 0 <= float(text) <= most * unit:
            wanted = f"{self.kind.value} from 0 to {most * unit:g}"
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
    """  # noqa: DOC502 - raised by `_load`
    return _load(path, _POWER)


def load_intensities(path: Path) -> tuple[IntensityPoint, ...]:
    """Read a file of carbon intensities.

    Parameters
    ----------
    path : Path
        CSV with the header ``start,grams_per_kwh``, or with ``issued`` before these; otherwise as
        for `load_forecast`.

    Returns
    -------
    tuple of IntensityPoint
        In order of time, each start once: of several, the one that was issued last.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column; of very many the first hundred.
    """  # noqa: DOC502 - raised by `_load`
    return _load(path, _INTENSITY)


def _load(path: Path, kind: _Kind[_Point]) -> tuple[_Point, ...]:
    text = read_text(path, kind.name, _MOST_BYTES)
    separator = separator_of(text)
    rows = rows_of(text, separator)
    header = next(rows, [CsvCell(1, 1, "")])
    names = [cell.text for cell in header]
    plain = names[1:] if names[0] == "issued" else names
    if plain not in [["start", key] for key in kind.units]:
        got = quoted(",".join(names)) if text.strip() else "an empty file"
        wanted = " or ".join(f"start,{key}" for key in kind.units)
        message = f"expected the header {wanted}, perhaps after issued, got {got}"
        raise FileError([Fault(str(path), header[0].line, header[0].column, message)])
    reader = _Reader(kind, str(path), names, decimal_comma=separator == ";")
    for row in rows:
        reader.read(row)
        if len(reader.faults) >= _MOST_FAULTS:
            break
    if reader.faults:
        raise FileError(reader.faults)
    return tuple(reader.points[start] for start in sorted(reader.points))
