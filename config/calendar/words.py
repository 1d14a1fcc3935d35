"""Put hours, days and months of the calendar into words, as people say them.

A part of the calendar is a mask as in `config.calendar.tables`: months and seasons, kinds of day,
and 1,440 minutes of the local day.
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from config.calendar.tables import HOLIDAY, MONTH_COUNT, possible_days

if TYPE_CHECKING:
    from collections.abc import Hashable, Iterable, Sequence

    from numpy.typing import NDArray

    from config.calendar.tables import Calendar

MONTHS = (
    *("January", "February", "March", "April", "May", "June", "July"),
    *("August", "September", "October", "November", "December"),
)
WEEKDAY_NAMES = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
WEEK_HOURS = 168
_WEEKDAYS = len(WEEKDAY_NAMES)
_SHORTEST_RUN = 3
"""Fewer days or months in a row than this are listed, not shortened to "from ... to"."""


def parts_in_words(mask: NDArray[np.bool_], calendar: Calendar) -> list[str]:
    """Put a part of the calendar into words.

    Parameters
    ----------
    mask : ndarray of bool, of the calendar's shape
        The part.
    calendar : Calendar
        What tells its dates apart.

    Returns
    -------
    list of str
        Such as ``"07:00 to 11:00 and 17:00 to 21:00, Monday to Friday"``; one for each group of
        days with the same hours, in each group of months with the same days. Empty for an empty
        part.
    """
    kinds = [kind for kind in range(calendar.shape[1]) if kind != HOLIDAY or calendar.holidays]
    rows = _possible_rows(calendar)
    phrases = []
    for group in _places_by_key(mask[row, kinds].tobytes() for row in rows):
        table = mask[rows[group[0]]]
        for days in _places_by_key(table[kind].tobytes() for kind in kinds):
            minutes = table[kinds[days[0]]]
            if minutes.any():
                when = _days_and_hours(minutes, [kinds[day] for day in days], calendar)
                whole_year = len(group) == len(rows)
                months = "" if whole_year else _rows_in_words([rows[n] for n in group], calendar)
                phrases.append(when if whole_year else f"{when} in {months}")
    return phrases


def _possible_rows(calendar: Calendar) -> list[int]:
    """List the months and seasons that any date is in."""
    return [int(row) for row in np.flatnonzero(possible_days(calendar).any(axis=1))]


def row_names(calendar: Calendar) -> list[str]:
    """Return the names of the months, then of the seasons of a calendar."""
    return [*MONTHS, *(season.name for season in calendar.seasons)]


def _rows_in_words(rows: Sequence[int], calendar: Calendar) -> str:
    months = [row for row in rows if row < MONTH_COUNT]
    every = {row for row in _possible_rows(calendar) if row < MONTH_COUNT}
    # All months that are left beside seasons are the rest of the year.
    if calendar.seasons and {*months} == every and every:
        named = ["the rest of the year"]
    else:
        named = _runs_in_words(months, MONTHS)
    return listed([*(row_names(calendar)[row] for row in rows if row >= MONTH_COUNT), *named])


def _places_by_key(keys: Iterable[Hashable]) -> list[list[int]]:
    """Group the places of equal keys, in order of the first place of each group."""
    groups: dict[Hashable, list[int]] = {}
    for place, key in enumerate(keys):
        groups.setdefault(key, []).append(place)
    return list(groups.values())


def _days_and_hours(minutes: NDArray[np.bool_], days: Sequence[int], calendar: Calendar) -> str:
    every_day = len(days) == calendar.shape[1] - (not calendar.holidays)
    if every_day and minutes.all():
        return "at all hours"
    # On single days the hours before and after midnight belong to different nights.
    hours = hours_in_words(minutes, past_midnight=every_day)
    return f"{hours} every day" if every_day else f"{hours}, {days_in_words(days, calendar)}"


def hours_in_words(minutes: NDArray[np.bool_], *, past_midnight: bool) -> str:
    """Put hours of a day into words.

    Parameters
    ----------
    minutes : ndarray of bool, shape (1440,)
        Minutes of the day, at least one of them true.
    past_midnight : bool
        Whether hours up to midnight and hours after it become one span.

    Returns
    -------
    str
        Such as ``"21:00 to 07:00"``; ``"all day"`` for all of them.
    """
    if minutes.all():
        return "all day"
    edges = np.flatnonzero(np.diff(minutes, prepend=False, append=False)).tolist()
    runs = [(start, end) for start, end in zip(edges[::2], edges[1::2], strict=True)]
    if past_midnight and runs[0][0] == 0 and runs[-1][1] == len(minutes) and len(runs) > 1:
        runs = [*runs[1:-1], (runs[-1][0], runs[0][1])]
    return listed([f"{clock(start)} to {clock(end)}" for start, end in runs])


def days_in_words(kinds: Sequence[int], calendar: Calendar) -> str:
    """Put kinds of day into words.

    Parameters
    ----------
    kinds : sequence of int
        0 (Monday) to 6, 7 for public holidays, then the special days; ascending, at least one.
    calendar : Calendar
        What tells days apart.

    Returns
    -------
    str
        Such as ``"Monday to Friday"`` or ``"Saturday, Sunday and public holidays"``.
    """
    titles = {HOLIDAY: "public holidays"} if calendar.holidays else {}
    titles |= {HOLIDAY + 1 + n: each.name for n, each in enumerate(calendar.special_days)}
    weekdays = [kind for kind in kinds if kind < _WEEKDAYS]
    named = [title for kind, title in titles.items() if kind in kinds]
    if len(weekdays) == _WEEKDAYS:
        missing = [title for title in titles.values() if title not in named]
        return f"every day but {listed(missing)}" if missing else "every day"
    return listed([*_runs_in_words(weekdays, WEEKDAY_NAMES), *named])


def months_in_words(months: Sequence[int]) -> str:
    """Put months into words.

    Parameters
    ----------
    months : sequence of int
        0 (January) to 11, ascending, at least one and not all.

    Returns
    -------
    str
        Such as ``"November to March"``.
    """
    return listed(_runs_in_words(months, MONTHS))


def _runs_in_words(items: Sequence[int], names: Sequence[str]) -> list[str]:
    """Name days or months, three or more in a row as "first to last"."""
    if not items:
        return []
    runs = [[items[0]]]
    for before, item in pairwise(items):
        if item == before + 1:
            runs[-1].append(item)
        else:
            runs.append([item])
    joined = [*runs[-1], *runs[0]]
    at_both_ends = len(runs) > 1 and (items[0], items[-1]) == (0, len(names) - 1)
    if at_both_ends and len(joined) >= _SHORTEST_RUN:
        runs = [*runs[1:-1], joined]
    phrases = []
    for run in runs:
        if len(run) >= _SHORTEST_RUN:
            phrases.append(f"{names[run[0]]} to {names[run[-1]]}")
        else:
            phrases += [names[item] for item in run]
    return phrases


def listed(items: Sequence[str]) -> str:
    """Join words with commas, the last two with "and"."""
    *most, last = items
    return f"{', '.join(most)} and {last}" if most else last


def clock(minute: int) -> str:
    """Write a minute of the day, 0 to 1440, as a clock does."""
    return "{:02d}:{:02d}".format(*divmod(minute, 60))


def hours_of_week(mask: NDArray[np.bool_], calendar: Calendar) -> str:
    """Say how many hours of a week without holidays a part of the calendar has.

    Parameters
    ----------
    mask : ndarray of bool, of the calendar's shape
        The part.
    calendar : Calendar
        What tells its dates apart.

    Returns
    -------
    str
        Such as ``"70 of the 168 hours of a week"``; if the months differ, the least and the
        most.
    """
    minutes = mask[_possible_rows(calendar), :_WEEKDAYS].sum(axis=(1, 2))
    least, most = (f"{minute / 60:.6g}" for minute in (minutes.min(), minutes.max()))
    span = least if least == most else f"{least} to {most}"
    by_row = "by season" if calendar.seasons else "by month"
    differs = "" if least == most else f", {by_row}"
    return f"{span} of the {WEEK_HOURS} hours of a week{differs}"
