"""What the forms of the page offer: days, a time and levels to choose from. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import time, timedelta
from typing import TYPE_CHECKING, Final

from planners.local_time.conversion import instant_of_local, local_date
from planners.local_time.departures import departures_between

if TYPE_CHECKING:
    from datetime import date, datetime

    from config.household.household_file import HouseholdFile
    from daemon.page.words import Words

DAYS: Final = 7
LEVELS: Final = (50, 60, 70, 80, 90, 100)
_DAY: Final = timedelta(days=1)
_AWAY_DAYS: Final = 14
_NO_DEPARTURE: Final = "08:00"
_HOURS_AHEAD: Final = (30, 60, 120)


@dataclass(frozen=True, slots=True)
class Choice:
    """One thing to choose: what the form sends, and what the person reads."""

    value: str
    text: str


@dataclass(frozen=True, slots=True)
class Choices:
    """What the forms offer.

    Attributes
    ----------
    days : tuple of Choice
        Today and the next days.
    day : str
        The one that is chosen at first: tomorrow.
    time : str
        The time that is chosen at first: that of tomorrow's departure.
    levels : tuple of Choice
        States of charge.
    soon : tuple of Choice
        Times from now, in minutes.
    back : str
        The day of the return that is chosen at first.
    tomorrow : str
        The earliest day of a return.
    """

    days: tuple[Choice, ...]
    day: str
    time: str
    levels: tuple[Choice, ...]
    soon: tuple[Choice, ...]
    back: str
    tomorrow: str


def choices_of(file: HouseholdFile, vehicle: str | None, now: datetime, words: Words) -> Choices:
    """Return what the forms offer.

    Parameters
    ----------
    file
        The household.
    vehicle
        The one that is planned for.
    now
        UTC.
    words
        The reader's.

    Returns
    -------
    Choices
        In the reader's words.
    """
    today = local_date(now, file.zone)
    tomorrow = today + _DAY
    names = {today: words.say("today"), tomorrow: words.say("tomorrow")}
    days = [today + count * _DAY for count in range(DAYS)]
    return Choices(
        days=tuple(Choice(day.isoformat(), names.get(day) or words.date(day, now)) for day in days),
        day=tomorrow.isoformat(),
        time=_leaves_at(file, vehicle, tomorrow),
        levels=tuple(Choice(str(level), words.percent(level)) for level in LEVELS),
        soon=tuple(Choice(str(each), _soon(each, words)) for each in _HOURS_AHEAD),
        back=(today + _AWAY_DAYS * _DAY).isoformat(),
        tomorrow=tomorrow.isoformat(),
    )


def _leaves_at(file: HouseholdFile, vehicle: str | None, day: date) -> str:
    if vehicle not in file.vehicles:
        return _NO_DEPARTURE
    start = instant_of_local(day, time(0), file.zone)
    found = departures_between(file, vehicle, start, start + _DAY)
    return found[0].instant.astimezone(file.zone).strftime("%H:%M") if found else _NO_DEPARTURE


def _soon(minutes: int, words: Words) -> str:
    if minutes % 60:
        return words.say("In {minutes} minutes", minutes=minutes)
    if minutes == 60:  # noqa: PLR2004 - an hour
        return words.say("In an hour")
    return words.say("In {hours} hours", hours=minutes // 60)
