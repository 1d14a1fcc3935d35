"""Write values as CSV. Every CSV text that Lullwatt prints is written here."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


_FORMULA_MARKS: Final = tuple("=+-@\t\r\n\0\uff1d\uff0b\uff0d\uff20")
"""Spreadsheets may run a text that begins with one of these as a formula.

OWASP, CSV Injection (the last four are its full-width forms), and OWASP ASVS 5.0, 1.2.10 (null).
"""


@dataclass(frozen=True, slots=True)
class CsvStyle:
    """How a country's spreadsheets expect CSV.

    Attributes
    ----------
    separator : str
        What stands between two cells.
    decimal : str
        What stands before the decimals of a number.
    has_mark : bool
        Whether the text begins with a byte order mark, by which they tell that it is UTF-8.
    guarded : list of str
        Is filled with the texts that got an apostrophe in front, so that it can be said.
    """

    separator: str = ","
    decimal: str = "."
    has_mark: bool = False
    guarded: list[str] = field(default_factory=list, compare=False)


def csv_text(
    columns: Sequence[str], rows: Iterable[Mapping[str, Any]], style: CsvStyle | None = None
) -> str:
    """Write values as CSV by RFC 4180: a header, CRLF, quotes where they are needed.

    Parameters
    ----------
    columns : sequence of str
        The keys that are columns, in order.
    rows : iterable of mapping
        One value for each column; None becomes an empty cell. A text that a spreadsheet could run
        as a formula gets an apostrophe in front; numbers stay numbers.
    style : CsvStyle, optional
        By default commas between cells, and decimal points.

    Returns
    -------
    str
        The whole text.
    """
    style = style or CsvStyle()
    out = io.StringIO(newline="")
    if style.has_mark:
        out.write("\ufeff")
    writer = csv.writer(out, delimiter=style.separator, lineterminator="\r\n")
    writer.writerow([_cell(column, style) for column in columns])
    writer.writerows([_cell(row[column], style) for column in columns] for row in rows)
    return out.getvalue()


def _cell(value: Any, style: CsvStyle) -> str:  # noqa: ANN401 - a JSON value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        if not value.startswith(_FORMULA_MARKS):
            return value
        style.guarded.append(value)
        return f"'{value}"
    number = f"{value:f}" if isinstance(value, Decimal) else str(value)
    return number.replace(".", style.decimal)
