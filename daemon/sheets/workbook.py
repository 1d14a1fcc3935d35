"""Write sheets into a workbook. The only module that uses XlsxWriter.

A text is always written as a text, so that none is run as a formula.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime
from io import BytesIO
from typing import TYPE_CHECKING, Any, Final
from zoneinfo import ZoneInfo

import xlsxwriter

from adapters.clocks.instants import parse_instant
from config.fields.currencies import minor_units
from config.files.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from daemon.fields.field import Field

MOST_ROWS: Final = 1_048_576
LONGEST_TEXT: Final = 32_767
"""Limits of a sheet and of a cell [rows, characters]: ECMA-376 programs, from memory."""
NARROWEST, WIDEST = 8, 60
"""Widths of columns [characters]."""
TOTAL = "total"
_NUMBERS: Final = {
    "count": "0", "rate": "0.0000", "percent": "0.0", "kWh": "0.000", "date": "yyyy-mm-dd",
    "instant": "yyyy-mm-dd hh:mm:ss", "local": "yyyy-mm-dd hh:mm:ss",
}  # fmt: skip
_UNIT_ENDS: Final = {
    "kwh": "kWh", "kw": "kW", "percent": "%", "amps": "A", "minutes": "min", "hours": "h",
    "km": "km", "kg": "kg CO2e", "years": "years",
}  # fmt: skip
"""Ends of names that say the unit; a header says it in brackets."""


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table of a workbook.

    Attributes
    ----------
    title : str
        Its name, at most 31 characters.
    columns : sequence of Field
        What each column holds.
    rows, totals : sequence of mapping
        Values by the names of the columns, as in JSON; totals stand below the rows.
    currency : str
        ISO 4217 code of all amounts; empty if rows have their own.
    zone : str
        Times are shown by the clock of this zone.
    is_list : bool
        Whether its one row is laid out as a list, a line for each column.
    """

    title: str
    columns: Sequence[Field]
    rows: Sequence[Mapping[str, Any]]
    totals: Sequence[Mapping[str, Any]] = ()
    currency: str = ""
    zone: str = "UTC"
    is_list: bool = False

    def header(self, column: Field) -> str:
        """Write the words of a column, and its unit."""
        unit = column.unit_in(self.currency or "currency of the row")
        if column.kind in {"instant", "local"}:
            unit = "UTC" if column.name.endswith("_utc") else self.zone
        words = column.words or _words_of(column.name, unit)
        return words + (f" [{unit}]" if unit else "")


def _words_of(name: str, unit: str) -> str:
    """Return the words of a name, without the unit at its end."""
    words = name.split("_")
    is_said = _UNIT_ENDS.get(words[-1]) == unit or words[-1] in {"utc", "local"}
    return " ".join(words[:-1] if is_said and len(words) > 1 else words)


@dataclass
class Workbook:
    """A workbook in the making: sheets, and in the end what their columns mean."""

    title: str
    sheets: list[Sheet] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)

    def to_bytes(self) -> bytes:
        """Write the file.

        Returns
        -------
        bytes
            Office Open XML (ISO/IEC 29500).
        """
        made = BytesIO()
        options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
        with xlsxwriter.Workbook(made, options) as book:
            book.set_properties({"title": _cut(self.title)[:255]})
            formats = _Formats(book)
            for sheet in self.sheets:
                page = _Page(book.add_worksheet(sheet.title), sheet, formats)
                if sheet.is_list:
                    page.write_list()
                else:
                    page.write_table()
            _write_definitions(book.add_worksheet("Definitions"), self, formats)
        return made.getvalue()


class _Formats:
    """The formats of cells, each made once."""

    def __init__(self, book: Any) -> None:  # noqa: ANN401 - XlsxWriter has no types
        self._book, self._made = book, {}  # type: ignore[var-annotated]

    def get(self, *, number: str = "", bold: bool = False, wrap: bool = False) -> Any:  # noqa: ANN401
        key = (number, bold, wrap)
        if key not in self._made:
            properties: dict[str, Any] = {"valign": "top"}
            properties |= {"num_format": number} if number else {}
            properties |= {"bold": True} if bold else {}
            properties |= {"text_wrap": True} if wrap else {}
            self._made[key] = self._book.add_format(properties)
        return self._made[key]


