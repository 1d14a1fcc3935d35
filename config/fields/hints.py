"""Guess what a person meant by a word or value that the file does not allow."""

from __future__ import annotations

import re
from difflib import get_close_matches
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

_CLOCK_TIME = r"([0-9]{1,2})(?:[:.h ]?([0-9]{2})(?::00)?)? *(am|pm)?"
_BETWEEN_ITEMS = re.compile(r" *(?:[,;&]|\band\b) *")
_FROM_TO = re.compile(r" *(?:-|\u2013|\u2014|\bto\b) *")
_HOURS = re.compile(
    rf"{_CLOCK_TIME} *(?:-|\u2013|\u2014|to|until) *{_CLOCK_TIME}", re.ASCII | re.IGNORECASE
)
_DATE = re.compile(r"(20[0-9]{2})[-/.]([0-9]{1,2})[-/.]([0-9]{1,2})", re.ASCII)
_GOOD_DISTANCE = re.compile(r"[0-9.]+ *(km|mi|miles?)", re.ASCII)
_DISTANCE = re.compile(
    r"([0-9]{1,3}(?:[ ,'][0-9]{3})+|[0-9]+(?:\.[0-9]+)?) *(kms?|kilomet(?:er|re)s?|mi|miles?)"
    r"\.?(?: *(?:/|per|a) *(?:year|yr|day|trip))?",
    re.ASCII | re.IGNORECASE,
)
_MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_WEEKDAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
_GROUPS_OF_DAYS = {
    "weekday": _WEEKDAYS[:5],
    "workday": _WEEKDAYS[:5],
    "weekend": _WEEKDAYS[5:],
}
_LAST_HOUR, _MINUTES = 24, 60
_NOON = 12


def nearest(text: str, choices: Iterable[str]) -> str | None:
    """Find the choice that a text resembles most, ignoring case.

    Parameters
    ----------
    text : str
        A word of the file.
    choices : iterable of str
        The words that the file allows there.

    Returns
    -------
    str or None
        One of the choices; None if none is close.
    """
    folded = {choice.casefold(): choice for choice in sorted(choices, reverse=True)}
    word = text.casefold()
    swapped = [choice for choice in folded if sorted(choice) == sorted(word)]
    near = get_close_matches(word, swapped, n=1) or get_close_matches(word, folded, n=1)
    return folded[near[0]] if near else None


def corrected(key: str, text: str) -> str | None:
    """Write a value the way the file wants it, if its meaning is clear.

    Parameters
    ----------
    key : str
        The key of the value.
    text : str
        The value as the person wrote it.

    Returns
    -------
    str or None
        The value as it should stand in the file; None if the meaning is not clear.
    """
    correct = _CORRECTIONS.get(key)
    return correct(text.strip()) if correct else None


def _hours(text: str) -> str | None:
    parts = [_from_to(part) for part in _BETWEEN_ITEMS.split(text)]
    quoted = [f'"{part}"' for part in parts if part]
    return ", ".join(quoted) if len(quoted) == len(parts) else None


def _from_to(text: str) -> str | None:
    parts = _HOURS.fullmatch(text)
    if parts is None:
        return None
    start, end = (_clock(*parts.groups()[i : i + 3]) for i in (0, 3))
    if start is None or end is None:
        return None
    return f"{'00:00' if start == '24:00' else start}-{end}"


def _clock(hour_text: str, minute_text: str | None, am_or_pm: str | None) -> str | None:
    """Read a time of day as people write it; hours may count on past 24."""
    hour, minute = int(hour_text), int(minute_text or 0)
    if am_or_pm:
        if not 1 <= hour <= _NOON:
            return None
        hour = hour % _NOON + (_NOON if am_or_pm.lower() == "pm" else 0)
    if minute >= _MINUTES or hour >= 2 * _LAST_HOUR:
        return None
    if hour * _MINUTES + minute > _LAST_HOUR * _MINUTES:
        hour -= _LAST_HOUR
    return f"{hour:02d}:{minute:02d}"


def _months(text: str) -> str | None:
    numbers = [_month(part) for part in _FROM_TO.split(text)]
    if None in numbers or len(numbers) > 2 or text.isdecimal():  # noqa: PLR2004 - from and to
        return None
    first, last = (number or 0 for number in (numbers[0], numbers[-1]))
    length = (last - first) % len(_MONTHS) + 1
    return ", ".join(str((first - 1 + i) % len(_MONTHS) + 1) for i in range(length))


def _month(text: str) -> int | None:
    if text.isdecimal() and text.isascii():
        return int(text) if 1 <= int(text) <= len(_MONTHS) else None
    short = text.lower()[:3]
    return _MONTHS.index(short) + 1 if text.isalpha() and short in _MONTHS else None


def _days(text: str) -> str | None:
    words = text.lower()
    if (group := _GROUPS_OF_DAYS.get(words.removesuffix("s"))) is not None:
        return ", ".join(group)
    ends = [part[:3] for part in _FROM_TO.split(words)]
    if len(ends) != 2 or not {*ends} <= {*_WEEKDAYS}:  # noqa: PLR2004 - from and to
        return None
    start, end = (_WEEKDAYS.index(day) for day in ends)
    length = (end - start) % len(_WEEKDAYS) + 1
    return ", ".join(_WEEKDAYS[(start + i) % len(_WEEKDAYS)] for i in range(length))


def _date(text: str) -> str | None:
    parts = _DATE.fullmatch(text)
    date = parts and f"{parts[1]}-{int(parts[2]):02d}-{int(parts[3]):02d}"
    return date if date != text else None


def _distance(text: str) -> str | None:
    parts = _DISTANCE.fullmatch(text)
    if parts is None or _GOOD_DISTANCE.fullmatch(text):
        return None
    return f"{re.sub('[^0-9.]', '', parts[1])} {'km' if parts[2][0] in 'kK' else 'miles'}"


_CORRECTIONS: dict[str, Callable[[str], str | None]] = {
    "hours": _hours,
    "cheap_hours": _hours,
    "third_hours": _hours,
    "season_cheap_hours": _hours,
    "season_third_hours": _hours,
    "plugged_in": _hours,
    "months": _months,
    "season_months": _months,
    "days": _days,
    "departure_days": _days,
    "date": _date,
    "distance": _distance,
    "distance_per_year": _distance,
    "valid_from": _date,
}
