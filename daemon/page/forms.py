"""What the forms of the page offer, and the request that a filled-in form stands for. Pure.

Times are those of the household's clock. A form that makes no sense is answered with a sentence
for the person, never with a fault.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from typing import TYPE_CHECKING, Any, Final

from daemon.control.wishes import CHARGE_NOW
from planners.local_time.conversion import instant_of_local, local_date
from planners.local_time.departures import departures_between

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from zoneinfo import ZoneInfo

    from config.household.household_file import HouseholdFile
    from daemon.page.words import Words

_DAY = timedelta(days=1)
_PERCENT = re.compile(r"[0-9]{1,3}", re.ASCII)
_MINUTES = re.compile(r"[0-9]{1,4}", re.ASCII)
_MOST_PERCENT = 100

DAYS: Final = 7
LEVELS: Final = (50, 60, 70, 80, 90, 100)
_AWAY_DAYS: Final = 14
_NO_DEPARTURE: Final = "08:00"
_HOURS_AHEAD: Final = (30, 60, 120)

NO_DATE: Final = "Choose a day."
NO_TIME: Final = "Choose a time."
NO_PERCENT: Final = "Choose a level from 0 to 100 %."
HAS_PASSED: Final = "This time has passed. Choose a later one."
UNKNOWN: Final = "The page has changed in the meantime. Try again."


class UnclearWish(ValueError):  # noqa: N818 - the name says what it is
    """A form that is no wish; the text is a sentence for the person."""


def wish_of(form: Mapping[str, str], now: datetime, zone: ZoneInfo) -> dict[str, Any]:
    """Return the keys of the request that a form stands for.

    Parameters
    ----------
    form
        Its fields; `kind` says which wish it is.
    now
        UTC.
    zone
        The household's.

    Returns
    -------
    dict
        JSON values, without `v` and `id`.

    Raises
    ------
    UnclearWish
        If a field is missing or makes no sense.
    """
    read = _KINDS.get(form.get("kind", ""))
    if read is None:
        raise UnclearWish(UNKNOWN)
    return read(form, now, zone)


def _fixed(**wish: object) -> Callable[[Mapping[str, str], datetime, ZoneInfo], dict[str, Any]]:
    return lambda _form, _now, _zone: dict(wish)


def _until_tomorrow(_form: Mapping[str, str], now: datetime, zone: ZoneInfo) -> dict[str, Any]:
    return {"skip_until": _start_of(local_date(now, zone) + _DAY, zone).isoformat()}


def _until(form: Mapping[str, str], now: datetime, zone: ZoneInfo) -> dict[str, Any]:
    return {"skip_until": _instant(form, now, zone).isoformat()}


def _trip(form: Mapping[str, str], now: datetime, zone: ZoneInfo) -> dict[str, Any]:
    minutes = form.get("within", "")
    if _MINUTES.fullmatch(minutes):
        by = now.replace(microsecond=0) + int(minutes) * timedelta(minutes=1)
    else:
        by = _instant(form, now, zone)
    return {"need_percent": _percent(form), "by": by.isoformat()}


def _away(form: Mapping[str, str], now: datetime, zone: ZoneInfo) -> dict[str, Any]:
    until = _start_of(_day(form), zone)
    if until <= now:
        raise UnclearWish(HAS_PASSED)
    return {"away_until": until.isoformat()}


def _level(form: Mapping[str, str], _now: datetime, _zone: ZoneInfo) -> dict[str, Any]:
    return {"soc_percent": _percent(form)}


def _named(field: str) -> Callable[[Mapping[str, str], datetime, ZoneInfo], dict[str, Any]]:
    def read(form: Mapping[str, str], _now: datetime, _zone: ZoneInfo) -> dict[str, Any]:
        if not form.get(field):
            raise UnclearWish(UNKNOWN)
        return {field: form[field]}

    return read


def _percent(form: Mapping[str, str]) -> float:
    text = form.get("percent", "").strip()
    if not _PERCENT.fullmatch(text) or int(text) > _MOST_PERCENT:
        raise UnclearWish(NO_PERCENT)
    return float(text)


def _instant(form: Mapping[str, str], now: datetime, zone: ZoneInfo) -> datetime:
    day = _day(form)
    try:
        at = time.fromisoformat(form.get("time", ""))
    except ValueError:
        raise UnclearWish(NO_TIME) from None
    if at.tzinfo is not None:
        raise UnclearWish(NO_TIME)
    try:
        instant = instant_of_local(day, at, zone)
    except OverflowError:
        raise UnclearWish(NO_DATE) from None
    if instant <= now:
        raise UnclearWish(HAS_PASSED)
    return instant


def _day(form: Mapping[str, str]) -> date:
    try:
        return date.fromisoformat(form.get("day", ""))
    except ValueError:
        raise UnclearWish(NO_DATE) from None


def _start_of(day: date, zone: ZoneInfo) -> datetime:
    try:
        return instant_of_local(day, time(0), zone)
    except OverflowError:
        raise UnclearWish(NO_DATE) from None


_KINDS: Final[Mapping[str, Callable[[Mapping[str, str], datetime, ZoneInfo], dict[str, Any]]]] = {
    "now": _fixed(charge_now=True),
    "plan": _fixed(remove=CHARGE_NOW),
    "tonight": _fixed(stop=True),
    "tomorrow": _until_tomorrow,
    "until": _until,
    "trip": _trip,
    "away": _away,
    "level": _level,
    "vehicle": _named("vehicle"),
    "remove": _named("remove"),
    "checked": _fixed(equipment_checked=True),
}
"""What each wish of the page asks for, by the `kind` of its form."""


# --- what the forms offer ----------------------------------------------------------------------


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
