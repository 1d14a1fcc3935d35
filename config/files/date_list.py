"""Read a list of dates in CSV, such as days without school: columns ``from`` and ``to``."""

from __future__ import annotations

import re
from datetime import date
from typing import TYPE_CHECKING

from config.files.csv_cells import CsvCell, quoted, rows_of, separator_of
from config.files.errors import Fault, FileError
from config.files.texts import read_text

if TYPE_CHECKING:
    from pathlib import Path

_MOST_BYTES = 256 * 1024
_MOST_FAULTS = 100
_HEADERS = (["from"], ["from", "to"])
_DATE = re.compile(r"20[0-9]{2}-[0-9]{2}-[0-9]{2}", re.ASCII)


def load_dates(path: Path) -> tuple[tuple[date, date], ...]:
    """Read a list of dates.

    Parameters
    ----------
    path : Path
        CSV with the header ``from,to``, or ``from`` alone. A row without ``to`` is a single date.

    Returns
    -------
    tuple of two dates each
        The first and the last date of each row, both included, in order.

    Raises
    ------
    FileError
        Every fault of the file, each with line and column; of very many the first hundred.
    """
    text = read_text(path, "a list of dates in CSV", _MOST_BYTES)
    rows = rows_of(text, separator_of(text))
    header = next(rows, [CsvCell(1, 1, "")])
    if [cell.text for cell in header] not in _HEADERS:
        got = quoted(",".join(cell.text for cell in header)) if text.strip() else "an empty file"
        message = f"expected the header from,to, got {got}"
        raise FileError([Fault(str(path), header[0].line, header[0].column, message)])
    faults: list[Fault] = []
    spans: set[tuple[date, date]] = set()
    for row in rows:
        try:
            spans.add(_span(row))
        except BadCellError as error:
            faults.append(Fault(str(path), error.cell.line, error.cell.column, str(error)))
        if len(faults) >= _MOST_FAULTS:
            break
    if faults:
        raise FileError(faults)
    return tuple(sorted(spans))


class BadCellError(Exception):
    """What is wrong with a cell.

    Parameters
    ----------
    cell : CsvCell
        The cell.
    message : str
        What was expected there.
    """

    def __init__(self, cell: CsvCell, message: str) -> None:
        super().__init__(message)
        self.cell = cell


def _span(row: list[CsvCell]) -> tuple[date, date]:
    if len(row) > len(_HEADERS[-1]):
        raise BadCellError(row[0], f"expected at most 2 columns, from and to, got {len(row)}")
    first = date_of_cell("from", row[0])
    if len(row) == 1 or not row[1].text:
        return first, first
    last = date_of_cell("to", row[1])
    if last < first:
        raise BadCellError(row[1], f"to: expected no date before {first}, got {last}")
    return first, last


def date_of_cell(name: str, cell: CsvCell) -> date:
    """Read a date of the years 2000 to 2099, or raise a `BadCellError` with the column's name."""
    try:
        if _DATE.fullmatch(cell.text):
            return date.fromisoformat(cell.text)
    except ValueError:
        pass
    message = f"{name}: expected a date such as 2026-12-24, got {quoted(cell.text)}"
    raise BadCellError(cell, message)
