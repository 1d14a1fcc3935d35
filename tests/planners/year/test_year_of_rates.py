"""A year of any accepted tariff has exactly one rate at each minute, and no refused one has."""

from __future__ import annotations

import os
import random
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numpy.typing import NDArray

from config.tariffs.bands import Clash, clashes
from config.tariffs.tariff import Tariff
from planners.rates.prices import prices_of
from tests.planners.evaluator import DAYS
from tests.planners.households import household
from tests.planners.year.random_tariffs import good_tariff, spoilt_tariff
from tests.planners.year.year_evaluator import (
    MINUTE,
    bands_of_year,
    claims,
    distinct_days,
    local_days,
)

if TYPE_CHECKING:
    from planners.rates.prices import RateSpan

PROBLEMS = int(os.environ.get("LULLWATT_PROBLEMS", "640"))
YEARS = PROBLEMS // 80
"""How many years are looked at, each minute by minute; `make prove` asks for many more."""

SPOILT = PROBLEMS // 16
"""How many tariffs are spoilt."""

ZONES = [
    "Africa/Cairo", "Africa/Casablanca", "America/Havana", "America/New_York", "America/Sao_Paulo",
    "America/St_Johns", "Antarctica/Troll", "Asia/Kathmandu", "Australia/Lord_Howe",
    "Europe/Berlin", "Europe/Dublin", "Europe/London", "Pacific/Apia", "Pacific/Auckland",
    "Pacific/Chatham",
]  # fmt: skip
CODES = ["NZ", "GB-ENG", "US", "DE"]

Held = tuple[str, str, Fraction]
"""Tariff, band and rate with tax."""


def some_year(rng: random.Random) -> tuple[str, datetime, int]:
    """Draw a zone, the first instant of a year, and its minutes: 525,600 or 527,040."""
    year = rng.randint(2023, 2032)
    start = datetime(year, 1, 1, tzinfo=UTC)
    return rng.choice(ZONES), start, (datetime(year + 1, 1, 1, tzinfo=UTC) - start) // MINUTE


def answers(tariff: dict[str, Any]) -> list[Held]:
    tax = 1 + Fraction(tariff["tax_percent"]) / 100
    return [(tariff["name"], row["name"], Fraction(row["rate"]) * tax) for row in tariff["bands"]]


def assert_same(
    spans: tuple[RateSpan, ...], start: datetime, known: list[Held], held: NDArray[np.int_]
) -> None:
    """Assert that spans follow each other, differ, cover every minute, and have its rate."""
    place = 0
    for span in spans:
        assert span.start == start + place * MINUTE
        end = (span.end - start) // MINUTE
        (only,) = set(held[place:end].tolist())
        assert known[only] == (span.tariff, span.band, Fraction(span.rate))
        assert not span.estimated
        place = end
    assert place == len(held)
    for before, after in pairwise(spans):
        assert (before.tariff, before.band, before.rate) != (after.tariff, after.band, after.rate)


@pytest.mark.parametrize("number", range(YEARS))
def test_every_minute_of_a_year_has_one_rate(number: int) -> None:
    """Random bands in one or two dated tariffs, zones and years: one band claims each minute."""
    rng = random.Random(f"year {number}")
    zone, start, minutes = some_year(rng)
    code = rng.choice(CODES)
    tariffs = [good_tariff(rng, "First")]
    change = start.date() + timedelta(days=rng.randint(1, 360))
    if rng.random() < 0.5:
        tariffs.append(good_tariff(rng, "Second") | {"valid_from": change})
    held = year_of(tariffs, ZoneInfo(zone), start, minutes, code)
    file = household(zone, tariffs, public_holidays=code)
    spans = prices_of(file, {}).spans(start, start + minutes * MINUTE)
    assert len(held) == minutes in {525_600, 527_040}
    assert held.min() >= 0
    assert_same(spans, start, [answer for tariff in tariffs for answer in answers(tariff)], held)


def year_of(
    tariffs: list[dict[str, Any]], zone: ZoneInfo, start: datetime, minutes: int, code: str
) -> NDArray[np.int_]:
    """Return the band at each minute, counted over all tariffs; below 0 if it is not just one."""
    held = bands_of_year(tariffs[0], zone, start, minutes, code)
    for tariff in tariffs[1:]:
        later = bands_of_year(tariff, zone, start, minutes, code)
        later[later >= 0] += len(tariffs[0]["bands"])
        first = (tariff["valid_from"] - date(1970, 1, 1)).days
        held = np.where(local_days(zone, start, minutes) >= first, later, held)
    return held


def test_what_is_accepted_has_one_band_at_each_minute_and_what_is_refused_has_not() -> None:
    """The evaluator counts the bands of each minute; a refusal names a minute at fault."""
    rng = random.Random("spoilt")
    accepted = refused = 0
    for _ in range(SPOILT):
        tariff = spoilt_tariff(rng)
        found = claims(tariff)
        counts = {len(claimed) for day in distinct_days(found) for claimed in day}
        named = clashes(Tariff.model_validate(tariff))
        assert (named == ()) == (counts == {1})
        for clash in named:
            claimed = claimed_at(clash, found)
            assert {*clash.bands} <= {*claimed} if clash.bands else claimed == []
        refused += bool(named)
        accepted += not named
    assert min(accepted, refused) > SPOILT / 5


def claimed_at(clash: Clash, found: dict[tuple[int, str], list[list[int]]]) -> list[int]:
    """List the bands that claim the minute that a clash names."""
    *where, _at, clock = clash.example.split()
    minute = int(clock[:2]) * 60 + int(clock[3:])
    if where[-1].isalpha():
        month = datetime.strptime(where[-1], "%B").replace(tzinfo=UTC).month
        return found[month, "holiday"][minute]
    day = date.fromisoformat(where[-1])
    return found[day.month, DAYS[day.weekday()]][minute]


def test_the_evaluator_counts_none_one_and_several() -> None:
    """A gap, an overlap, and the rest that fills what is left."""
    row = {"name": "a", "rate": Decimal(1), "hours": ["23:00-01:00"]}
    other = {"name": "b", "rate": Decimal(1), "hours": ["00:30-12:00"], "days": ["mon"]}
    day = claims({"bands": [row, other]})[1, "mon"]
    assert [day[minute] for minute in (1379, 1380, 0, 29, 30, 59, 60, 719, 720)] == [
        [], [0], [0], [0], [0, 1], [0, 1], [1], [1], []
    ]  # fmt: skip
    rest = claims({"bands": [row, {"name": "c", "rate": Decimal(1)}]})[7, "sun"]
    assert [rest[minute] for minute in (0, 60, 1379, 1380)] == [[0], [1], [1], [0]]
