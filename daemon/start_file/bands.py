"""Turn answers about the tariff into bands. Pure."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

from pydantic import ValidationError

from config.calendar.day_kinds import WEEKDAYS
from config.tariffs.band import Band
from daemon.start_file.tariff_questions import has_entries

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Sequence

    from config.fields.value_types import Hours
    from daemon.start_file.question import Answers

_WORKDAYS, _WEEKEND = list(WEEKDAYS[:5]), list(WEEKDAYS[5:])
_MINUTES = 1440
_SEASON = "season_"


class AnsweredBand(NamedTuple):
    """A band, and for its keys the keys of the answers that they come from."""

    band: dict[str, object]
    answers: dict[str, str]


class _Times(NamedTuple):
    """Hours of some days that have one rate; None for all days."""

    name: str
    hours: object
    days: Sequence[str] | None


def bands_of(answers: Answers) -> list[AnsweredBand]:
    """Return the bands that the answers describe.

    Parameters
    ----------
    answers : mapping of str to object
        Answers to all questions that apply, with ``tariff: one_rate`` or ``cheap_hours``.

    Returns
    -------
    list of AnsweredBand
        In the order of the file; the last has no hours. If answers overlap, so do the bands.
    """
    others: list[int] | None = None
    bands: list[AnsweredBand] = []
    if has_entries(answers, "season_months"):
        months = answers["season_months"]
        others = [m for m in range(1, 13) if not isinstance(months, list) or m not in months]
        named = list(_named(answers, _SEASON))
        bands += (
            _band(answers, part, _SEASON, months) for part in [*named, *_rest(answers, named)]
        )
    if others != []:
        bands += (_band(answers, part, "", others) for part in _named(answers, ""))
    name, key = _rest_name(answers)
    return [*bands, AnsweredBand({"name": name, "rate": answers[key]}, {"rate": key})]


def _named(answers: Answers, season: str) -> Iterator[_Times]:
    """Yield the times that the answers name: all but those of the other rate."""
    if answers["tariff"] == "one_rate":
        return
    weekend = answers["weekend"]
    days = None if weekend == "same" else _WORKDAYS
    yield _Times("cheap", answers[f"{season}cheap_hours"], days)
    if weekend == "all":
        yield _Times("cheap", ["00:00-24:00"], _WEEKEND)
    if has_entries(answers, f"{season}third_hours"):
        third_days = _WORKDAYS if answers.get("third_days") == "mon_to_fri" else days
        yield _Times("third", answers[f"{season}third_hours"], third_days)


def _rest(answers: Answers, named: list[_Times]) -> Iterator[_Times]:
    """Yield the other hours of a season; unlike those of the whole year, they must be named."""
    name, _ = _rest_name(answers)
    for days in [None] if all(part.days is None for part in named) else [_WORKDAYS, _WEEKEND]:
        hours = _left(part.hours for part in named if part.days in (None, days))
        if hours:
            yield _Times(name, hours, days)


def _rest_name(answers: Answers) -> tuple[str, str]:
    one_rate = answers["tariff"] == "one_rate"
    return ("all hours", "rate") if one_rate else ("other", "other_rate")


def _band(answers: Answers, times: _Times, season: str, months: object) -> AnsweredBand:
    prefix = "" if times.name == "all hours" else f"{times.name}_"
    rate = f"{season}{prefix}rate"
    band = {
        "name": f"season {times.name}" if season else times.name,
        "rate": answers[rate],
        "hours": times.hours,
        "days": times.days,
        "months": months,
    }
    hours = f"{season}{prefix}hours"
    origin = {"rate": rate, "hours": hours if hours in answers else rate, "months": "season_months"}
    return AnsweredBand({key: value for key, value in band.items() if value is not None}, origin)


def _left(taken: Iterable[object]) -> list[str]:
    """Return the hours of the day that others leave; faulty ones leave all."""
    hours = [each for some in taken for each in _hours(some)]
    is_left = [not any(each.contains(minute) for each in hours) for minute in range(_MINUTES)]
    edges = [m for m in range(_MINUTES) if is_left[m] != (m > 0 and is_left[m - 1])]
    edges.append(_MINUTES)
    return [
        f"{_clock(start)}-{_clock(end)}"
        for start, end in zip(edges[::2], edges[1::2], strict=False)
    ]


def _hours(some: object) -> tuple[Hours, ...]:
    try:
        return Band.model_validate({"name": "any", "rate": 0, "hours": some}).hours or ()
    except ValidationError:
        return ()


def _clock(minute: int) -> str:
    return f"{minute // 60:02d}:{minute % 60:02d}"
