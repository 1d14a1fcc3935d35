"""Evaluate whole years of bands a second time, minute by minute, with plain lists.

It shares no code with the planners nor with the calendar of bands: `zoneinfo` tells the offset of
each minute, and lists tell which bands claim each minute of each kind of day.
"""

from __future__ import annotations

from array import array
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any

from tests.planners.evaluator import DAYS, meter_time, public_holidays

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

MINUTE = timedelta(minutes=1)
DAY_MINUTES = 1440
NONE, SEVERAL = -1, -2
"""What stands where no band or more than one claims a minute."""

Claims = dict[tuple[int, str], list[list[int]]]
"""Places of the bands that claim each minute of the day, by month and kind of day."""


def names_holidays(tariff: dict[str, Any]) -> bool:
    return any("holiday" in row.get("days", []) for row in tariff["bands"])


def claims(tariff: dict[str, Any]) -> Claims:
    """List which bands claim each minute of each kind of day; the rest claims what is left."""
    kinds = [*DAYS, "holiday"] if names_holidays(tariff) else DAYS
    found: Claims = {
        (month, kind): [[] for _ in range(DAY_MINUTES)] for month in range(1, 13) for kind in kinds
    }
    for place, row in enumerate(tariff["bands"]):
        minutes = {minute for hours in row.get("hours", []) for minute in minutes_of(hours)}
        for month in row.get("months", range(1, 13)):
            for kind in row.get("days", kinds):
                for minute in minutes:
                    found[month, kind][minute].append(place)
    rest = [place for place, row in enumerate(tariff["bands"]) if "hours" not in row]
    for day in found.values():
        for claimed in day:
            claimed.extend(() if claimed else rest)
    return found


def minutes_of(hours: str) -> list[int]:
    start, end = (int(text[:2]) * 60 + int(text[3:]) for text in hours.split("-"))
    if start < end:
        return list(range(start, end))
    return [*range(start, DAY_MINUTES), *range(end)]


@lru_cache(maxsize=4)
def wall_offsets(zone: ZoneInfo, start: datetime, minutes: int) -> array[int]:
    """Ask the zone for its offset at every single minute [min]."""
    offsets = array("h")
    instant = start
    for _ in range(minutes):
        offset = instant.astimezone(zone).utcoffset()
        assert offset is not None
        offsets.append(offset // MINUTE)
        instant += MINUTE
    return offsets


def meter_offsets(zone: ZoneInfo, start: datetime, minutes: int, clock: str) -> array[int]:
    """Tell the offset of a tariff's clock at every minute [min]."""
    if clock == "wall":
        return wall_offsets(zone, start, minutes)
    # A meter without summer time has one offset in each year of UTC.
    offsets = array("h")
    instant = start
    while len(offsets) < minutes:
        next_year = datetime(instant.year + 1, 1, 1, tzinfo=UTC)
        count = min((next_year - instant) // MINUTE, minutes - len(offsets))
        ahead = meter_time(instant, zone, clock) - instant.replace(tzinfo=None)
        offsets.extend([ahead // MINUTE] * count)
        instant = next_year
    return offsets


def bands_of_year(
    tariff: dict[str, Any], zone: ZoneInfo, start: datetime, minutes: int, code: str
) -> list[int]:
    """Tell which band holds at each minute from an instant on, or `NONE`, or `SEVERAL`."""
    found = claims(tariff)
    by_kind = {key: [one_of(claimed) for claimed in day] for key, day in found.items()}
    first = (start - datetime(1970, 1, 1, tzinfo=UTC)) // MINUTE
    days: dict[int, list[int]] = {}
    held = []
    for utc, offset in enumerate(meter_offsets(zone, start, minutes, tariff["clock"]), first):
        number, minute = divmod(utc + offset, DAY_MINUTES)
        day = days.get(number)
        if day is None:
            day = days[number] = by_kind[kind_of(number, tariff, code)]
        held.append(day[minute])
    return held


def one_of(claimed: list[int]) -> int:
    if not claimed:
        return NONE
    return claimed[0] if len(claimed) == 1 else SEVERAL


def kind_of(number: int, tariff: dict[str, Any], code: str) -> tuple[int, str]:
    """Return month and kind of a local day, counted from 1970-01-01."""
    day = date(1970, 1, 1) + timedelta(days=number)
    holiday = names_holidays(tariff) and day in public_holidays(code, day.year)
    return day.month, "holiday" if holiday else DAYS[day.weekday()]


def local_days(zone: ZoneInfo, start: datetime, minutes: int) -> list[int]:
    """Return the local day on the wall of each minute, counted from 1970-01-01."""
    first = (start - datetime(1970, 1, 1, tzinfo=UTC)) // MINUTE
    offsets = wall_offsets(zone, start, minutes)
    return [(utc + offset) // DAY_MINUTES for utc, offset in enumerate(offsets, first)]
