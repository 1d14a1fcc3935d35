"""Cut CSV text into cells with their places; read instants and numbers."""

from __future__ import annotations

import json
import re
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, NamedTuple

from config.files.texts import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

_LONGEST_SHOWN = 40
_MOST_CELLS = 100
"""Of a row; the last one holds the rest of a longer row."""
_YEARS = range(2000, 2100)
_EXPECTED_START = "start: expected an instant such as 2026-06-03T18:30:00+12:00"
_INSTANT = re.compile(
    r"(?P<date>\d{4}-\d\d-\d\d)[Tt ](?P<clock>\d\d:\d\d):(?P<second>\d\d)(?P<fraction>\.\d+)?"
    r"(?P<offset>[Zz]|[+-](?:[01]\d|2[0-3]):[0-5]\d)?",
    re.ASCII,
)
NUMBER = re.compile(r"[-+]?(\d+(\.\d*)?|\.\d+)([eE][-+]?\d{1,3})?", re.ASCII)


class CsvCell(NamedTuple):
    """One cell; its line and column are counted from 1."""

    line: int
    column: int
    text: str


def read_start(text: str) -> datetime:
    """Read an instant in the format of RFC 3339, on a whole minute.

    Parameters
    ----------
    text : str
        Text of a cell.

    Returns
    -------
    datetime
        UTC.

    Raises
    ------
    ValueError
        What is wrong, and what was expected.
    """
    parts = _INSTANT.fullmatch(text)
    if parts is None:
        raise ValueError(f"{_EXPECTED_START}, got {quoted(text)}")
    if parts["offset"] is None:
        raise ValueError(f"{_EXPECTED_START}, got {quoted(text)} without Z or an offset")
    if int(parts["second"]) or (parts["fraction"] or "").strip(".0"):
        raise ValueError(f"start: expected a whole minute, got {quoted(text)}")
    instant = _utc(parts["date"], parts["clock"], parts["offset"])
    if instant is None:
        raise ValueError(f"start: expected a time that exists, got {quoted(text)}")
    return instant


def separator_of(text: str) -> str:
    """Return the column separator: a semicolon if the header has one, else a comma."""
    header = next((line for line in text.split("\n") if line.strip()), "")
    return ";" if ";" in header else ","


def rows_of(text: str, separator: str) -> Iterator[list[CsvCell]]:
    """Cut a text into rows of cells; skip blank lines."""
    for number, line in enumerate(text.split("\n"), start=1):
        if line.strip():
            yield list(_cells(line, number, separator))


def _cells(line: str, number: int, separator: str) -> Iterator[CsvCell]:
    index = 0
    for piece in line.split(separator, _MOST_CELLS - 1):
        lead = len(piece) - len(piece.lstrip())
        cell = piece.strip()
        if len(cell) > 1 and cell[0] == cell[-1] == '"':
            cell, lead = cell[1:-1].strip(), lead + 1
        yield CsvCell(number, index + lead + 1, cell)
        index += len(piece) + 1


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


def quoted(text: str) -> str:
    """Put a cell's text in quotes for a message: on one line, cut if it is long."""
    shown = text if len(text) <= _LONGEST_SHOWN else f"{text[:_LONGEST_SHOWN]}..."
    return printable(json.dumps(shown, ensure_ascii=False)) if shown else "nothing"
