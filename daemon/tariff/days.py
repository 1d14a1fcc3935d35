"""Read the rates of local days, how long they are, and what is unknown. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from config.fields.public_holidays import holiday_dates
from config.files.errors import TariffError
from planners.local_time.conversion import (
    DAY_MINUTES,
    day_number,
    instant_of_local,
    minute_of,
)
from planners.local_time.zone_offsets import offsets_between

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from config.household.household_file import HouseholdFile
    from config.tariffs.tariff import Tariff
    from planners.rates.prices import Prices, RateSpan

ONE_DAY = timedelta(days=1)
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class Day:
    """One local day.

    Attributes
    ----------
    date : date
        Its date.
    start, end : datetime
        UTC; from one local midnight to the next.
    tariff : Tariff or None
        The tariff in force; None before the first one.
    spans : tuple of RateSpan
        Its rates, contiguous from start to end; none if they are not known.
    why_unknown : str
        Why they are not known; empty if they are.
    special : str
        What kind of day it is, if the tariff has its own rates for it: ``"public holiday"``, or
        the name of a special day; otherwise empty.
    """

    date: date
    start: datetime
    end: datetime
    tariff: Tariff | None
    spans: tuple[RateSpan, ...]
    why_unknown: str
    special: str


@dataclass(frozen=True, slots=True)
class UnknownTime:
    """A time without known rates, and the reason."""

    start: datetime
    end: datetime
    why: str


def days_of(file: HouseholdFile, prices: Prices, first: date, count: int) -> tuple[Day, ...]:
    """Read the rates of some local days.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    first : date
        First local date.
    count : int
        How many days.

    Returns
    -------
    tuple of Day
        In order.

    Raises
    ------
    TariffError
        If nothing is known of any of the days.
    """
    days = tuple(_day(file, prices, first + place * ONE_DAY) for place in range(count))
    if not any(day.spans for day in days):
        last = first + (count - 1) * ONE_DAY
        raise TariffError(f"no rates are known from {first} to {last}: {days[-1].why_unknown}")
    return days


def _day(file: HouseholdFile, prices: Prices, day: date) -> Day:
    start, end = (instant_of_local(each, time.min, file.zone) for each in (day, day + ONE_DAY))
    try:
        tariff = prices.tariff_on(day)
    except TariffError:
        why = f"the first tariff is valid from {prices.in_force.first_days[0]}"
        return Day(day, start, end, None, (), why, "")
    try:
        spans, why = prices.spans(start, end), ""
    except TariffError:
        spans, why = (), f"no price of {tariff.name} is known"
    return Day(day, start, end, tariff, spans, why, _special(file, tariff, day))


def _special(file: HouseholdFile, tariff: Tariff, day: date) -> str:
    days = np.array([day_number(day)])
    calendars = [component.tariff.calendar for component in tariff.plain_components]
    names = [
        special.name
        for calendar in calendars
        for special in calendar.special_days
        if special.holds(days)[0]
    ]
    if names:
        return names[0]
    holidays = file.household.public_holidays if any(c.holidays for c in calendars) else None
    is_holiday = holidays is not None and day in holiday_dates(holidays, day.year)
    return "public holiday" if is_holiday else ""


def unknown_in(days: Sequence[Day]) -> list[UnknownTime]:
    """List the times without known rates, joined if their reason is the same.

    Parameters
    ----------
    days : sequence of Day
        In order.

    Returns
    -------
    list of UnknownTime
        In order.
    """
    times: list[UnknownTime] = []
    for day in days:
        if not day.why_unknown:
            continue
        start = day.start
        if times and (times[-1].end, times[-1].why) == (start, day.why_unknown):
            start = times.pop().start
        times.append(UnknownTime(start, day.end, day.why_unknown))
    return times


def clock_change(day: Day, zone: ZoneInfo) -> str:
    """Say how long a day is, if the clock changes in it.

    Parameters
    ----------
    day : Day
        The day.
    zone : ZoneInfo
        The household's zone.

    Returns
    -------
    str
        Such as ``"23 hours: the clock goes forward at 02:00"``; empty for a day of 24 hours.
    """
    length = day.end - day.start
    if length == ONE_DAY:
        return ""
    first, last = minute_of(day.start), minute_of(day.end)
    # Look from a minute earlier: a day may begin with the clock change.
    offsets = offsets_between(zone, first - 1, max(first, last - 1))
    shown = int(offsets.starts[1] + offsets.minutes[0]) - day_number(day.date) * DAY_MINUTES
    direction = "back" if length > ONE_DAY else "forward"
    hours, minutes = divmod(shown, 60)
    return f"{length / HOUR:g} hours: the clock goes {direction} at {hours:02d}:{minutes:02d}"
