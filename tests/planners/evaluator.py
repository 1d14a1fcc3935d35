"""A second evaluator of rates: one instant at a time, from the raw household file.

It shares no code with the planners. It uses plain `datetime`, `zoneinfo` and fractions, and reads
the rules of the household file for itself.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from functools import cache
from math import gcd
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import holidays

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

DAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


@dataclass(frozen=True)
class EvaluatedRate:
    """The rate at an instant, and where it comes from."""

    tariff: str
    band: str
    rate: Fraction
    estimated: bool


class NoRateError(Exception):
    """No rate is known at the instant."""


@cache
def public_holidays(code: str, year: int) -> frozenset[date]:
    country, _, part = code.partition("-")
    return frozenset(holidays.country_holidays(country, subdiv=part or None, years=year))


def evaluate(
    instant: datetime,
    zone: ZoneInfo,
    tariffs: list[dict[str, Any]],
    points: Mapping[datetime, Decimal],
    holiday_code: str | None = None,
) -> EvaluatedRate:
    """Find the rate at an instant, tax included."""
    today = instant.astimezone(zone).date()
    tariff = None
    for candidate in tariffs:
        if candidate.get("valid_from") is None or candidate["valid_from"] <= today:
            tariff = candidate
    if tariff is None:
        raise NoRateError
    tax = 1 + Fraction(tariff.get("tax_percent", 0)) / 100
    if "bands" in tariff:
        row = band_at(instant, zone, tariff, holiday_code)
        return EvaluatedRate(
            tariff["name"], row["name"], Fraction(row["rate"]) * tax, estimated=False
        )
    prices = tariff["prices"]
    due, estimated = price_at(instant, zone, points, prices.get("step_minutes"))
    rate = sum((bounded(price, prices) for price in due), Fraction(0)) / len(due)
    return EvaluatedRate(tariff["name"], "price", rate * tax, estimated)


def bounded(price: Decimal, prices: dict[str, Any]) -> Fraction:
    """Multiply, add, and keep within the bounds; before tax."""
    rate = Fraction(prices.get("multiply", 1)) * Fraction(price) + Fraction(prices.get("add", 0))
    if prices.get("at_most") is not None and rate > prices["at_most"]:
        rate = Fraction(prices["at_most"])
    if prices.get("at_least") is not None and rate < prices["at_least"]:
        rate = Fraction(prices["at_least"])
    return rate


def band_at(
    instant: datetime, zone: ZoneInfo, tariff: dict[str, Any], holiday_code: str | None
) -> dict[str, Any]:
    local = meter_time(instant, zone, tariff.get("clock", "wall"))
    kind = DAYS[local.weekday()]
    named = any("holiday" in row.get("days", []) for row in tariff["bands"])
    if named and holiday_code and local.date() in public_holidays(holiday_code, local.year):
        kind = "holiday"
    rest: list[dict[str, Any]] = []
    rows: list[dict[str, Any]] = tariff["bands"]
    for row in rows:
        if "hours" not in row:
            rest.append(row)
        elif (
            kind in row.get("days", [*DAYS, "holiday"])
            and local.month in row.get("months", range(1, 13))
            and any(inside(local, hours) for hours in row["hours"])
        ):
            return row
    return rest[0]


def meter_time(instant: datetime, zone: ZoneInfo, clock: str) -> datetime:
    """Return the naive local time that the meter's clock shows."""
    if clock == "wall":
        return instant.astimezone(zone).replace(tzinfo=None)
    year = instant.astimezone(UTC).year
    offsets = [
        datetime(year, month, 1, tzinfo=UTC).astimezone(zone).utcoffset() for month in (1, 7)
    ]
    return instant.astimezone(UTC).replace(tzinfo=None) + min(o for o in offsets if o is not None)


def inside(local: datetime, hours: str) -> bool:
    shown = local.strftime("%H:%M")
    start, end = hours.split("-")
    if start < end:
        return start <= shown < end
    return shown >= start or shown < end


def known_price(
    instant: datetime, points: Mapping[datetime, Decimal], starts: list[datetime], step: int | None
) -> Decimal | None:
    """Find the price that holds at an instant: the last to start, if not too long ago."""
    place = bisect_right(starts, instant) - 1
    if place < 0 or instant >= starts[place] + holds(starts, place, step):
        return None
    return points[starts[place]]


def holds(starts: list[datetime], place: int, step: int | None) -> timedelta:
    """Return how long the price at a place holds, unless another one follows sooner."""
    if step is not None:
        return timedelta(minutes=step)
    if len(starts) == 1:
        return timedelta(hours=1)
    if place == len(starts) - 1:
        return holds(starts, place - 1, None)
    gap = starts[place + 1] - starts[place]
    beside = []
    if place > 0:
        beside.append(starts[place] - starts[place - 1])
    if place + 2 < len(starts):
        beside.append(starts[place + 2] - starts[place + 1])
    if beside and all(gap > other for other in beside):  # rows are missing
        gap = max(beside)
    return min(gap, timedelta(days=1))


def price_at(
    instant: datetime, zone: ZoneInfo, points: Mapping[datetime, Decimal], step: int | None
) -> tuple[list[Decimal], bool]:
    """Return the price that holds, or the prices whose mean is the estimate."""
    starts = sorted(points)
    price = known_price(instant, points, starts, step)
    if price is not None:
        return [price], False
    earlier = [start for start in starts if start <= instant]
    if not earlier:
        raise NoRateError
    found: list[Decimal] = []
    local = instant.astimezone(zone).replace(tzinfo=None)
    oldest = earlier[0] - timedelta(days=2)
    days = 1
    while len(found) < 7:
        then = (local - timedelta(days=days)).replace(tzinfo=zone, fold=0).astimezone(UTC)
        if then < oldest:
            break
        price = known_price(then, points, starts, step)
        if price is not None:
            found.append(price)
        days += 1
    if not found:
        ended = earlier[-1] + holds(starts, len(earlier) - 1, step)
        end = min(ended, instant)
        # Each as often as the minutes that it held of the week before then, by their common part.
        minutes = []
        for place, start in enumerate(earlier):
            until = min(start + holds(starts, place, step), *starts[place + 1 : place + 2], end)
            held = until - max(start, end - timedelta(days=7))
            minutes.append(max(0, held // timedelta(minutes=1)))
        found = [
            points[start]
            for start, held in zip(earlier, minutes, strict=True)
            for _ in range(held // gcd(*minutes))
        ]
    return found, True
