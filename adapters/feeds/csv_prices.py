"""Read prices from two named columns of CSV."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.feeds.answers import MOST_PRICES, Answer, AnswerError, in_order, price_of
from adapters.feeds.starts import starts_of
from config.files.csv_cells import rows_of
from config.files.price_series import PricePoint

if TYPE_CHECKING:
    from config.tariffs.price_fetch import PriceFetch

_MOST_LINES_BEFORE = 50
"""A file may begin with so many lines of title before its header."""


def csv_prices(text: str, fetch: PriceFetch) -> Answer:
    """Read the prices of a CSV file.

    Parameters
    ----------
    text
        The file. Commas, semicolons or tabs separate its columns; the header may stand below some
        lines of title. Beside semicolons and tabs, the decimal mark may be a comma.
    fetch
        Names the columns.

    Returns
    -------
    Answer
        Rows without a price are left out.

    Raises
    ------
    AnswerError
        If the columns are not there, or a row can't be read.
    """
    names = (fetch.start or "", fetch.price or "")
    text = text.replace("\r\n", "\n")
    for separator in (";", "\t", ","):
        rows = [[cell.text for cell in row] for row in rows_of(text, separator)]
        for number, header in enumerate(rows[:_MOST_LINES_BEFORE]):
            if all(name in header for name in names):
                start, price = map(header.index, names)
                return _prices(rows[number + 1 :], start, price, fetch, comma=separator != ",")
    raise AnswerError(f'it has no header with the columns "{names[0]}" and "{names[1]}"')


def _prices(
    rows: list[list[str]], start: int, price: int, fetch: PriceFetch, *, comma: bool
) -> Answer:
    if len(rows) > MOST_PRICES:
        raise AnswerError(f"it has more than {MOST_PRICES} rows")
    if any(len(row) <= max(start, price) for row in rows):
        raise AnswerError("a row of it has too few columns")
    rates = [price_of(row[price], decimal_comma=comma) for row in rows]
    known = [row[start] for row, rate in zip(rows, rates, strict=True) if rate is not None]
    instants = starts_of(known, fetch.times, fetch.timezone)
    found = [rate for rate in rates if rate is not None]
    return Answer(in_order([PricePoint(*each) for each in zip(instants, found, strict=True)]))
