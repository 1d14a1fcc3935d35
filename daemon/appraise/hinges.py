"""Write what the answer of an appraisal hangs on: each input changed alone. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from config.calendar.words import listed
from config.fields.distance import KM_PER_MILE
from daemon.appraise.wording import quoted
from daemon.presentation.figures import counted

if TYPE_CHECKING:
    from collections.abc import Callable

    from daemon.appraise.wording import AppraisalWords
    from planners.appraisal.appraisal import Hinge, HingePoint

SAME = 1e-9
"""Values of an input that differ by less are the same."""

NAMES = {
    "distance": "distance a year",
    "consumption": "consumption",
    "efficiency": "charging efficiency",
    "rates": "all rates at home",
    "energy_growth": "growth of energy prices",
    "interest": "interest",
    "outlay": "all outlays",
    "keep_years": "years kept",
    "elsewhere": "price elsewhere",
}
"""What people call each input."""


TIMES = {"rates", "outlay", "elsewhere"}
"""Inputs whose value is a multiple of what is declared."""


class HingeRow(NamedTuple):
    """One value of one input: what it is now, what is tried, and what then holds."""

    what: str
    now: str
    value: str
    cheapest: str
    saves: str
    ahead: str


def name_of(words: AppraisalWords, hinge: Hinge) -> str:
    """Name an input."""
    if hinge.what == "distance" and words.unit == "kWh":
        return "energy used for driving"
    return NAMES[hinge.what]


def value_text(words: AppraisalWords, hinge: Hinge, value: float) -> str:
    """Write a value of an input with its unit."""
    return _WRITERS[hinge.what](words, value)


def points_of(hinge: Hinge) -> list[HingePoint]:
    """List the values that are not today's."""
    return [each for each in (hinge.low, hinge.high) if abs(each.value - hinge.now) > SAME]


def rows_of(words: AppraisalWords) -> list[HingeRow]:
    """Write a row for each value that was tried."""
    return [
        HingeRow(
            name_of(words, hinge),
            value_text(words, hinge, hinge.now),
            value_text(words, hinge, point.value),
            "the same" if point.cheapest == words.cheapest.name else point.cheapest,
            words.amount(point.saves),
            "" if point.ahead is None else words.amount(point.ahead),
        )
        for hinge in words.appraisal.hinges
        for point in points_of(hinge)
    ]


def explained(words: AppraisalWords) -> str:
    """Explain the columns of the table; empty if there is none."""
    if not words.appraisal.hinges:
        return ""
    return (
        f"One input is changed at a time. Saves: how much less the cheapest choice then costs over"
        f" its years than {quoted(words.first.name)}. Ahead: how much less today's answer then"
        " costs than the best other choice that delivers as much; below 0 another one is better."
        " Where only money changes, every night is planned as it is."
    )


def breaks(words: AppraisalWords) -> list[str]:
    """Say from which value of each input another choice wins; distance is said elsewhere."""
    hinges = [each for each in words.appraisal.hinges if each.what != "distance"]
    found = [
        f"{_beyond(words, hinge, each.at)}, {quoted(each.rival)} would be the answer."
        for hinge in hinges
        for each in hinge.breaks
    ]
    still = [
        f"{name_of(words, hinge)} from {value_text(words, hinge, hinge.least)} to"
        f" {value_text(words, hinge, hinge.most)}"
        for hinge in hinges
        if not hinge.breaks
    ]
    return [*found, *([f"It stays the answer with {listed(still)}."] if still else [])]


def _beyond(words: AppraisalWords, hinge: Hinge, at: float) -> str:
    """Write from which value on, such as ``"With interest above 9 % a year (4 % a year now)"``."""
    name, value = name_of(words, hinge), value_text(words, hinge, at)
    now = value_text(words, hinge, hinge.now)
    if hinge.what in TIMES:
        return f"With {name} more than {value}"
    if hinge.what == "keep_years":
        return f"Kept for {'less' if at < hinge.now else 'more'} than {value} ({now} now)"
    return f"With {name} {'below' if at < hinge.now else 'above'} {value} ({now} now)"


def _consumption(words: AppraisalWords, per_100_km: float) -> str:
    if words.day_unit == "miles":
        return f"{per_100_km * KM_PER_MILE:.1f} kWh per 100 miles"
    return f"{per_100_km:.1f} kWh per 100 km"


def _times(_words: AppraisalWords, times: float) -> str:
    """Write a multiple of what is declared."""
    percent = f"{abs(100 * (times - 1)):.0f}"
    if percent == "0":
        return "as declared"
    return f"{percent} % {'higher' if times > 1 else 'lower'}"


def _percent(_words: AppraisalWords, percent: float) -> str:
    return f"{percent:.1f}".removesuffix(".0") + " %"


def _yearly(words: AppraisalWords, percent: float) -> str:
    return f"{_percent(words, percent)} a year"


def _years(_words: AppraisalWords, years: float) -> str:
    return counted(round(years, 1), "year")


_WRITERS: dict[str, Callable[[AppraisalWords, float], str]] = {
    "distance": lambda words, km: words.driven(km),
    "consumption": _consumption,
    "efficiency": _percent,
    "rates": _times,
    "energy_growth": _yearly,
    "interest": _yearly,
    "outlay": _times,
    "keep_years": _years,
    "elsewhere": _times,
}
