"""Spread a table by month, kind of day and minute over the days of a calendar."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import numpy as np

from config.fields.public_holidays import holiday_dates
from planners.local_time.conversion import date_of, day_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

HOLIDAY = 7
"""Row of the public holidays, after Monday to Sunday."""

_Entry = TypeVar("_Entry", bound=np.generic)


def minutes_of_days(
    table: NDArray[_Entry], first_day: int, last_day: int, holidays: str | None
) -> NDArray[_Entry]:
    """List a table's entry for every local minute of some days.

    Parameters
    ----------
    table : ndarray, shape (12 months, 8 day kinds, 1440 minutes)
        What holds in each month, kind of day and minute.
    first_day, last_day : int
        Local days, in order, both included.
    holidays : str or None
        Code of the public holidays; None if they are ordinary days.

    Returns
    -------
    ndarray, shape (days * 1440,)
        Entries of the table, one day after the other.
    """
    days = np.arange(first_day, last_day + 1)
    months = days.astype("datetime64[D]").astype("datetime64[M]").astype(np.int64) % 12
    kinds = (days + 3) % 7  # 1970-01-01 was a Thursday
    if holidays is not None:
        years = range(date_of(first_day).year, date_of(last_day).year + 1)
        free = [day_number(day) for year in years for day in holiday_dates(holidays, year)]
        kinds[np.isin(days, free)] = HOLIDAY
    return table[months, kinds].ravel()
