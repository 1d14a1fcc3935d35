"""A second evaluator of rates: one instant at a time, from the raw household file.

It shares no code with the planners: plain `datetime`, `zoneinfo`, fractions, and the rules of the
household file read once more.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from fractions import Fraction
from functools import cache
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import holidays

if TYPE_CHECKING:
    from collections.abc import Mapping
    from decimal import Decimal

DAYS = ["mon", "tue", "wed", "thu", "fri", "sat", "sun"]


@dataclass(frozen=True)
class Answer:
    """What holds at an instant."""

    tariff: str
    band: str
    rate: Fraction
    estimated: bool


class NoRateError(Exception):
    """No rate is known."""


@cache
def public_holidays(code: str, year: int) -> frozenset[date]:
    return frozenset(holidays.country_holidays(code, years=year))


def evaluate(
    instant: datetime,
    zone: ZoneInfo,
    tariffs: list[dict[str, Any]],
    points: Mapping[datetime, Decimal],
    holiday_code: str | None = None,
) -> Answer:
    """Rate at an instant, tax included."""
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
        return Answer(tariff["name"], row["name"], Fraction(row["rate"]) * tax, estimated=False)
    prices = tariff["prices"]
    price, estimated = price_at(instant, zone, points, timedelta(minutes=prices["step_minutes"]))
    rate = Fraction(prices.get("multiply", 1)) * price + Fraction(prices.get("add", 0))
    return Answer(tariff["name"], "price", rate * tax, estimated)


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
    """Naive local time of the meter."""
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
    instant: datetime, points: Mapping[datetime, Decimal], step: timedelta
) -> Decimal | None:
    """Price that holds at an instant: the latest start, if it is not longer ago than a step."""
    minute = instant.replace(second=0, microsecond=0)
    for back in range(int(step / timedelta(minutes=1))):
        start = minute - timedelta(minutes=back)
        if start in points:
            return points[start]
    return None


def price_at(
    instant: datetime, zone: ZoneInfo, points: Mapping[datetime, Decimal], step: timedelta
) -> tuple[Fraction, bool]:
    price = known_price(instant, points, step)
    if price is not None:
        return Fraction(price), False
    earlier = [start for start in points if start <= instant]
    if not earlier:
        raise NoRateError
    found: list[Decimal] = []
    local = instant.astimezone(zone).replace(tzinfo=None)
    oldest = min(earlier) - timedelta(days=2)
    days = 1
    while len(found) < 7:
        then = (local - timedelta(days=days)).replace(tzinfo=zone, fold=0).astimezone(UTC)
        if then < oldest:
            break
        price = known_price(then, points, step)
        if price is not None:
            found.append(price)
        days += 1
    if not found:
        end = min(max(earlier) + step, instant)
        found = [points[start] for start in earlier if start >= end - timedelta(days=7)]
    return sum((Fraction(price) for price in found), Fraction(0)) / len(found), True
