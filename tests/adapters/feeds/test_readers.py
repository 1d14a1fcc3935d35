"""Reading answers: JSON, CSV and market documents, and starts in every form."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from adapters.feeds.answers import Answer, AnswerError
from adapters.feeds.csv_prices import csv_prices
from adapters.feeds.json_prices import json_prices
from adapters.feeds.market_document import market_prices
from adapters.feeds.xml_tree import read_xml
from config.tariffs.price_fetch import PriceFetch

URL = "https://prices.example.org/"
ENTRIES = {"format": "json", "list": "/data", "start": "/at", "price": "/p"}
LISTS = {"format": "json", "starts": "/t", "prices": "/p", "times": "epoch_seconds"}
COLUMNS = {"format": "csv", "start": "Time", "price": "Price"}
DOCUMENT = (Path(__file__).parents[2] / "data" / "publication_document.xml").read_bytes()
NAMESPACE = "urn:iec62325.351:tc57wg16:451-3:publicationdocument:7:0"


def fetch(**keys: Any) -> PriceFetch:  # noqa: ANN401 - as in a file
    return PriceFetch.model_validate({"url": URL, **keys})


XML = fetch(format="xml")


def pairs(answer: Answer) -> list[tuple[str, str]]:
    return [(f"{point.start:%dT%H:%M}", str(point.rate)) for point in answer.points]


def test_entries_of_a_list() -> None:
    """A start and a price in each entry, in any order; null is no price yet; digits stay exact."""
    text = """{"data": [{"at": "2026-11-30T01:00:00+01:00", "p": 0.10},
        {"at": "2026-11-30T00:00+01:00", "p": "84.30"}, {"at": "2026-11-30T01:00Z", "p": null}]}"""
    assert pairs(json_prices(text, fetch(**ENTRIES))) == [
        ("29T23:00", "84.30"),
        ("30T00:00", "0.10"),
    ]


def test_two_lists_side_by_side() -> None:
    """Seconds of the epoch: 1795993200 is 2026-11-29 23:00 UTC."""
    text = '{"t": [1795993200, 1795996800.0], "p": [1, -2.5]}'
    found = pairs(json_prices(text, fetch(**LISTS)))
    assert found == [("29T23:00", "1"), ("30T00:00", "-2.5")]


def test_entries_that_are_lists_in_milliseconds() -> None:
    """The whole answer may be the list, and its entries may be lists."""
    keys = {"format": "json", "start": "/0", "price": "/1", "times": "epoch_milliseconds"}
    assert pairs(json_prices("[[1795993200000, 7]]", fetch(**keys))) == [("29T23:00", "7")]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("nonsense", "it is not JSON"),
        ('{"data": [{"at": "2026-11-30T00:00Z", "p": NaN}]}', "it is not JSON"),
        ("[" * 100_000, "it is not JSON"),
        ('{"data": {}}', 'there is no list at "/data" in it'),
        ("{}", 'there is nothing at "/data" in it'),
        ('{"data": [{"p": 1}]}', 'there is nothing at "/at" in it'),
        ('{"data": [{"at": "2026-11-30T00:00Z", "p": true}]}', "a price in it is no number"),
        ('{"data": [{"at": "2026-11-30T00:00Z", "p": "1,5"}]}', "a price in it is no number"),
        ('{"data": [{"at": "2026-11-30T00:00Z", "p": 1e99}]}', "a price in it is no number"),
        ('{"data": [{"at": "2026-11-30T00:00", "p": 1}]}', "if it is a local time, say times"),
        ('{"data": [{"at": 1795993200, "p": 1}]}', "say times: epoch_seconds"),
        ('{"data": [{"at": null, "p": 1}]}', "a start in it is missing"),
        ('{"data": [{"at": {}, "p": 1}]}', "a start in it is {}, and not an instant"),
        ('{"data": [{"at": "2026-11-30T00:00Z", "p": []}]}', "a price in it is no number"),
        ('{"data": [{"at": "1970-01-01T00:00Z", "p": 1}]}', "in the year 1970: check times"),
        ('{"data": [{"at": "2026-11-30T00:00:30Z", "p": 1}]}', "not on a whole minute"),
        (
            '{"data": [{"at": "2026-11-30T00:00Z", "p": 1}, {"at": "2026-11-30T00:00Z", "p": 2}]}',
            "two prices for 2026-11-30T00:00Z: 1 and 2",
        ),
    ],
)
def test_json_that_is_refused(text: str, words: str) -> None:
    """Each says what is there instead."""
    with pytest.raises(AnswerError, match=words.replace(":", ".")):
        json_prices(text, fetch(**ENTRIES))


@pytest.mark.parametrize(
    ("value", "words"),
    [
        ("1795993200000", "not in this century"),
        ("17959932000", "in the year 2539: check times"),
        ("-1", "in the year 1969: check times"),
        ('"soon"', "not a number of seconds"),
        ("1795993200.5", "not a number of seconds"),
    ],
)
def test_epochs_that_are_refused(value: str, words: str) -> None:
    """Milliseconds for seconds lie far from this century."""
    with pytest.raises(AnswerError, match=words):
        json_prices(f'{{"t": [{value}], "p": [1]}}', fetch(**LISTS))


def test_lists_of_different_lengths() -> None:
    """No price is guessed to belong to a start."""
    with pytest.raises(AnswerError, match="it has 1 starts and 2 prices"):
        json_prices('{"t": [1795993200], "p": [1, 2]}', fetch(**LISTS))


@pytest.mark.parametrize(
    "text",
    [
        "Time,Area,Price\n2026-11-30T00:00:00Z,X,1.5\n2026-11-30T01:00:00Z,X,-2\n",
        'Title of the file\n\n"Time";"Price"\r\n2026-11-30 00:00Z;1,5\r\n2026-11-30 01:00Z;-2\r\n',
        "Price\tTime\n1.5\t2026-11-30T00:00Z\n-2\t2026-11-30T01:00Z\n\t2026-11-30T02:00Z\n",
    ],
    ids=["commas", "semicolons", "tabs"],
)
def test_csv(text: str) -> None:
    """Columns by name, below a title; a decimal comma beside other separators; no price yet."""
    assert pairs(csv_prices(text, fetch(**COLUMNS))) == [("30T00:00", "1.5"), ("30T01:00", "-2")]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Start,Price\n", 'no header with the columns "Time" and "Price"'),
        ("Time,Price\n2026-11-30T00:00Z\n", "a row of it has too few columns"),
        ("Time,Price\n2026-11-30T00:00Z,soon\n", "a price in it is no number"),
    ],
)
def test_csv_that_is_refused(text: str, words: str) -> None:
    """Each says what is there instead."""
    with pytest.raises(AnswerError, match=words):
        csv_prices(text, fetch(**COLUMNS))


def local(shown: list[str]) -> list[str]:
    """Read local times of Berlin."""
    rows = "".join(f"2026-{text},1\n" for text in shown)
    keys = COLUMNS | {"times": "local", "timezone": "Europe/Berlin"}
    answer = csv_prices(f"Time,Price\n{rows}", fetch(**keys))
    return [f"{point.start:%dT%H:%M}" for point in answer.points]


def test_local_times_of_a_long_day() -> None:
    """25 October has 02:00 to 03:00 twice; the second follows the first, quarter by quarter."""
    hour = [f"10-25 02:{minute:02d}" for minute in (0, 15, 30, 45)]
    shown = ["10-25T01:45", *hour, *hour, "10-25 03:00:00"]
    found = local(shown)
    first = datetime(2026, 10, 24, 23, 45, tzinfo=UTC)
    assert found == [f"{first + n * timedelta(minutes=15):%dT%H:%M}" for n in range(10)]
    assert local(shown[::-1]) == found


def test_local_times_of_a_short_day() -> None:
    """29 March has no 02:30."""
    assert local(["03-29 01:00", "03-29 03:00"]) == ["29T00:00", "29T01:00"]
    with pytest.raises(AnswerError, match=r"2026-03-29T02:30, which the clock of Europe/Berlin sk"):
        local(["03-29 02:30"])
    with pytest.raises(AnswerError, match="not a local time such as"):
        local(["03-29T01:00Z"])


def test_a_market_document() -> None:
    """A day in hours and one in quarters, with currency and unit; what repeats is filled in."""
    answer = market_prices(DOCUMENT, XML)
    assert (answer.currency, answer.unit) == ("EUR", "MWH")
    assert len(answer.points) == 24 + 96
    hours = [str(point.rate) for point in answer.points[:24]]
    assert hours == ["71.20"] * 6 + ["88.05"] * 5 + ["-3.10"] * 4 + ["120"] * 5 + ["79.99"] * 4
    quarters = [str(point.rate) for point in answer.points[24:]]
    assert quarters[:6] == ["65.4", "65.1", "65.1", "65.1", "60", "60"]
    assert quarters[38:40] == ["60", "10.5"]
    assert quarters[94:] == ["145.25", "50"]
    assert f"{answer.points[-1].start:%dT%H:%M}" == "30T22:45"


def document(*series: str) -> bytes:
    return (
        f'<Publication_MarketDocument xmlns="{NAMESPACE}"><type>A44</type>{"".join(series)}'
        "</Publication_MarketDocument>"
    ).encode()


def series(
    points: dict[int, str],
    *,
    curve: str = "A03",
    step: str = "PT1H",
    end: str = "06:00",
    head: str = "",
) -> str:
    given = "".join(
        f"<Point><position>{at}</position><price.amount>{price}</price.amount></Point>"
        for at, price in points.items()
    )
    return (
        f"<TimeSeries>{head}<curveType>{curve}</curveType><Period><timeInterval>"
        f"<start>2024-01-01T00:00Z</start><end>2024-01-01T{end}Z</end></timeInterval>"
        f"<resolution>{step}</resolution>{given}</Period></TimeSeries>"
    )


def rates(raw: bytes, using: PriceFetch = XML) -> list[str]:
    return [str(point.rate) for point in market_prices(raw, using).points]


def test_the_published_example_of_variable_blocks() -> None:
    """Positions 1, 3 and 6 of six hours, and what they mean.

    Figures: entsoe-api-client.56k.guru/usage/curve-types.html, a general client's page. The rule is
    that of the code list: a block ends where the next begins, the last one with the interval.
    """
    points = {1: "100.00", 3: "120.00", 6: "90.00"}
    filled = ["100.00", "100.00", "120.00", "120.00", "120.00", "90.00"]
    assert rates(document(series(points))) == filled
    assert rates(document(series(points, curve="A01"))) == ["100.00", "120.00", "90.00"]


def test_one_resolution_of_two() -> None:
    """Where both are given and differ, the household file must say which."""
    both = document(series({1: "1"}), series({1: "2"}, step="PT15M"))
    with pytest.raises(AnswerError, match="two prices for 2024-01-01T00:00Z: 1 and 2"):
        rates(both)
    assert rates(both, fetch(format="xml", resolution_minutes=60)) == ["1"] * 6
    assert rates(both, fetch(format="xml", resolution_minutes=15)) == ["2"] * 24


def test_the_first_of_two_sequences() -> None:
    """Auctions in sequence: the first one sets the price."""
    name = "classificationSequence_AttributeInstanceComponent.position"
    second, first = (
        series({1: number}, head=f"<{name}>{number}</{name}>") for number in ("2", "1")
    )
    assert rates(document(second, first)) == ["1"] * 6


def test_no_data_yet() -> None:
    """The code 999 of an acknowledgement is "no matching data"; any other code is a refusal."""
    form = (
        '<Acknowledgement_MarketDocument xmlns="urn:iec62325.351:tc57wg16:451-1:'
        'acknowledgementdocument:7:0"><Reason><code>{}</code><text>secret</text></Reason>'
        "</Acknowledgement_MarketDocument>"
    )
    assert market_prices(form.format("999").encode(), XML).points == ()
    with pytest.raises(AnswerError, match=r"refuses the request \(reason A01\)$"):
        market_prices(form.format("A01").encode(), XML)


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (b"{}", "it is not XML"),
        (DOCUMENT[:-40], "it is not XML"),
        (b"<html></html>", "it is not a Publication_MarketDocument"),
        (document().replace(b"A44", b"A61"), "of type A61"),
        (document(series({1: "1"}, curve="A05")), "its curve type is A05"),
        (document(series({1: "1"}, step="P1D")), "PT15M or PT60M"),
        (document(series({1: "1"}, step="PT0M")), "PT15M or PT60M"),
        (document(series({1: "1"}, step="PT7M")), "not a number of whole steps"),
        (document(series({1: "1"}, end="00:00")), "not a number of whole steps"),
        (document(series({7: "1"})), "no position of its own"),
        (document(series({0: "1"})), "no position of its own"),
        (document(series({1: ""})), "has no price"),
        (document(series({1: "x"})), "a price in it is no number"),
        (DOCUMENT.replace(b">EUR<", b">SEK<", 1), "its series differ in currency_Unit.name"),
        (
            b'<!DOCTYPE a [<!ENTITY x "y">]><a>&x;</a>',
            "a document type or entities, which are not read",
        ),
        (b'<!DOCTYPE a SYSTEM "file:///etc/passwd"><a/>', "a document type or entities"),
        (b"<a>&x;</a>", "it is not XML"),
        (b"<a>" * 30 + b"</a>" * 30, "too many elements"),
    ],
)
def test_documents_that_are_refused(raw: bytes, words: str) -> None:
    """Another document, one that is cut off, one with entities, one that makes no sense."""
    with pytest.raises(AnswerError, match=words):
        market_prices(raw, XML)


def test_a_flood_of_elements_ends() -> None:
    """A long document costs no more than its limit."""
    with pytest.raises(AnswerError, match="too many elements"):
        read_xml(b"<a>" + b"<b/>" * 200_001 + b"</a>")


def test_prices_stay_exact() -> None:
    """What the document says is what is read, digit by digit."""
    assert market_prices(DOCUMENT, XML).points[0].rate == Decimal("71.20")
