"""Which events a household means, for which vehicle, and what their titles say. Pure.

Imports nothing but the standard library: a process of its own reads calendars with it.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache

KM_PER_MILE = 1.609344
"""International mile (exact, by definition)."""

MOST_TITLE = 80
"""The longest title that is kept."""

_MOST_PERCENT = 100.0
_MOST_KM = 2000.0

_UNIT = re.compile(
    r"(?P<number>[0-9][0-9.,]{0,9})\s{0,3}"
    r"(?P<unit>%|percent\b|per cent\b|prozent\b|por ciento\b"
    r"|km\b|kilomet(?:er|re|ern)s?\b|kil[oó]metros?\b|mi\b|miles?\b)"
)
_NUMBER = re.compile(r"[0-9]{1,4}(?:[.,][0-9]{1,2})?|[1-9][0-9]{0,2}[.,][0-9]{3}")


@dataclass(frozen=True)
class EventRules:
    """What a calendar's events are held against.

    Attributes
    ----------
    calendar : str
        Its name in the household file.
    words : tuple of str
        Words that make an event a departure; empty if every event is one.
    vehicle : str or None
        The vehicle of events that name none; None if nothing says so.
    names : mapping of str to tuple of str
        For each vehicle the words that say it is meant: its name is one of them.
    own_words : mapping of str to tuple of str
        Those of `names` that make an event a departure without any of `words`.
    default_percent : float or None
        What is needed where nothing else says it [percent].
    reserve_percent : float
        What a trip of a distance shall leave [percent].
    """

    calendar: str
    words: tuple[str, ...] = ()
    vehicle: str | None = None
    names: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    own_words: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    default_percent: float | None = None
    reserve_percent: float = 0.0

    def matches(self, title: str, categories: Iterable[str]) -> bool:
        """Tell whether an event is one of a vehicle.

        Parameters
        ----------
        title : str
            Its title.
        categories : iterable of str
            Its categories.

        Returns
        -------
        bool
            Whether a declared word is a whole word of the title, or a category.
        """
        if not self.words and not self.own_words:
            return True
        of_vehicles = [word for words in self.own_words.values() for word in words]
        return _has_any([*self.words, *of_vehicles], title, categories)

    def vehicles(self, title: str, categories: Iterable[str]) -> tuple[str, ...]:
        """Return the vehicles that an event means; none if nothing says which.

        Parameters
        ----------
        title : str
            Its title.
        categories : iterable of str
            Its categories.

        Returns
        -------
        tuple of str
            Those whose name or word it has; else the calendar's, if it has one.
        """
        kept = tuple(categories)
        named = tuple(name for name, words in self.names.items() if _has_any(words, title, kept))
        if named:
            return named
        return () if self.vehicle is None else (self.vehicle,)


@dataclass(frozen=True, slots=True)
class TitleNumbers:
    """What a title says of the need, and what in it can't be understood."""

    need_percent: float | None = None
    uses_km: float | None = None
    doubt: str | None = None


def numbers_in(title: str) -> TitleNumbers:
    """Read the percentage and the distance in a title.

    Parameters
    ----------
    title : str
        Such as ``"Car: airport 80 %"`` or ``"Car 120 km"``.

    Returns
    -------
    TitleNumbers
        A number that can't be true, or one of several, is left out and is the doubt.
    """
    percents: set[float] = set()
    kms: set[float] = set()
    for found in _UNIT.finditer(folded(title)):
        number, unit = found["number"].rstrip(".,"), found["unit"]
        if not _NUMBER.fullmatch(number):
            return TitleNumbers(doubt=f"{found[0]!r} is no number that can be read")
        value = _value(number)
        if unit.startswith(("%", "p")):
            percents.add(value)
        else:
            kms.add(value * (KM_PER_MILE if unit.startswith("mi") else 1.0))
    if len(percents) > 1 or len(kms) > 1:
        what = "percentage" if len(percents) > 1 else "distance"
        return TitleNumbers(doubt=f"it names more than one {what}")
    if any(each > _MOST_PERCENT for each in percents):
        return TitleNumbers(doubt=f"expected at most 100 %, got {max(percents):g} %")
    if any(not 0 < each <= _MOST_KM for each in kms):
        return TitleNumbers(doubt=f"expected a distance up to {_MOST_KM:g} km, got {max(kms):g} km")
    return TitleNumbers(next(iter(percents), None), next(iter(kms), None))


def folded(text: str) -> str:
    """Return a text as it is compared: without case and ways of writing."""
    return unicodedata.normalize("NFKC", unicodedata.normalize("NFKC", text).casefold())


def title_of(text: str) -> str:
    """Return a title as it is kept and shown: one line, printable, not too long."""
    line = "".join(each if each.isprintable() else " " for each in text)
    words = " ".join(line.split())
    return words if len(words) <= MOST_TITLE else f"{words[: MOST_TITLE - 1]}…"


def _value(number: str) -> float:
    whole = re.fullmatch(r"[0-9]{1,3}[.,][0-9]{3}", number)
    return float(re.sub(r"[.,]", "", number) if whole else number.replace(",", "."))


def _has_any(words: Iterable[str], title: str, categories: Iterable[str]) -> bool:
    text, kept = folded(title), {folded(each.strip()) for each in categories}
    return any(_pattern(word).search(text) or folded(word) in kept for word in words)


@lru_cache(maxsize=256)
def _pattern(word: str) -> re.Pattern[str]:
    """Return a pattern of a whole word; parts of it may be joined by spaces, hyphens or none."""
    parts = [re.escape(each) for each in re.split(r"[\s_-]+", folded(word)) if each]
    joined = r"[\s_-]{0,3}".join(parts)
    if any(unicodedata.east_asian_width(each) in "WF" for each in word):
        return re.compile(joined)  # of a script that puts no spaces between words
    return re.compile(rf"(?<!\w){joined}(?!\w)")
