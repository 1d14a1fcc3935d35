"""Explain the special days and the seasons of a tariff: what they are, and when they are next."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

import numpy as np

from config.calendar.words import MONTHS, WEEKDAY_NAMES, listed
from daemon.presentation.figures import date_text
from planners.local_time.conversion import date_of, day_number

if TYPE_CHECKING:
    from collections.abc import Iterator

    from config.calendar.date_sets import DateSet, DateSpan
    from config.tariffs.read_dates import DeclaresDates

_LOOKED_AHEAD = timedelta(days=800)
_NEXT = 2
_MOST_SHOWN = 6
_NAMED = {
    -2: "Good Friday",
    0: "Easter Sunday",
    1: "Easter Monday",
    39: "Ascension Day",
    49: "Whit Sunday",
    50: "Whit Monday",
    60: "Corpus Christi",
}


def date_lines(declared: DeclaresDates, today: date, indent: str = "    ") -> Iterator[str]:
    """Say what each special day and season of a tariff, or of the household, is.

    Parameters
    ----------
    declared : Tariff or Household
        What declares them.
    today : date
        Local date.
    indent : str
        What each line begins with.

    Yields
    ------
    str
        Lines of text.
    """
    for season in declared.seasons or ():
        begins = _next_begin(season, today)
        when = "No date of it is to come" if begins is None else f"It next begins on {_day(begins)}"
        yield f"{indent}Season {season.name}: {dates_in_words(season)}. {when}."
    for special in declared.special_days or ():
        coming = _coming(special, today)
        if not coming:
            when = "No such day is to come"
        else:
            shown = listed([_day(day) for day in coming[:_NEXT]])
            when = f"The next {'is' if len(coming) == 1 else 'are'} {shown}"
        yield f"{indent}Days of {special.name}: {dates_in_words(special)}. {when}."


def dates_in_words(dates: DateSet) -> str:
    """Say which dates are in a set, as its keys have them."""
    parts = [_span(span) for span in dates.dates or ()]
    parts += [f"week{'s' * (weeks.first != weeks.last)} {weeks}" for weeks in dates.weeks or ()]
    parts += [_from_easter(distance) for distance in dates.easter or ()]
    if dates.file is not None:
        parts.append(f"the dates in {dates.file.name}")
    if len(parts) > _MOST_SHOWN:
        return f"{len(parts)} dates, weeks and spans of dates"
    return listed(parts)


def _span(span: DateSpan) -> str:
    ends = [f"{day} {MONTHS[month - 1]}{f' {year}' * bool(year)}" for year, month, day in span.ends]
    return " to ".join(ends)


def _from_easter(distance: int) -> str:
    if distance in _NAMED:
        return _NAMED[distance]
    count = f"{abs(distance)} day{'s' * (abs(distance) != 1)}"
    return f"{count} {'before' if distance < 0 else 'after'} Easter Sunday"


def _coming(dates: DateSet, today: date) -> list[date]:
    first = day_number(today)
    days = np.arange(first, first + _LOOKED_AHEAD.days)
    return [date_of(int(day)) for day in days[dates.holds(days)]]


def _next_begin(dates: DateSet, today: date) -> date | None:
    first = day_number(today)
    days = np.arange(first - 1, first + _LOOKED_AHEAD.days)
    held = dates.holds(days)
    begins = np.flatnonzero(held[1:] & ~held[:-1])
    return date_of(int(days[int(begins[0]) + 1])) if begins.size else None


def _day(day: date) -> str:
    return f"{WEEKDAY_NAMES[day.weekday()]} {date_text(day)}"
