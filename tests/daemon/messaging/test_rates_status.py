"""The rates in the status: known, estimated since the prices ended, or not known yet."""

from __future__ import annotations

import json
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import KnownRates, Status, decode, encode
from adapters.ledger.ledger import open_ledger
from config.files.price_series import PricePoint
from config.household.household_file import HouseholdFile
from daemon.control.state import House, PointState
from daemon.messaging.outbox import Outbox
from daemon.messaging.status import status_of
from planners.rates.known import RateKnowledge, rate_knowledge
from planners.rates.prices import prices_of
from tests.daemon.worlds import (
    EVENING,
    HERE,
    HOUR,
    MINUTE,
    POINT,
    RecordedBus,
    household,
    kowhai,
    topics_of,
)
from tests.planners.households import band, bands, series
from tests.planners.households import household as home

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import datetime
    from pathlib import Path

FULL_HOUR = EVENING - 30 * MINUTE


def priced(hours: Iterable[int]) -> House:
    """Make a household on hourly prices, so many hours after 18:00 of the evening."""
    file = household().file
    declared = {"name": "Hourly", "prices": {"step_minutes": 60}}
    tariff = type(file.tariffs[0]).model_validate(declared, context={"directory": HERE})
    file = HouseholdFile.model_copy(file, update={"tariffs": (tariff,)})
    points = [PricePoint(FULL_HOUR + hour * HOUR, Decimal("0.2")) for hour in hours]
    return House(file, prices_of(file, {"Hourly": points}))


def rates_in(house: House, now: datetime = EVENING) -> KnownRates | None:
    status = status_of(PointState(POINT), now, house)
    assert decode(Status, encode(status)) == status
    return status.rates


@pytest.mark.parametrize(
    ("hours", "now", "until"),
    [
        (range(-24, 6), "known", 6),
        ([-1, 0, 2, 3], "known", 1),
        (range(-24, 0), "estimated", 0),
        (range(-24, -5), "estimated", -5),
        ([-3, -2, 3, 4], "estimated", -1),
        (range(1, 24), "estimated", None),
        ([], "none", None),
    ],
)
def test_what_is_known_of_a_series(hours: Iterable[int], now: str, until: int | None) -> None:
    """Known until the first gap; estimated since the series ended, or until it begins."""
    rates = rates_in(priced(hours))
    assert rates is not None
    assert (rates.tariff, rates.now) == ("Hourly", now)
    assert rates.known_until == (None if until is None else FULL_HOUR + until * HOUR)


def test_what_is_known_of_bands() -> None:
    """Bands are known for ever, so the message names no instant."""
    status = json.loads(encode(status_of(PointState(POINT), EVENING, kowhai())))
    assert status["rates"] == {"tariff": "Three-band", "now": "known"}


def test_before_the_first_tariff_there_are_no_rates() -> None:
    """The demo's tariff is valid from April 2026."""
    assert rates_in(kowhai(), EVENING - timedelta(days=365)) is None


def test_bands_before_a_series_are_known_until_it_begins() -> None:
    """If nothing is known of a series from midnight on, rates are known until that midnight."""
    tomorrow = (EVENING + timedelta(days=1)).date()
    file = home("UTC", [bands(band("all")), series(valid_from=tomorrow)])
    midnight = FULL_HOUR.replace(hour=0) + timedelta(days=1)
    known = rate_knowledge(prices_of(file, {}), EVENING)
    assert known == RateKnowledge("Bands", "known", midnight)


def test_a_gap_in_the_prices_has_an_end() -> None:
    """The status says when prices are known again; after the end of a series it can't."""
    assert rate_knowledge(priced([-3, 3]).prices, EVENING) == RateKnowledge(
        "Hourly", "estimated", FULL_HOUR - 2 * HOUR, FULL_HOUR + 3 * HOUR
    )
    ended = rate_knowledge(priced([-3]).prices, EVENING)
    assert ended is not None
    assert ended.resumes is None


@pytest.mark.parametrize("second", [0, 30])
def test_a_price_is_known_to_the_end_of_its_last_minute(second: int) -> None:
    """In the last minute the rate is known, in the next it is not."""
    house, last = priced([-1, 0]), FULL_HOUR + HOUR - MINUTE + timedelta(seconds=second)
    known, ended = rates_in(house, last), rates_in(house, last + MINUTE)
    assert known is not None
    assert ended is not None
    assert (known.now, ended.now) == ("known", "estimated")
    assert known.known_until == ended.known_until == FULL_HOUR + HOUR


def test_changed_rates_are_published_and_unchanged_ones_are_not(tmp_path: Path) -> None:
    """A status is published at once when prices end or arrive."""
    bus = RecordedBus()
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        outbox = Outbox(topics_of(kowhai()), ledger, bus)
        short, long = priced(range(-24, 1)), priced(range(-24, 12))
        ends = FULL_HOUR + HOUR
        steps = [(-60, short), (-30, short), (0, short), (30, short), (30, long), (60, long)]
        for seconds, house in steps:  # within the time after which it is published anyway
            now = ends + timedelta(seconds=seconds)
            outbox.publish_status(POINT, status_of(PointState(POINT), now, house))
    rates = [status["rates"]["now"] for status in bus.on("status")]
    assert rates == ["known", "estimated", "known"]
