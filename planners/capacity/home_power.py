"""Lay a tariff's counting intervals over time, with the power that the rest of the home draws."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, time, timedelta
from typing import TYPE_CHECKING

import numpy as np

from planners.local_time.conversion import DAY_MINUTES, date_of, instant_of_local, minute_of
from planners.local_time.day_kinds import minutes_of_days
from planners.local_time.remembering import remembered
from planners.local_time.zone_offsets import offsets_between
from planners.power.home_load import home_kw

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.household.household_file import HouseholdFile
    from config.tariffs.capacity_charge import CapacityCharge
    from planners.generation.outlook import Outlook

DAY = timedelta(days=1)


@dataclass(frozen=True, slots=True, eq=False)
class HomeIntervals:
    """Counting intervals in order of time.

    Attributes
    ----------
    starts, ends : ndarray of int, shape (intervals,)
        UTC minutes; each ends before its last.
    days : ndarray of int, shape (intervals,)
        Local day in which each begins, as `planners.local_time.conversion.day_number` has it.
    counts : ndarray of bool, shape (intervals,)
        Whether the tariff counts it.
    base_kw : ndarray of float, shape (intervals,)
        Mean power that the rest of the home imports, as the file has it [kW].
    """

    starts: NDArray[np.int64]
    ends: NDArray[np.int64]
    days: NDArray[np.int64]
    counts: NDArray[np.bool_]
    base_kw: NDArray[np.float64]


def intervals_between(
    file: HouseholdFile,
    charge: CapacityCharge,
    first: int,
    last: int,
    sun: Outlook | None = None,
) -> HomeIntervals:
    """Lay counting intervals, aligned to the local clock, over some time.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge : CapacityCharge
        The charge, with its intervals and the hours that count.
    first, last : int
        UTC minutes, the last outside.
    sun : Outlook, optional
        What the home's own roofs are expected to give: what a plan counts on is not imported.

    Returns
    -------
    HomeIntervals
        All that begin before `last` and end after `first`.
    """
    length = charge.interval_minutes
    offsets = offsets_between(file.zone, first - length, last + length)
    minutes = np.arange(first - length, last + length)
    local = offsets.to_local(minutes)
    starts = np.flatnonzero(local % length == 0)
    begins = minutes[starts]
    inside = (begins[:-1] < last) & (begins[1:] > first)
    kw = home_kw(file, first - length, last + length)
    if sun is not None:
        kw = np.maximum(0.0, kw - sun.counted_kw(first - length, last + length))
    sums = np.concatenate(([0.0], np.cumsum(kw)))
    return HomeIntervals(
        starts=begins[:-1][inside],
        ends=begins[1:][inside],
        days=local[starts][:-1][inside] // DAY_MINUTES,
        counts=_counts(file, charge, local[starts][:-1][inside]),
        base_kw=(np.diff(sums[starts]) / np.diff(starts))[inside],
    )


def _counts(
    file: HouseholdFile, charge: CapacityCharge, local: NDArray[np.int64]
) -> NDArray[np.bool_]:
    if not len(local):
        return np.zeros(0, dtype=np.bool_)
    days = local // DAY_MINUTES
    calendar = charge.calendar
    holidays = file.household.public_holidays if calendar.holidays else None
    first, last = int(days.min()), int(days.max())
    table = minutes_of_days(charge.mask, first, last, holidays, calendar)
    return table[local - int(days.min()) * DAY_MINUTES]


@remembered
def expected_days_kw(
    file: HouseholdFile, charge: CapacityCharge, first: date, last: date
) -> dict[date, float]:
    """Return the highest mean power of the rest of the home on each day.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge : CapacityCharge
        The charge, with its intervals and the hours that count.
    first, last : date
        Local days, both included.

    Returns
    -------
    dict of date to float
        By day; 0 where nothing counts, or nothing is drawn [kW].
    """
    if not file.household.known_load:
        days = (last - first).days + 1
        return {first + DAY * number: 0.0 for number in range(days)}
    begin = minute_of(instant_of_local(first, time(), file.zone))
    end = minute_of(instant_of_local(last + DAY, time(), file.zone))
    intervals = intervals_between(file, charge, begin, end)
    found = {first + DAY * number: 0.0 for number in range((last - first).days + 1)}
    counted = zip(
        intervals.days[intervals.counts].tolist(),
        intervals.base_kw[intervals.counts].tolist(),
        strict=True,
    )
    for day, kw in counted:
        on = date_of(day)
        if on in found:
            found[on] = max(found[on], kw)
    return found
