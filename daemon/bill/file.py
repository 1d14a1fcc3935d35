"""Read a supplier's bill from a CSV file; its header says half-hours or bands.

``start,kwh``: one row for each half-hour of the settlement grid; `start` is an RFC 3339 instant.
``band,kwh,cost``: one or more rows for each band, which are added up; `cost` includes tax. A row
``standing_charge,,67.74`` may be among them, and one of ``minimum_bill``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING

from config.files.csv_cells import NUMBER, quoted, read_start, rows_of, separator_of
from config.files.errors import Fault, FileError
from config.files.texts import read_text
from planners.accounts.bill_bands import MINIMUM_BILL, STANDING_CHARGE, Purchase

if TYPE_CHECKING:
    from collections.abc import Collection
    from datetime import datetime
    from pathlib import Path

    from config.files.csv_cells import CsvCell

MOST_BYTES = 32 * 1024 * 1024
HOURS_HEADER, BANDS_HEADER = ["start", "kwh"], ["band", "kwh", "cost"]


@dataclass(frozen=True, slots=True)
class Bill:
    """What was billed: half-hours or bands; the other is None.

    Attributes
    ----------
    half_hours : dict of datetime to Decimal, or None
        Energy by the start of the half-hour [Wh].
    bands : dict of str to Purchase, or None
        Energy and cost by band.
    """

    half_hours: dict[datetime, Decimal] | None = None
    bands: dict[str, Purchase] | None = None


@dataclass
class _BillReader:
    """Takes the rows of a bill one by one, and collects their faults."""

    file: str
    grid: Collection[datetime]
    decimal_comma: bool
    faults: list[Fault] = field(default_factory=list)
    half_hours: dict[datetime, Decimal] = field(default_factory=dict)
    lines: dict[datetime, int] = field(default_factory=dict)
    bands: dict[str, Purchase] = field(default_factory=dict)

    def half_hour(self, row: list[CsvCell]) -> None:
        start, kwh = self._start(row[0]), self._number(row[1], "kwh", "kWh")
        if start is None or kwh is None:
            return
        if start not in self.grid:
            if min(self.grid) <= start <= max(self.grid):
                what = "expected the start of a half hour, counted from midnight"
                self.refuse(row[0], f"start: {what}, got {quoted(row[0].text)}")
            return  # a bill may cover more than the month
        if start in self.half_hours:
            what = f"expected each half hour once, it is also in line {self.lines[start]}"
            self.refuse(row[0], f"start: {what}")
        self.half_hours[start] = kwh * 1000
        self.lines[start] = row[0].line

    def band(self, row: list[CsvCell]) -> None:
        name, cost = row[0].text, self._number(row[2], "cost", "money", negative=True)
        is_charge = name in {STANDING_CHARGE, MINIMUM_BILL} and not row[1].text
        kwh = Decimal(0) if is_charge else self._number(row[1], "kwh", "kWh")
        if not name:
            self.refuse(row[0], "band: expected the name of a band, got nothing")
        if kwh is None or cost is None:
            return
        before = self.bands.get(name, Purchase(Decimal(0), Decimal(0)))
        self.bands[name] = Purchase(before.wh + kwh * 1000, before.cost + cost)

    def refuse(self, cell: CsvCell, message: str) -> None:
        self.faults.append(Fault(self.file, cell.line, cell.column, message))

    def _start(self, cell: CsvCell) -> datetime | None:
        try:
            return read_start(cell.text)
        except ValueError as error:
            self.refuse(cell, str(error))
        return None

    def _number(
        self, cell: CsvCell, key: str, unit: str, *, negative: bool = False
    ) -> Decimal | None:
        text = cell.text.replace(",", ".") if self.decimal_comma else cell.text
        number = Decimal(text) if NUMBER.fullmatch(text) else None
        if number is None or (number < 0 and not negative):
            least = "" if negative else ", 0 or more"
            self.refuse(cell, f"{key}: expected a number of {unit}{least}, got {quoted(cell.text)}")
            return None
        return number


def read_bill(path: Path, grid: Collection[datetime]) -> Bill:
    """Read a bill.

    Parameters
    ----------
    path : Path
        CSV, separated by commas, or by semicolons, which allow a decimal comma.
    grid : collection of datetime
        The starts of the month's half-hours, UTC; rows of other months are ignored.

    Returns
    -------
    Bill
        Half-hours or bands.

    Raises
    ------
    FileError
        If the file has faults: all of them, each with line and column.
    """
    text = read_text(path, "a bill in CSV", MOST_BYTES)
    separator = separator_of(text)
    header, *rows = list(rows_of(text, separator)) or [[]]
    names = [cell.text for cell in header]
    if names not in (HOURS_HEADER, BANDS_HEADER):
        got = quoted(",".join(names)) if names else "an empty file"
        message = f"expected the header start,kwh or band,kwh,cost, got {got}"
        raise FileError([Fault(str(path), header[0].line if header else 1, 1, message)])
    reader = _BillReader(str(path), grid, decimal_comma=separator == ";")
    read = reader.half_hour if names == HOURS_HEADER else reader.band
    for row in rows:
        if len(row) == len(names):
            read(row)
        else:
            wanted = f"expected {len(names)} columns, {', '.join(names)}"
            reader.refuse(row[0], f"{wanted}, got {len(row)}")
    if not reader.faults and not (reader.half_hours or reader.bands):
        reader.refuse(header[0], "expected at least one row of the month below the header")
    if reader.faults:
        raise FileError(reader.faults)
    if names == HOURS_HEADER:
        return Bill(half_hours=reader.half_hours)
    return Bill(bands=reader.bands)
