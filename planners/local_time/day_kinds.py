"""Spread a table by month, kind of day and minute over the days of a calendar."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeVar

import numpy as np

from config.calendar.tables import PLAIN, kinds_of_days, rows_of_days
from config.fields.public_holidays import holiday_dates
from planners.local_time.conversion import date_of, day_number

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.calendar.tables import Calendar

_Entry = TypeVar("_Entry", bound=np.generic)


def minutes_of_days(
    table: NDArray[_Entry],
    first_day: int,
    last_day: int,
    holidays: str | None,
    calendar: Calendar = PLAIN,
) -> NDArray[_Entry]:
    """List a table's entry for every local minute of some days.

    Parameters
    ----------
    table : ndarray, of the calendar's shape
        What holds in each month, kind of day and minute.
    first_day, last_day : int
        Local days, in order, both included.
    holidays : str or None
        Code of the public holidays; None if they are ordinary days.
    calendar : Calendar
        What tells the dates of the table apart.

    Returns
    -------
    ndarray, shape (days * 1440,)
        Entries of the table, one day after the other.
    """
    days = np.arange(first_day, last_day + 1)
    free: list[int] = []
    if holidays is not None:
        years = range(date_of(first_day).year, date_of(last_day).year + 1)
        free = [day_number(day) for year in years for day in holiday_dates(holidays, year)]
    return table[rows_of_days(days, calendar), kinds_of_days(days, calendar, free)].ravel()
