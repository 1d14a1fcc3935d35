"""Write values as CSV. Every CSV text that Lullwatt prints is written here."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence


def csv_text(columns: Sequence[str], rows: Iterable[Mapping[str, Any]]) -> str:
    """Write values as CSV by RFC 4180: a header, CRLF, quotes where they are needed.

    Parameters
    ----------
    columns : sequence of str
        The keys that are columns, in order.
    rows : iterable of mapping
        One value for each column; None becomes an empty cell.

    Returns
    -------
    str
        The whole text.
    """
    out = io.StringIO(newline="")
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(columns)
    writer.writerows([_cell(row[column]) for column in columns] for row in rows)
    return out.getvalue()


def _cell(value: Any) -> str:  # noqa: ANN401 - a JSON value
    if value is None:
        return ""
    if isinstance(value, bool):
        return "true" if value else "false"
    return f"{value:f}" if isinstance(value, Decimal) else str(value)
