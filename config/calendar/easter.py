"""Compute the date of Easter, from which many holidays are counted."""

from __future__ import annotations

from datetime import date
from functools import cache


@cache
def easter_sunday(year: int) -> date:
    """Return Easter Sunday of the Gregorian calendar, as the western churches keep it.

    Parameters
    ----------
    year : int
        The year.

    Returns
    -------
    date
        The Sunday.

    References
    ----------
    J. Meeus, Astronomical Algorithms, chapter 8, for the Gregorian calendar (from memory); checked
    against published dates and a library in ``tests/outside``.
    """
    golden, (century, of_century) = year % 19, divmod(year, 100)
    leap_centuries, century_rest = divmod(century, 4)
    correction = (century - (century + 8) // 25 + 1) // 3
    epact = (19 * golden + century - leap_centuries - correction + 15) % 30
    leaps, leap_rest = divmod(of_century, 4)
    weekday = (32 + 2 * century_rest + 2 * leaps - epact - leap_rest) % 7
    late = (golden + 11 * epact + 22 * weekday) // 451
    month, day = divmod(epact + weekday - 7 * late + 114, 31)
    return date(year, month, day + 1)
