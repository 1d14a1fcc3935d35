"""What is read from an answer, and why an answer can't be read."""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from config.files.csv_cells import NUMBER
from config.files.price_series import PricePoint

MOST_PRICES = 20_000
"""Two months in steps of five minutes."""
MOST_PRICE = 1_000_000
_DECIMAL_COMMA = re.compile(r"[-+]?\d+,\d+", re.ASCII)


class AnswerError(Exception):
    """An answer that can't be read; the text says what is wrong, and repeats no secret."""


@dataclass(frozen=True, slots=True)
class Answer:
    """The prices of one answer.

    Attributes
    ----------
    points : tuple of PricePoint
        In order of time, each start once.
    currency : str or None
        The currency that the answer itself names.
    unit : str or None
        The unit of energy that it names, such as ``"MWH"``.
    """

    points: tuple[PricePoint, ...]
    currency: str | None = None
    unit: str | None = None


def in_order(points: list[PricePoint]) -> tuple[PricePoint, ...]:
    """Put prices in order, and drop repeated ones.

    Parameters
    ----------
    points
        In any order.

    Returns
    -------
    tuple of PricePoint
        Each start once.

    Raises
    ------
    AnswerError
        If there are two prices for one start, or far too many.
    """
    if len(points) > MOST_PRICES:
        raise AnswerError(f"it has more than {MOST_PRICES} prices")
    found: dict[object, PricePoint] = {}
    for point in points:
        if found.setdefault(point.start, point).rate != point.rate:
            raise AnswerError(
                f"it has two prices for {point.start:%Y-%m-%dT%H:%MZ}: {found[point.start].rate}"
                f" and {point.rate}"
            )
    return tuple(sorted(found.values()))


def price_of(value: object, *, decimal_comma: bool = False) -> Decimal | None:
    """Read a price.

    Parameters
    ----------
    value
        A number, its text, or nothing.
    decimal_comma
        Whether the decimal mark may be a comma.

    Returns
    -------
    Decimal or None
        None if there is no price yet: null, or an empty text.

    Raises
    ------
    AnswerError
        If it is no number, or a huge one.
    """
    if value is None or value == "":
        return None
    text = str(value) if isinstance(value, str | int | Decimal) else ""
    if decimal_comma and _DECIMAL_COMMA.fullmatch(text):
        text = text.replace(",", ".")
    if isinstance(value, bool) or not NUMBER.fullmatch(text) or abs(Decimal(text)) > MOST_PRICE:
        raise AnswerError("a price in it is no number")
    return Decimal(text)
