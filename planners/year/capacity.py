"""Price the highest powers of a simulated year."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planners.local_time.conversion import DAY_MINUTES, date_of, day_number, minute_of
from planners.local_time.day_kinds import minutes_of_days
from planners.local_time.zone_offsets import offsets_between

if TYPE_CHECKING:
    from datetime import date, datetime
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.tariffs.capacity_charge import CapacityCharge
    from planners.capacity.charge import CapacityPrice


@dataclass(frozen=True, slots=True, eq=False)
class YearCapacity:
    """The capacity charge of a calendar year; made by `year_capacity`.

    Attributes
    ----------
    price : CapacityPrice
        What a power costs in each bill.
    interval : ndarray of int, shape (ticks,)
        The counting interval of each tick; the last one takes all that does not count.
    hours : ndarray of float, shape (intervals,)
        Length of each [h].
    day : ndarray of int, shape (intervals,)
        Local day of each, from the first that counts.
    period : ndarray of int, shape (days,)
        Month, or year, of each day that counts.
    home_kwh : ndarray of float, shape (ticks,)
        What the rest of the home uses in each tick [kWh].
    counts_charging : bool
        Whether charging is on the home's meter.
    """

    price: CapacityPrice
    interval: NDArray[np.intp]
    hours: NDArray[np.float64]
    day: NDArray[np.intp]
    period: NDArray[np.intp]
    home_kwh: NDArray[np.float64]
    counts_charging: bool = True

    def charge(self, kwh: NDArray[np.float64]) -> float:
        """Return the year's charge.

        Parameters
        ----------
        kwh : ndarray of float, shape (ticks,)
            Energy of charging in each tick [kWh].

        Returns
        -------
        float
            All bills of the year [currency]. For a mean of several months, the months before the
            year are like those at its end.
        """
        if not len(self.period):
            return 0.0
        metered = kwh + self.home_kwh if self.counts_charging else self.home_kwh
        energy = np.bincount(self.interval, metered, len(self.hours) + 1)[:-1]
        days = np.zeros(len(self.period))
        np.maximum.at(days, self.day, energy / self.hours)
        first = np.flatnonzero(np.diff(self.period, prepend=-1))
        peaks = np.array([self.price.peak_of(part) for part in np.split(days, first[1:])])
        bills = min(self.price.bills, len(peaks))
        means = sum(np.roll(peaks, back) for back in range(bills)) / bills
        return float(self.price.of_power(np.asarray(means, np.float64)).sum())


def year_capacity(
    charge: CapacityCharge,
    price: CapacityPrice,
    zone: ZoneInfo,
    grid: tuple[datetime, int],
    *,
    days: tuple[date, date],
    home_kwh: NDArray[np.float64],
    holidays: str | None = None,
) -> YearCapacity:
    """Prepare the capacity charge of a year.

    Parameters
    ----------
    charge, price : CapacityCharge, CapacityPrice
        What counts, and what it costs.
    zone : ZoneInfo
        The household's.
    grid : tuple of datetime and int
        Start of the first tick, UTC, and the length of a tick [min]; where it is longer than an
        interval, a tick is one.
    days : tuple of two dates
        The first and the last day that count.
    home_kwh : ndarray of float, shape (ticks,)
        What the rest of the home uses in each tick [kWh].
    holidays : str, optional
        Code of the public holidays; without, they count as the weekdays that they are.

    Returns
    -------
    YearCapacity
        Ready to price a year.
    """
    start, tick_minutes = grid
    minutes = minute_of(start) + tick_minutes * np.arange(len(home_kwh))
    local = offsets_between(zone, int(minutes[0]), int(minutes[-1]) + 1).to_local(minutes)
    length = max(charge.interval_minutes, tick_minutes)
    begins = np.diff(local // length, prepend=-1) != 0
    interval = np.cumsum(begins) - 1
    at = local[begins]
    first, last = (day_number(each) for each in days)
    on = at // DAY_MINUTES
    calendar = charge.calendar
    free = holidays if calendar.holidays else None
    table = minutes_of_days(charge.mask, int(on[0]), int(on[-1]), free, calendar)
    counts = table[at - int(on[0]) * DAY_MINUTES] & (on >= first) & (on <= last)
    numbers = np.where(counts, np.cumsum(counts) - 1, counts.sum())
    dates = [date_of(number) for number in range(first, last + 1)]
    by_month = np.array([each.year * 12 + each.month for each in dates])
    return YearCapacity(
        price=price,
        interval=numbers[interval],
        hours=(np.bincount(interval) * tick_minutes / 60)[counts],
        day=(on[counts] - first).astype(np.intp),
        period=by_month if charge.per == "month" else np.zeros_like(by_month),
        home_kwh=home_kwh,
    )