class _Page:
    """One sheet, written cell by cell."""

    def __init__(self, page: Any, sheet: Sheet, formats: _Formats) -> None:  # noqa: ANN401
        self._page, self._sheet, self._formats = page, sheet, formats

    def write_table(self) -> None:
        """Write a header that stays in sight, a line for each row, and totals below."""
        page, sheet = self._page, self._sheet
        rows = [*sheet.rows, *sheet.totals]
        if len(rows) >= MOST_ROWS:
            raise UsageError(
                f"--format xlsx: a sheet holds {MOST_ROWS - 1:,} rows, and {sheet.title} has"
                f" {len(rows):,}; choose a shorter time, or --format csv"
            )
        headers = [sheet.header(column) for column in sheet.columns]
        widths = [*map(_header_width, headers)]
        for place, header in enumerate(headers):
            page.write_string(0, place, header, self._formats.get(bold=True, wrap=True))
        for number, row in enumerate(rows, start=1):
            bold = number > len(sheet.rows)
            for place, column in enumerate(sheet.columns):
                shown = self._put((number, place), column, row, bold=bold)
                widths[place] = max(widths[place], min(shown + 2, WIDEST))
        for place, width in enumerate(widths):
            page.set_column(place, place, width)
        page.freeze_panes(1, 1)
        if sheet.rows:
            page.autofilter(0, 0, len(sheet.rows), len(sheet.columns) - 1)

    def write_list(self) -> None:
        """Write the one row as a list: each figure, its value, and what it means."""
        page, (row,) = self._page, self._sheet.rows
        headers = (("figure", 40), ("value", 24), ("what it means", 90))
        for place, (name, width) in enumerate(headers):
            page.set_column(place, place, width)
            page.write_string(0, place, name, self._formats.get(bold=True))
        for number, column in enumerate(self._sheet.columns, start=1):
            page.write_string(number, 0, self._sheet.header(column), self._formats.get())
            self._put((number, 1), column, row, bold=False)
            page.write_string(number, 2, column.meaning, self._formats.get(wrap=True))
        page.freeze_panes(1, 1)

    def _put(
        self, place: tuple[int, int], column: Field, row: Mapping[str, Any], *, bold: bool
    ) -> int:
        """Write one value of a row, typed; return how wide it is shown [characters]."""
        value = row.get(column.name)
        currency = self._sheet.currency or row.get("currency") or ""
        number = self._formats.get(number=_number_format(column, currency), bold=bold)
        text = self._formats.get(bold=bold)
        if value is None:
            return 0
        if isinstance(value, bool):
            self._page.write_boolean(*place, value, text)
            return len("FALSE")
        if column.kind in {"date", "instant", "local"} and value != TOTAL:
            shown = _naive(value, column, self._sheet.zone)
            self._page.write_datetime(*place, shown, number)
            return len(_NUMBERS[column.kind])
        if isinstance(value, str):
            self._page.write_string(*place, _cut(value), text)
            return len(value)
        self._page.write_number(*place, float(value), number)
        return len(f"{float(value):.3f}")


def _header_width(header: str) -> int:
    """Give a header room for its longest word, and for two lines."""
    longest = max(map(len, header.split(" ")))
    return max(NARROWEST, longest + 3, len(header) // 2 + 3)


def _naive(text: str, column: Field, zone: str) -> date:
    """Read a date, or an instant as the clock of a zone shows it; cells know no zones."""
    if column.kind == "date":
        return date.fromisoformat(text)
    if column.kind == "local":
        return datetime.fromisoformat(text).replace(tzinfo=None)
    instant = parse_instant(text)
    shown = instant if column.name.endswith("_utc") else instant.astimezone(ZoneInfo(zone))
    return shown.replace(tzinfo=None)


def _number_format(column: Field, currency: str) -> str:
    """Return how many decimals are shown: for money those of its currency, by ISO 4217."""
    if column.kind in {"money", "exact"} and currency:
        decimals = minor_units(currency)
        if column.kind == "money":
            return f"#,##0.{'0' * decimals}" if decimals else "#,##0"
        return f"#,##0.{'0' * decimals}{'#' * 6}" if decimals else "General"
    return _NUMBERS.get(column.kind) or _NUMBERS.get(column.unit, "General")


def _cut(text: str) -> str:
    """Cut a text that is too long for a cell, and say so at its end."""
    end = " … (cut)"
    return text if len(text) <= LONGEST_TEXT else text[: LONGEST_TEXT - len(end)] + end


def _write_definitions(page: Any, book: Workbook, formats: _Formats) -> None:  # noqa: ANN401
    widths = (14, 34, 28, 14, 70, 36)
    for place, (name, width) in enumerate(
        zip(
            ("sheet", "column", "key in CSV and JSON", "unit", "what it means", "where it is from"),
            widths,
            strict=True,
        )
    ):
        page.set_column(place, place, width)
        page.write_string(0, place, name, formats.get(bold=True, wrap=True))
    rows = [
        (
            sheet.title,
            sheet.header(column),
            column.name,
            column.unit_in(sheet.currency or "currency of the row"),
            column.meaning,
            column.source,
        )
        for sheet in book.sheets
        for column in sheet.columns
    ]
    _write_lines(page, 1, rows, formats)
    page.freeze_panes(1, 0)
    page.autofilter(0, 0, max(1, len(rows)), len(widths) - 1)
    _write_lines(page, len(rows) + 2, [(text,) for text in book.remarks], formats, wrap=False)


def _write_lines(
    page: Any,  # noqa: ANN401
    first: int,
    lines: Iterable[Sequence[str]],
    formats: _Formats,
    *,
    wrap: bool = True,
) -> None:
    for number, line in enumerate(lines, start=first):
        for place, text in enumerate(line):
            page.write_string(number, place, _cut(text), formats.get(wrap=wrap))
