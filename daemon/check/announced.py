"""Explain the announced days of a tariff: the kinds, what is announced, what is assumed."""

from __future__ import annotations

from datetime import date, timedelta
from typing import TYPE_CHECKING

from config.calendar.day_kinds import DAY_KINDS
from config.calendar.tables import Calendar
from config.calendar.words import MONTHS, days_in_words, listed, months_in_words
from daemon.presentation.figures import date_text
from planners.local_time.conversion import day_number, local_date
from planners.rates.announced_rates import AnnouncedRates
from planners.rates.composed_rates import unsure_in

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from config.calendar.announced_kinds import AnnouncedDays, AnnouncedKind
    from planners.rates.prices import Prices

_ASSUMED = {
    "dearest": "the dearest kind that it may be",
    "commonest": "the commonest kind of the season so far",
    "share": "each kind by its share of the season so far",
}
_MOST_DAYS = 366


def announced_lines(prices: Prices, place: int, now: datetime) -> Iterator[str]:
    """Say which kinds of day a tariff announces, and which day is of which.

    Parameters
    ----------
    prices : Prices
        The rates of a meter.
    place : int
        Which of its tariffs.
    now : datetime
        UTC.

    Yields
    ------
    str
        Lines of text; none if the tariff announces no days.
    """
    declared = prices.tariffs[place].announced
    if declared is None:
        return
    for kind in declared.kinds:
        if limits := _limits(kind, declared):
            yield f"    Days of {kind.name}: {limits}."
    begins = f" Such a day begins at {declared.begins:%H:%M}." if declared.begins else ""
    yield f"    The supplier announces the kind of each day.{begins}"
    yield (
        "    Until then, a day that may be of several kinds is taken for"
        f" {_ASSUMED[declared.until_announced]}."
    )
    rates = [r for r in unsure_in(prices.rates[place]) if isinstance(r, AnnouncedRates)]
    if rates:
        yield f"    {_known(rates[0], declared, local_date(now, prices.zone))}"
    source = f"{declared.file} and the bus" if declared.file else "the bus"
    yield f"    Announcements come from {source}."


def _limits(kind: AnnouncedKind, declared: AnnouncedDays) -> str:
    parts = []
    if kind.picked_hours:
        parts.append("hours that the supplier picks")
    if kind.at_most is not None:
        month, day = declared.season_begins
        season = "year" if (month, day) == (1, 1) else f"year from {day} {MONTHS[month - 1]}"
        parts.append(f"at most {kind.at_most} in a {season}")
    if kind.days is not None:
        numbers = sorted(DAY_KINDS.index(each) for each in kind.days)
        parts.append(days_in_words(numbers, Calendar(holidays="holiday" in kind.days)))
    if kind.months is not None:
        parts.append(f"in {months_in_words(sorted(month - 1 for month in kind.months))}")
    return ", ".join(parts)


def _known(rates: AnnouncedRates, declared: AnnouncedDays, today: date) -> str:
    """Say what is announced for today and tomorrow, and of the season so far."""
    said = []
    for name, day in (("today", today), ("tomorrow", today + timedelta(days=1))):
        made = rates.kinds.by_day.get(day_number(day))
        if made is not None:
            hours = f" ({listed([str(each) for each in made.hours])})" if made.hours else ""
            said.append(f"{name} is {made.kind}{hours}")
        elif not rates.kinds.is_known(day_number(day)):
            said.append(f"{name} is not announced")
    past = [
        made
        for each, made in rates.kinds.by_day.items()
        if day_number(today) - _MOST_DAYS < each <= day_number(today)
    ]
    counts = [f"{sum(made.kind == kind for made in past)} {kind}" for kind in declared.names]
    since = f" Announced in the year to {date_text(today)}: {listed(counts)}." if past else ""
    text = listed(said) if said else "today and tomorrow need no announcement"
    return f"{text[0].upper()}{text[1:]}.{since}"
