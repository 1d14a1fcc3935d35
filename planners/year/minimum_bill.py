"""Reckon the minimum bills of a simulated year."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.accounts.minimum_bill import day_of_minimum
from planners.local_time.conversion import DAY_MINUTES, minute_of
from planners.local_time.zone_offsets import offsets_between
from planners.year.rates import MONTHS, YearMinimum

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.tariffs.tariff import Tariff
    from planners.year.rates import YearRates


def year_minimum(
    tariff: Tariff,
    year: YearRates,
    zone: ZoneInfo,
    days: Sequence[date],
    home_kwh: NDArray[np.float64] | None,
) -> YearMinimum | None:
    """Prepare the minimum bills of a year.

    Parameters
    ----------
    tariff : Tariff
        The tariff.
    year : YearRates
        Its rates.
    zone : ZoneInfo
        The household's.
    days : sequence of date
        All days of the calendar year.
    home_kwh : ndarray of float, shape (ticks,), or None
        What the rest of the home uses on this meter in each tick [kWh]; None if only the tariff
        says what it usually costs.

    Returns
    -------
    YearMinimum or None
        None if the tariff has no minimum bill.
    """
    minimum = tariff.minimum_bill
    if minimum is None:
        return None
    if home_kwh is not None:  # its real cost counts in place of the usual one
        usual = minimum.model_copy(update={"home_energy": minimum.home_energy * 0})
        tariff = tariff.model_copy(update={"minimum_bill": usual})
    minutes = minute_of(year.start) + year.tick_minutes * np.arange(len(year.rates))
    local = offsets_between(zone, int(minutes[0]), int(minutes[-1]) + 1).to_local(minutes)
    months = (local // DAY_MINUTES).astype("datetime64[D]").astype("datetime64[M]")
    number = months.astype(np.int64) - (days[0].year - 1970) * MONTHS
    month = np.where((number >= 0) & (number < MONTHS), number, MONTHS).astype(np.intp)
    missing = np.zeros(MONTHS)
    for day in days:
        part = day_of_minimum(tariff, day)
        if part is not None:
            missing[day.month - 1] += float(part.least - part.without)
    if home_kwh is not None:
        missing -= year.cost_by_month(home_kwh, month, beside_home=False)
    return YearMinimum(month, missing)
