"""Learn from the highest load of each past hour what the home will draw in each hour of the week.

An hour of the week is trusted once it was read in `LEAST_WEEKS` of the last `WEEKS`; what counts
is the 90th percentile of its highest loads (nearest rank, so that of fewer than ten the highest
counts). Knows no clock.
"""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import timedelta
from math import ceil
from typing import TYPE_CHECKING, Final

from config.calendar.day_kinds import WEEKDAYS
from config.home.known_load import LearnedLoad
from planners.power.live_load import LoadHour

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence
    from datetime import date, datetime
    from zoneinfo import ZoneInfo

HOUR: Final = timedelta(hours=1)

WEEKS: Final = 12
"""How many past weeks count; what a home draws changes with the seasons."""

LEAST_WEEKS: Final = 4
"""How many of them must have been read."""

COVERED_MINUTES: Final = 45
"""In how many minutes of an hour its load must have been read."""

ABOVE_FUSE: Final = 2.0
"""A reading of more than this times the fuse is taken for a fault: the fuse would be gone."""

TENTHS: Final = 9
"""Of ten such hours, this many do not draw more than what is expected."""


@dataclass(frozen=True, slots=True)
class HourInProgress:
    """The readings of an hour that has not ended.

    Attributes
    ----------
    start : datetime
        UTC.
    amps : tuple of float
        The highest so far, for each phase [A].
    minutes : frozenset of int
        In which minutes there was a reading.
    """

    start: datetime
    amps: tuple[float, ...]
    minutes: frozenset[int]


def with_reading(
    hour: HourInProgress | None,
    amps: Sequence[float],
    now: datetime,
    zone: ZoneInfo,
    fuses: Sequence[float],
) -> tuple[HourInProgress | None, LoadHour | None]:
    """Take up a reading of the rest of the home.

    Parameters
    ----------
    hour : HourInProgress or None
        The readings before.
    amps : sequence of float
        The reading, for each phase [A].
    now : datetime
        UTC; its instant.
    zone : ZoneInfo
        The home's time zone: the hours are those of its clock.
    fuses : sequence of float
        The fuse of each phase [A].

    Returns
    -------
    hour : HourInProgress or None
        The readings with it.
    ended : LoadHour or None
        The hour before, if this reading is the first of another and enough of it was read.
    """
    local = now.astimezone(zone)
    start = now - timedelta(
        minutes=local.minute, seconds=local.second, microseconds=local.microsecond
    )
    ended = None
    if hour is not None and hour.start != start:
        if len(hour.minutes) >= COVERED_MINUTES:
            ended = LoadHour(hour.start, hour.amps)
        hour = None
    if is_fault(amps, fuses):
        return hour, ended
    before = hour or HourInProgress(start, (0.0,) * len(amps), frozenset())
    if len(before.amps) != len(amps):
        before = HourInProgress(start, (0.0,) * len(amps), frozenset())
    highest = tuple(map(max, before.amps, amps))
    return HourInProgress(start, highest, before.minutes | {local.minute}), ended


def is_fault(amps: Sequence[float], fuses: Sequence[float]) -> bool:
    """Whether a reading can't be true: more than `ABOVE_FUSE` times the fuse of a phase [A]."""
    return any(each > ABOVE_FUSE * fuse for each, fuse in zip(amps, fuses, strict=False))


def learned_load(
    hours: Iterable[LoadHour], now: datetime, zone: ZoneInfo, fuse_by_phase: Mapping[str, float]
) -> tuple[LearnedLoad, ...]:
    """Find what the home is expected to draw.

    Parameters
    ----------
    hours : iterable of LoadHour
        Past hours.
    now : datetime
        UTC.
    zone : ZoneInfo
        The home's time zone.
    fuse_by_phase : mapping of str to float
        The fuse of each phase of the supply [A].

    Returns
    -------
    tuple of LearnedLoad
        In whole amperes, at most the fuse; empty as long as no hour of the week is known.
    """
    oldest, phases = now - timedelta(weeks=WEEKS), tuple(fuse_by_phase)
    seen: dict[tuple[int, int], dict[date, tuple[float, ...]]] = defaultdict(dict)
    for each in hours:
        if len(each.amps) == len(phases) and oldest <= each.start <= now - HOUR:
            local = each.start.astimezone(zone)
            days = seen[local.weekday(), local.hour]
            # In autumn one hour comes twice.
            days[local.date()] = tuple(map(max, each.amps, days.get(local.date(), each.amps)))
    known = {key: days for key, days in seen.items() if len(days) >= LEAST_WEEKS}
    by_phase = [
        {
            key: _expected(sorted(amps[place] for amps in days.values()), fuse_by_phase[phase])
            for key, days in known.items()
        }
        for place, phase in enumerate(phases)
    ]
    if all(each == by_phase[0] for each in by_phase):
        return tuple(_items(by_phase[0], None)) if by_phase else ()
    return tuple(
        item
        for phase, each in zip(phases, by_phase, strict=True)
        for item in _items(each, (phase,))
    )


def _expected(amps: Sequence[float], fuse: float) -> float:
    """Return the 90th percentile of sorted currents in whole amperes, at most the fuse [A]."""
    return min(fuse, float(ceil(amps[ceil(TENTHS * len(amps) / 10) - 1])))


def _items(
    table: Mapping[tuple[int, int], float], connected_to: tuple[str, ...] | None
) -> Iterable[LearnedLoad]:
    """Put hours with the same current together, and days with the same hours."""
    hours: dict[tuple[float, int], list[int]] = defaultdict(list)
    for (day, hour), amps in sorted(table.items()):
        if amps > 0:
            hours[amps, day].append(hour)
    days: dict[tuple[float, tuple[int, ...]], list[int]] = defaultdict(list)
    for (amps, day), each in hours.items():
        days[amps, tuple(each)].append(day)
    for (amps, together), where in days.items():
        yield LearnedLoad.model_validate(
            {
                "amps": amps,
                "hours": [f"{start:02}:00-{end:02}:00" for start, end in _runs(together)],
                "days": [WEEKDAYS[day] for day in where],
                "connected_to": connected_to,
            }
        )


def _runs(hours: Sequence[int]) -> Iterable[tuple[int, int]]:
    """Yield the first and the end of hours that follow each other; the end is at most 24."""
    first = hours[0]
    for hour, following in zip(hours, (*hours[1:], None), strict=True):
        if following != hour + 1:
            yield first, hour + 1
            first = following or 0
