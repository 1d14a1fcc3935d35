"""Prices against a second evaluator, minute by minute, around clock changes."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from functools import cache
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.files.price_series import PricePoint
from planners.rates.prices import Prices, prices_of
from tests.planners.evaluator import DAYS, evaluate
from tests.planners.households import band, bands, household, series

ZONES = [
    "Australia/Lord_Howe",
    "Pacific/Chatham",
    "Asia/Kathmandu",
    "Antarctica/Troll",
    "Europe/Dublin",
    "Europe/London",
    "America/New_York",
    "Pacific/Auckland",
    "America/Havana",
    "America/St_Johns",
    "Africa/Cairo",
]
MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)
FIRST = datetime(2025, 1, 1, tzinfo=UTC)

rates = st.decimals(Decimal("-0.5"), Decimal(1), places=4)
per_day = settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])


@cache
def around(zone: str) -> list[datetime]:
    """Days of four years on which the offset changes, and a few on which none does."""
    days = [FIRST + i * DAY for i in range(4 * 365)]
    where = ZoneInfo(zone)
    changes = [
        day
        for day, after in pairwise(days)
        if day.astimezone(where).utcoffset() != after.astimezone(where).utcoffset()
    ]
    return [*changes, datetime(2026, 2, 6, tzinfo=UTC), datetime(2027, 12, 31, tzinfo=UTC)]


def clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"


@st.composite
def band_tariffs(draw: st.DrawFn) -> dict[str, Any]:
    """Bands that never overlap: each group of day kinds and months has its circle of hours cut."""
    kinds = [*DAYS, "holiday"]
    day_group = draw(st.lists(st.integers(0, 2), min_size=8, max_size=8))
    month_group = draw(st.lists(st.integers(0, 1), min_size=12, max_size=12))
    rows = [band("rest", str(draw(rates)))]
    for days in sorted(set(day_group)):
        for months in sorted(set(month_group)):
            where: dict[str, Any] = {}
            if len(set(day_group)) > 1:
                where["days"] = [k for k, g in zip(kinds, day_group, strict=True) if g == days]
            if len(set(month_group)) > 1:
                where["months"] = [m for m, g in enumerate(month_group, 1) if g == months]
            cuts = sorted(draw(st.sets(st.integers(0, 1439), max_size=5)))
            hours: dict[str, list[str]] = {}
            for start, end in zip(cuts, [*cuts[1:], *cuts[:1]], strict=True):
                label = draw(st.sampled_from(["", "a", "b"]))
                hours.setdefault(label, []).append(f"{clock(start)}-{clock(end)}")
            rows += [
                band(f"{label}{days}{months}", str(draw(rates)), hours=found, **where)
                for label, found in hours.items()
                if label
            ]
    return bands(
        *draw(st.permutations(rows)),
        clock=draw(st.sampled_from(["wall", "standard"])),
        tax_percent=draw(st.sampled_from([Decimal(0), Decimal(15), Decimal("8.875")])),
    )


@st.composite
def windows(draw: st.DrawFn, longest: int = 1500) -> tuple[str, datetime, datetime]:
    """Zone, start and end of up to a day or so, most of them over a clock change."""
    zone = draw(st.sampled_from(ZONES))
    start = draw(st.sampled_from(around(zone))) + draw(st.integers(-900, 1800)) * MINUTE
    return zone, start, start + draw(st.integers(1, longest)) * MINUTE


def assert_same(
    prices: Prices,
    window: tuple[str, datetime, datetime],
    tariffs: list[dict[str, Any]],
    points: dict[datetime, Decimal],
    holiday_code: str | None = None,
) -> None:
    """Spans are contiguous, cover the window, differ, and say what the evaluator says."""
    zone, start, end = window
    spans = prices.spans(start, end)
    assert (spans[0].start, spans[-1].end) == (start, end)
    for before, after in pairwise(spans):
        assert before.end == after.start
        assert (before.tariff, before.band, before.rate, before.estimated) != (
            after.tariff,
            after.band,
            after.rate,
            after.estimated,
        )
    for span in spans:
        minute = span.start
        while minute < span.end:
            answer = evaluate(minute, ZoneInfo(zone), tariffs, points, holiday_code)
            assert (span.tariff, span.band, span.estimated) == (
                answer.tariff,
                answer.band,
                answer.estimated,
            ), minute
            # A mean of seven has no end of digits; everything else is exact.
            most = 1e-20 if span.estimated else 0
            assert abs(answer.rate - Fraction(span.rate)) <= most, minute
            minute += MINUTE


@per_day
@given(band_tariffs(), windows(), st.sampled_from(["NZ", "GB", "US"]))
def test_bands_agree_with_the_second_evaluator(
    tariff: dict[str, Any], window: tuple[str, datetime, datetime], code: str
) -> None:
    """Any bands, any zone, across any clock change: both evaluators agree at every minute."""
    file = household(window[0], [tariff], public_holidays=code)
    assert_same(prices_of(file, {}), window, [tariff], {}, code)


@st.composite
def price_series(draw: st.DrawFn, until: datetime) -> tuple[int, dict[datetime, Decimal]]:
    """Step and prices of some days before an instant, with holes."""
    step = draw(st.sampled_from([15, 30, 60]))
    start = until - draw(st.integers(2, 12)) * DAY
    count = int((until - start) / MINUTE) // step + draw(st.integers(-8, 8))
    few = draw(st.lists(rates, min_size=1, max_size=7))
    holes = draw(st.sets(st.integers(1, max(1, count)), max_size=20))
    lost = draw(st.sampled_from([0, 0, 5, 40]))
    return step, {
        start + i * step * MINUTE: few[i * i % len(few)] + Decimal(i % 96) / 1000
        for i in range(max(count, 1))
        if i not in holes and not 10 < i <= 10 + lost
    }


@per_day
@given(st.data(), windows(longest=900))
def test_series_agree_with_the_second_evaluator(
    data: st.DataObject, window: tuple[str, datetime, datetime]
) -> None:
    """A price series with holes, that ends in the window: known and expected rates both agree."""
    middle = window[1] + data.draw(st.integers(-600, 900)) * MINUTE
    step, points = data.draw(price_series(middle))
    tariff = series(
        step_minutes=step,
        add=data.draw(st.sampled_from([Decimal(0), Decimal("0.115")])),
        multiply=data.draw(st.sampled_from([Decimal(1), Decimal("1.05")])),
        tax_percent=data.draw(st.sampled_from([Decimal(0), Decimal(15)])),
    )
    known = [PricePoint(start=start, rate=rate) for start, rate in points.items()]
    prices = prices_of(household(window[0], [tariff]), {"Series": known})
    assert_same(prices, window, [tariff], points)


@per_day
@given(st.data(), windows(), band_tariffs(), band_tariffs())
def test_dated_tariffs_agree_with_the_second_evaluator(
    data: st.DataObject,
    window: tuple[str, datetime, datetime],
    before: dict[str, Any],
    after: dict[str, Any],
) -> None:
    """A tariff that comes into force on the night of a clock change does so at wall midnight."""
    day: date = window[1].date() + data.draw(st.integers(-1, 2)) * DAY
    tariffs = [before | {"name": "Old"}, after | {"name": "New", "valid_from": day}]
    file = household(window[0], tariffs, public_holidays="NZ")
    assert_same(prices_of(file, {}), window, tariffs, {}, "NZ")
