"""Read energy by intervals from ESPI (NAESB REQ.21): Atom with IntervalBlock and ReadingType.

Instants in it count seconds since 1970 in UTC. Only energy that was delivered is read: `uom` 72 is
Wh, `flowDirection` 1 forward, `accumulationBehaviour` 4 the energy of each interval, as the
published schema `espi.xsd` lists them.
"""

from __future__ import annotations

import re
from collections import defaultdict
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, TypeAlias

from adapters.feeds.answers import AnswerError
from adapters.feeds.xml_tree import read_xml
from config.files.texts import printable
from daemon.bill.intervals import Interval
from planners.local_time.conversion import EPOCH

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping
    from datetime import datetime

    from adapters.feeds.xml_tree import Element

NAMESPACE = "http://naesb.org/espi"
MOST_ELEMENTS = 600_000
"""Enough for two years of quarter-hours."""
LONGEST = timedelta(hours=1)
_WANTED = {"uom": {"72"}, "flowDirection": {"1"}, "accumulationBehaviour": {"4"}}
_MAY_BE_LEFT_OUT = {"flowDirection", "accumulationBehaviour"}
_WHOLE = re.compile(r"[-+]?\d{1,15}", re.ASCII)
_YEARS = range(2000, 2100)
_MOST_TENS = 12

_Block: TypeAlias = "tuple[Mapping[str, list[str]], Element]"
"""The links of an entry, and the IntervalBlock in it."""


def espi_intervals(text: str) -> list[Interval]:
    """Read the delivered energy of an hour or less at a time.

    Parameters
    ----------
    text : str
        The document.

    Returns
    -------
    list of Interval
        In the order of the document.

    Raises
    ------
    AnswerError
        If it is another document, has several meters, or has something that would have to be
        guessed.
    """
    types, meters, blocks = _parts(read_xml(text, MOST_ELEMENTS))
    if not blocks:
        raise AnswerError("it has no IntervalBlock of ESPI (NAESB REQ.21)")
    found: dict[str, list[Interval]] = defaultdict(list)
    for links, block in blocks:
        meter = _meter_of(links, meters)
        kind = _type_of([*links["related"], *meters.get(meter, [])], types)
        if _is_delivered(kind):
            found[meter] += _intervals(block, kind)
    kept = {meter: known for meter, known in found.items() if known}
    if len(kept) != 1:
        raise AnswerError(
            f"it has {len(kept)} meter readings of delivered energy (uom 72, Wh) by intervals of"
            " an hour or less, and one is expected"
        )
    return next(iter(kept.values()))


def _parts(root: Element) -> tuple[dict[str, Element], dict[str, list[str]], list[_Block]]:
    """Return the reading types and what meter readings relate to, by address; and the blocks."""
    types: dict[str, Element] = {}
    meters: dict[str, list[str]] = {}
    blocks: list[_Block] = []
    for entry in [root] if root.name == "entry" else root.all("entry"):
        links = _links(entry)
        own = links["self"][0] if links["self"] else ""
        children = (child for content in entry.all("content") for child in content.children)
        parts = [child for child in children if child.namespace == NAMESPACE]
        named = {part.name: part for part in parts}
        if "ReadingType" in named:
            types[own] = named["ReadingType"]
        if "MeterReading" in named:
            meters[own] = links["related"]
        blocks += [(links, part) for part in parts if part.name == "IntervalBlock"]
    return types, meters, blocks


def _links(entry: Element) -> dict[str, list[str]]:
    links: dict[str, list[str]] = defaultdict(list)
    for link in entry.all("link"):
        links[link.attributes.get("rel", "")].append(link.attributes.get("href", "").rstrip("/"))
    return links


def _meter_of(links: Mapping[str, list[str]], meters: Mapping[str, list[str]]) -> str:
    """Return the address of the meter reading to which a block belongs; empty if unknown."""
    near = [each for rel in ("related", "up", "self") for each in links.get(rel, [])]
    belongs = (
        meter
        for meter in meters
        for each in near
        if meter and (each == meter or each.startswith(f"{meter}/"))
    )
    return next(belongs, "")


def _type_of(links: list[str], types: Mapping[str, Element]) -> Element:
    found = [types[link] for link in links if link in types]
    known = found or list(types.values())
    if not found and len(known) != 1:
        raise AnswerError(f"an IntervalBlock in it has {len(known)} ReadingTypes instead of one")
    return known[0]


def _is_delivered(kind: Element) -> bool:
    return all(
        (text := kind.text_of(name)) in wanted or (text is None and name in _MAY_BE_LEFT_OUT)
        for name, wanted in _WANTED.items()
    )


def _intervals(block: Element, kind: Element) -> Iterator[Interval]:
    tens = _whole(kind.text_of("powerOfTenMultiplier") or "0", "powerOfTenMultiplier")
    if abs(tens) > _MOST_TENS:
        raise AnswerError(f"powerOfTenMultiplier in it is {tens}")
    for reading in block.all("IntervalReading"):
        period = reading.one("timePeriod")
        length = timedelta(seconds=_whole(period.one("duration").text, "duration"))
        if timedelta(0) < length <= LONGEST:
            value = _whole(reading.one("value").text, "value")
            if value < 0:
                raise AnswerError(f"a value in it is {value}, and 0 or more is expected")
            yield Interval(_instant(period.one("start").text), length, Decimal(value).scaleb(tens))


def _instant(text: str) -> datetime:
    seconds = _whole(text, "start")
    try:
        instant = EPOCH + timedelta(seconds=seconds)
    except OverflowError:
        instant = EPOCH
    if instant.year not in _YEARS:
        raise AnswerError(f"a start in it is {seconds}, and not seconds since 1970")
    return instant


def _whole(text: str, name: str) -> int:
    if not _WHOLE.fullmatch(text):
        raise AnswerError(f"{name} in it is no whole number: {printable(text[:20])}")
    return int(text)
