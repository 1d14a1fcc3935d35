"""Write values as CSV. Every CSV text that Lullwatt prints is written here."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


_FORMULA_MARKS: Final = tuple("=+-@\t\r\n\0\uff1d\uff0b\uff0d\uff20")
"""Spreadsheets may run a text that begins with one of these as a formula.

OWASP, CSV Injection (the last four are its full-width forms), and OWASP ASVS 5.0, 1.2.10 (null).
"""


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Write values as CSV by RFC 4180: a header, CRLF, quotes where they are needed.

    Parameters
    ----------
    columns : sequence of str
        The keys that are columns, in order.
    rows : iterable of mapping
        One value for each column; None becomes an empty cell. A text that a spreadsheet could run
        as a formula gets an apostrophe in front; numbers stay numbers.

    Returns
    -------
    str
        The whole text.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([_cell(column) for column in columns])
    writer.writerows([_cell(row[column]) for column in columns] for row in rows)
    return out.getvalue()


def _cell(value: Any) -> str:  # noqa: ANN401 - a JSON value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, Decimal):
        return f"{value:f}"
    text = str(value)
    return f"'{text}" if isinstance(value, str) and text.startswith(_FORMULA_MARKS) else text
