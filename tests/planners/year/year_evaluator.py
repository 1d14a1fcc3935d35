"""Evaluate whole years of bands a second time, minute by minute.

It shares no code with the planners nor with the calendar of bands: `zoneinfo` tells the offset of
each minute, and lists tell which bands claim each minute of each kind of day.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from tests.planners.evaluator import DAYS, meter_time, public_holidays

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

MINUTE = timedelta(minutes=1)
DAY_MINUTES = 1440
STEP = 15
"""No zone changes its offset twice within so many minutes."""

NONE, SEVERAL = -1, -2
"""What stands where no band or more than one claims a minute."""

Day = list[list[int]]
"""Places of the bands that claim each minute of a day."""

Claims = dict[tuple[int, str], Day]
"""Days by month and kind; the same object where the same bands are in force."""


def names_holidays(tariff: dict[str, Any]) -> bool:
    return any("holiday" in row.get("days", []) for row in tariff["bands"])


def claims(tariff: dict[str, Any]) -> Claims:
    """List which bands claim each minute of each kind of day; the rest claims what is left."""
    kinds = [*DAYS, "holiday"] if names_holidays(tariff) else DAYS
    rows = tariff["bands"]
    days: dict[tuple[int, ...], Day] = {}
    found: Claims = {}
    for month in range(1, 13):
        for kind in kinds:
            places = tuple(
                place
                for place, row in enumerate(rows)
                if month in row.get("months", range(1, 13)) and kind in row.get("days", kinds)
            )
            if places not in days:
                days[places] = day_of(rows, places)
            found[month, kind] = days[places]
    return found


def day_of(rows: list[dict[str, Any]], places: tuple[int, ...]) -> Day:
    """List which bands claim each minute of a day on which those at these places are in force."""
    day: Day = [[] for _ in range(DAY_MINUTES)]
    for place in places:
        for minute in {
            minute for hours in rows[place].get("hours", []) for minute in minutes_of(hours)
        }:
            day[minute].append(place)
    rest = [place for place, row in enumerate(rows) if "hours" not in row]
    for claimed in day:
        claimed.extend(() if claimed else rest)
    return day


def distinct_days(found: Claims) -> list[Day]:
    return list({id(day): day for day in found.values()}.values())


def minutes_of(hours: str) -> list[int]:
    start, end = (int(text[:2]) * 60 + int(text[3:]) for text in hours.split("-"))
    if start < end:
        return list(range(start, end))
    return [*range(start, DAY_MINUTES), *range(end)]


@lru_cache(maxsize=4)
def wall_offsets(zone: ZoneInfo, start: datetime, minutes: int) -> NDArray[np.int_]:
    """Ask the zone for its offset at every minute [min]; once for those between equal offsets."""

    def offset_at(minute: int) -> int:
        offset = (start + minute * MINUTE).astimezone(zone).utcoffset()
        assert offset is not None
        return offset // MINUTE

    offsets = np.empty(minutes, np.int_)
    at_start = offset_at(0)
    for first in range(0, minutes, STEP):
        end = min(first + STEP, minutes)
        at_end = offset_at(end)
        offsets[first:end] = (
            at_start if at_start == at_end else [offset_at(minute) for minute in range(first, end)]
        )
        at_start = at_end
    return offsets


def meter_offsets(zone: ZoneInfo, start: datetime, minutes: int, clock: str) -> NDArray[np.int_]:
    """Tell the offset of a tariff's clock at every minute [min]."""
    if clock == "wall":
        return wall_offsets(zone, start, minutes)
    # A meter without summer time has one offset in each year of UTC.
    offsets = np.empty(minutes, np.int_)
    instant, first = start, 0
    while first < minutes:
        next_year = datetime(instant.year + 1, 1, 1, tzinfo=UTC)
        end = first + (next_year - instant) // MINUTE
        ahead = meter_time(instant, zone, clock) - instant.replace(tzinfo=None)
        offsets[first:end] = ahead // MINUTE
        instant, first = next_year, end
    return offsets


def bands_of_year(
    tariff: dict[str, Any], zone: ZoneInfo, start: datetime, minutes: int, code: str
) -> NDArray[np.int_]:
    """Tell which band holds at each minute from an instant on, or `NONE`, or `SEVERAL`."""
    found = claims(tariff)
    holding = {id(day): [one_of(claimed) for claimed in day] for day in distinct_days(found)}
    clock = local_minutes(start, meter_offsets(zone, start, minutes, tariff["clock"]))
    numbers, row = np.unique(clock // DAY_MINUTES, return_inverse=True)
    days = np.array([holding[id(found[kind_of(day, tariff, code)])] for day in numbers.tolist()])
    return days[row, clock % DAY_MINUTES]


def local_minutes(start: datetime, offsets: NDArray[np.int_]) -> NDArray[np.int_]:
    """Return the minutes on a clock, counted from 1970-01-01, from an instant on."""
    first = (start - datetime(1970, 1, 1, tzinfo=UTC)) // MINUTE
    return first + np.arange(len(offsets)) + offsets


def one_of(claimed: list[int]) -> int:
    if not claimed:
        return NONE
    return claimed[0] if len(claimed) == 1 else SEVERAL


def kind_of(number: int, tariff: dict[str, Any], code: str) -> tuple[int, str]:
    """Return month and kind of a local day, counted from 1970-01-01."""
    day = date(1970, 1, 1) + timedelta(days=number)
    holiday = names_holidays(tariff) and day in public_holidays(code, day.year)
    return day.month, "holiday" if holiday else DAYS[day.weekday()]


def local_days(zone: ZoneInfo, start: datetime, minutes: int) -> NDArray[np.int_]:
    """Return the local day on the wall of each minute, counted from 1970-01-01."""
    return local_minutes(start, wall_offsets(zone, start, minutes)) // DAY_MINUTES
