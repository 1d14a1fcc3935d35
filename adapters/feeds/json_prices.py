"""Read prices from JSON, by JSON Pointers."""

from __future__ import annotations

import json
from decimal import Decimal
from typing import TYPE_CHECKING, NoReturn

from adapters.feeds.answers import MOST_PRICES, Answer, AnswerError, in_order, price_of
from adapters.feeds.starts import starts_of
from adapters.wired.json_pointer import value_at
from config.files.price_series import PricePoint

if TYPE_CHECKING:
    from config.tariffs.price_fetch import PriceFetch


def json_prices(text: str, fetch: PriceFetch) -> Answer:
    """Read the prices of a JSON document.

    Parameters
    ----------
    text
        The document.
    fetch
        Says where its starts and prices are.

    Returns
    -------
    Answer
        Entries whose price is null are left out.

    Raises
    ------
    AnswerError
        If it is no JSON, or has something else in these places.
    """
    try:
        document = json.loads(text, parse_float=Decimal, parse_constant=_refuse_constant)
    except (ValueError, RecursionError, ArithmeticError):
        raise AnswerError("it is not JSON") from None
    starts, prices = _columns(document, fetch)
    rates = [price_of(price) for price in prices]
    known = [start for start, rate in zip(starts, rates, strict=True) if rate is not None]
    instants = starts_of(known, fetch.times, fetch.timezone)
    found = [rate for rate in rates if rate is not None]
    return Answer(in_order([PricePoint(*each) for each in zip(instants, found, strict=True)]))


def _refuse_constant(_name: str) -> NoReturn:
    raise ValueError("NaN and Infinity are not JSON")


def _columns(document: object, fetch: PriceFetch) -> tuple[list[object], list[object]]:
    if fetch.starts is not None and fetch.prices is not None:
        starts = _list_at(document, fetch.starts)
        prices = _list_at(document, fetch.prices)
        if len(starts) != len(prices):
            raise AnswerError(f"it has {len(starts)} starts and {len(prices)} prices")
        return starts, prices
    entries = _list_at(document, fetch.list or "")
    return (
        [_at(entry, fetch.start or "") for entry in entries],
        [_at(entry, fetch.price or "") for entry in entries],
    )


def _list_at(document: object, pointer: str) -> list[object]:
    found = _at(document, pointer)
    if not isinstance(found, list):
        raise AnswerError(f'there is no list at "{pointer}" in it')
    if len(found) > MOST_PRICES:
        raise AnswerError(f"it has more than {MOST_PRICES} entries")
    return found


def _at(document: object, pointer: str) -> object:
    try:
        return value_at(document, pointer)
    except LookupError:
        raise AnswerError(f'there is nothing at "{pointer}" in it') from None
