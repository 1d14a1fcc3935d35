"""Read prices from a Publication_MarketDocument, the XML of IEC 62325-451-3.

A point holds from its position until the next one. Curve type A01 gives every position; A03 leaves
out those whose price is that of the position before.
"""

from __future__ import annotations

import re
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

from adapters.feeds.answers import MOST_PRICES, Answer, AnswerError, in_order, price_of
from adapters.feeds.starts import instant_of_text
from adapters.feeds.xml_tree import read_xml
from config.files.price_series import PricePoint
from config.files.texts import printable

if TYPE_CHECKING:
    from collections.abc import Iterator

    from adapters.feeds.xml_tree import Element
    from config.tariffs.price_fetch import PriceFetch

_NAMESPACE = "urn:iec62325.351:tc57wg16:451-3:publicationdocument:"
_PRICE_DOCUMENT = "A44"
_EVERY_POSITION, _ONLY_CHANGES = "A01", "A03"
_RESOLUTION = re.compile(r"PT(?:(\d{1,4})M|(\d{1,2})H)", re.ASCII)
_SEQUENCE = "classificationSequence_AttributeInstanceComponent.position"
_NO_DATA = "999"
_MOST_SHOWN = 10
_MINUTE = timedelta(minutes=1)


def market_prices(raw: bytes, fetch: PriceFetch) -> Answer:
    """Read the prices of a market document.

    Parameters
    ----------
    raw
        The document.
    fetch
        May choose the series of one resolution. If series have a sequence, those with the lowest
        are read.

    Returns
    -------
    Answer
        A price for every position; none if the answer is that there are no data yet.

    Raises
    ------
    AnswerError
        If it is another document, or has something that would have to be guessed.
    """
    root = read_xml(raw)
    if root.name == "Acknowledgement_MarketDocument":
        return _acknowledged(root)
    if root.name != "Publication_MarketDocument" or not root.namespace.startswith(_NAMESPACE):
        raise AnswerError("it is not a Publication_MarketDocument of IEC 62325-451-3")
    if (kind := root.text_of("type")) != _PRICE_DOCUMENT:
        raise AnswerError(f"it is a document of type {kind}, and not of A44, which has prices")
    series = _chosen_sequence(list(root.all("TimeSeries")))
    points = [point for each in series for point in _points(each, fetch.resolution_minutes)]
    return Answer(
        in_order(points),
        currency=_shared(series, "currency_Unit.name"),
        unit=_shared(series, "price_Measure_Unit.name"),
    )


def _acknowledged(root: Element) -> Answer:
    """Take the code for "no matching data" as an answer without prices; refuse any other."""
    codes = [reason.text_of("code") or "" for reason in root.all("Reason")]
    if _NO_DATA in codes:
        return Answer(())
    raise AnswerError(f"it has no prices, but refuses the request (reason {', '.join(codes)})")


def _chosen_sequence(series: list[Element]) -> list[Element]:
    texts = {text for each in series if (text := each.text_of(_SEQUENCE)) is not None}
    if any(not text.isdecimal() for text in texts):
        raise AnswerError(f"{_SEQUENCE} in it is no number")
    lowest = min(texts, key=int, default=None)
    return [each for each in series if each.text_of(_SEQUENCE) in {None, lowest}]


def _shared(series: list[Element], name: str) -> str | None:
    """Return the text that all series have; `AnswerError` if they differ."""
    texts = {each.text_of(name) for each in series}
    if len(texts) > 1:
        raise AnswerError(f"its series differ in {name}")
    text = next(iter(texts), None)
    return None if text is None else printable(text[:_MOST_SHOWN])


def _points(series: Element, resolution_minutes: int | None) -> Iterator[PricePoint]:
    curve = series.text_of("curveType") or _EVERY_POSITION
    if curve not in {_EVERY_POSITION, _ONLY_CHANGES}:
        raise AnswerError(f"its curve type is {curve}, and only A01 and A03 are read")
    for period in series.all("Period"):
        step = _step_minutes(period.one("resolution").text)
        if resolution_minutes in {None, step}:
            yield from _of_period(period, step * _MINUTE, fills=curve == _ONLY_CHANGES)


def _step_minutes(text: str) -> int:
    parts = _RESOLUTION.fullmatch(text)
    minutes = int(parts[1] or int(parts[2]) * 60) if parts is not None else 0
    if not minutes:
        raise AnswerError("a resolution in it is not in minutes or hours, such as PT15M or PT60M")
    return minutes


def _of_period(period: Element, step: timedelta, *, fills: bool) -> Iterator[PricePoint]:
    interval = period.one("timeInterval")
    start, end = (instant_of_text(interval.one(name).text) for name in ("start", "end"))
    count = (end - start) // step
    if not 0 < count <= MOST_PRICES or start + count * step != end:
        raise AnswerError("a time interval in it is not a number of whole steps")
    given = _given(period, count)
    last: Decimal | None = None
    for position in range(1, count + 1):
        last = given.get(position, last if fills else None)
        if last is not None:
            yield PricePoint(start + (position - 1) * step, last)


def _given(period: Element, count: int) -> dict[int, Decimal]:
    found: dict[int, Decimal] = {}
    for point in period.all("Point"):
        text, price = point.one("position").text, price_of(point.text_of("price.amount"))
        position = int(text) if text.isdecimal() else 0
        if not 1 <= position <= count or position in found or price is None:
            raise AnswerError("a point in it has no price, or no position of its own")
        found[position] = price
    return found
