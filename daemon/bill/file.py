"""Read a supplier's bill: half-hours or bands in CSV, or intervals in ESPI.

``start,kwh``: one row for each half-hour of the settlement grid, each quarter-hour or each hour;
`start` is an RFC 3339 instant, or a local time if its zone is declared.
``band,kwh,cost``: one or more rows for each band, which are added up; `cost` includes tax. A row
``standing_charge,,67.74`` may be among them, and one of ``minimum_bill``. Columns may have other
names, if they are declared; columns beside them are ignored then.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from adapters.feeds.answers import AnswerError
from config.files.csv_cells import NUMBER, quoted, read_start, rows_of, separator_of
from config.files.errors import Fault, FileError
from config.files.texts import read_text
from daemon.bill.espi import espi_intervals
from daemon.bill.intervals import HOUR, Interval, on_grid
from planners.bill.bands import MINIMUM_BILL, STANDING_CHARGE, Purchase
from planners.local_time.conversion import instants_of_local
from planners.local_time.settlement import HALF_HOUR

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from pathlib import Path
    from zoneinfo import ZoneInfo

    from config.files.csv_cells import CsvCell

MOST_BYTES = 32 * 1024 * 1024
LEAST_HOURS = 24
"""So many rows that all begin with an hour are hours, and no half-hours."""
_LOCAL = re.compile(r"(\d{4}-\d\d-\d\d)[Tt ](\d\d:\d\d)(?::00)?", re.ASCII)
HOURS_HEADER, BANDS_HEADER = ["start", "kwh"], ["band", "kwh", "cost"]


@dataclass(frozen=True, slots=True)
class BillForm:
    """What is declared of a bill's form.

    Attributes
    ----------
    columns : mapping of str to str
        The file's name of a column, by ours: start, kwh, band, cost.
    zone : ZoneInfo or None
        The zone of local times; None refuses them.
    charge_point : str or None
        The charge point whose own meter it is for; None for the home's.
    """

    columns: Mapping[str, str] = field(default_factory=dict)
    zone: ZoneInfo | None = None
    charge_point: str | None = None


@dataclass(frozen=True, slots=True)
class Bill:
    """What was billed: half-hours or bands; the other is None.

    Attributes
    ----------
    half_hours : dict of datetime to Decimal, or None
        Energy by the start of the half-hour [Wh].
    bands : dict of str to Purchase, or None
        Energy and cost by band.
    step : timedelta
        Length of a half-hour; an hour if the bill has hours.
    """

    half_hours: dict[datetime, Decimal] | None = None
    bands: dict[str, Purchase] | None = None
    step: timedelta = HALF_HOUR


@dataclass
class _BillReader:
    """Takes the rows of a bill one by one, and collects their faults."""

    file: str
    grid: Mapping[datetime, int]
    zone: ZoneInfo | None
    decimal_comma: bool
    faults: list[Fault] = field(default_factory=list)
    starts: dict[datetime, Decimal] = field(default_factory=dict)
    lines: dict[datetime, int] = field(default_factory=dict)
    bands: dict[str, Purchase] = field(default_factory=dict)

    def half_hour(self, row: dict[str, CsvCell]) -> None:
        kwh = self._number(row["kwh"], "kwh", "kWh")
        start = self._start(row["start"], is_empty=kwh == 0)
        if start is None or kwh is None:
            return
        cell, is_quarter = row["start"], start - HALF_HOUR / 2 in self.grid
        if start not in self.grid and not is_quarter:
            if min(self.grid) <= start <= max(self.grid):
                what = "expected the start of a half hour, counted from midnight"
                self.refuse(cell, f"start: {what}, got {quoted(cell.text)}")
            return  # a bill may cover more than the month
        if start in self.starts:
            what = f"expected each half hour once, it is also in line {self.lines[start]}"
            self.refuse(cell, f"start: {what}")
        self.starts[start] = kwh * 1000
        self.lines[start] = cell.line

    def intervals(self) -> list[Interval]:
        """Return the rows; they are as long as their starts are apart."""
        quarters = any(start not in self.grid for start in self.starts)
        hours = not any(self.grid.get(start, 1) % 2 for start in self.starts)
        is_hourly = hours and len(self.starts) >= LEAST_HOURS
        length = HALF_HOUR / 2 if quarters else HOUR if is_hourly else HALF_HOUR
        return [Interval(start, length, wh) for start, wh in self.starts.items()]

    def band(self, row: dict[str, CsvCell]) -> None:
        name, cost = row["band"].text, self._number(row["cost"], "cost", "money", negative=True)
        is_charge = name in {STANDING_CHARGE, MINIMUM_BILL} and not row["kwh"].text
        kwh = Decimal(0) if is_charge else self._number(row["kwh"], "kwh", "kWh")
        if not name:
            self.refuse(row["band"], "band: expected the name of a band, got nothing")
        if kwh is None or cost is None:
            return
        before = self.bands.get(name, Purchase(Decimal(0), Decimal(0)))
        self.bands[name] = Purchase(before.wh + kwh * 1000, before.cost + cost)

    def refuse(self, cell: CsvCell, message: str) -> None:
        self.faults.append(Fault(self.file, cell.line, cell.column, message))

    def _start(self, cell: CsvCell, *, is_empty: bool) -> datetime | None:
        local = _LOCAL.fullmatch(cell.text)
        try:
            if local is None or self.zone is None:
                return read_start(cell.text)
            shown = datetime.fromisoformat(f"{local[1]} {local[2]}")
        except ValueError as error:
            hint = "" if local is None else "; --bill-zone declares the zone of such times"
            self.refuse(cell, f"{error}{hint}")
            return None
        instants = instants_of_local(shown.date(), shown.time(), self.zone)
        # An hour that the clock repeats comes twice; the file has them in order.
        later = next((each for each in instants if each not in self.starts), None)
        if not instants and not is_empty:
            what = f"expected a time that exists in {self.zone.key}, got {quoted(cell.text)}"
            self.refuse(cell, f"start: {what}; perhaps the bill is in standard time all year")
        return later if later is not None or not instants else instants[-1]

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


def read_bill(path: Path, grid: Sequence[datetime], form: BillForm | None = None) -> Bill:
    """Read a bill.

    Parameters
    ----------
    path : Path
        CSV, separated by commas, or by semicolons, which allow a decimal comma; or XML of ESPI.
    grid : sequence of datetime
        The starts of the half-hours, UTC, from a midnight; other rows are ignored.
    form : BillForm, optional
        What is declared of it.

    Returns
    -------
    Bill
        Half-hours or bands.

    Raises
    ------
    FileError
        If the file has faults: all of them, each with line and column.
    """
    text, form = read_text(path, "a bill in CSV or ESPI", MOST_BYTES), form or BillForm()
    places = {start: number for number, start in enumerate(grid)}
    if text.lstrip().startswith("<"):
        return _from_espi(path, text, places)
    separator = separator_of(text)
    header, *rows = list(rows_of(text, separator)) or [[]]
    columns = _columns(path, header, form.columns)
    reader = _BillReader(str(path), places, form.zone, decimal_comma=separator == ";")
    if "start" in columns and rows and _falls(rows, columns["start"]):
        rows.reverse()
    for row in rows:
        if len(row) == len(header):
            cells = {name: row[place] for name, place in columns.items()}
            (reader.half_hour if "start" in columns else reader.band)(cells)
        else:
            wanted = f"expected {len(header)} columns, {', '.join(cell.text for cell in header)}"
            reader.refuse(row[0], f"{wanted}, got {len(row)}")
    if not reader.faults and not (reader.starts or reader.bands):
        reader.refuse(header[0], "expected at least one row of the month below the header")
    if reader.faults:
        raise FileError(
            sorted(reader.faults, key=lambda fault: (fault.line or 0, fault.column or 0))
        )
    if "start" in columns:
        return Bill(*_steps(reader.intervals(), places))
    return Bill(bands=reader.bands)


def _steps(
    intervals: Sequence[Interval], places: Mapping[datetime, int]
) -> tuple[dict[datetime, Decimal], None, timedelta]:
    half_hours, step = on_grid(intervals, places)
    return half_hours, None, step


def _from_espi(path: Path, text: str, places: Mapping[datetime, int]) -> Bill:
    try:
        bill = Bill(*_steps(espi_intervals(text), places))
    except AnswerError as error:
        raise FileError([Fault(str(path), 1, 1, f"expected energy in ESPI, but {error}")]) from None
    if not bill.half_hours:
        raise FileError([Fault(str(path), 1, 1, "expected at least one interval of the month")])
    return bill


def _columns(path: Path, header: list[CsvCell], names: Mapping[str, str]) -> dict[str, int]:
    """Return the place of each column that is read, by our name."""
    texts = [cell.text for cell in header]
    wanted = [[names.get(name, name) for name in each] for each in (HOURS_HEADER, BANDS_HEADER)]
    for ours, theirs in zip((HOURS_HEADER, BANDS_HEADER), wanted, strict=True):
        is_it = texts == theirs or (
            names and all(texts.count(name) == 1 for name in theirs) and names.keys() <= set(ours)
        )
        if is_it:
            return {name: texts.index(text) for name, text in zip(ours, theirs, strict=True)}
    got = quoted(",".join(texts)) if texts else "an empty file"
    message = f"expected the header {' or '.join(map(','.join, wanted))}, got {got}"
    hint = "" if names or not texts else "; --columns start=...,kwh=... names other columns"
    place = header[0].line if header else 1
    raise FileError([Fault(str(path), place, 1, f"{message}{hint}")])


def _falls(rows: Sequence[list[CsvCell]], place: int) -> bool:
    """Tell whether the newest row is the first one."""
    first, last = rows[0], rows[-1]
    return len(first) > place < len(last) and first[place].text > last[place].text
