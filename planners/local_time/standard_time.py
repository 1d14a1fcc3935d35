"""Find the offsets of a zone's standard time, which some meters keep all year."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import lru_cache, partial
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

from planners.local_time.conversion import MINUTE, instant_of, minute_of
from planners.local_time.zone_offsets import Offsets, changes_between

if TYPE_CHECKING:
    from collections.abc import Sequence
    from zoneinfo import ZoneInfo

YEAR_MINUTES = 366 * 1440

SHORTEST_WINTER_MINUTES = 90 * 1440
"""A season in which the clock is put back is winter from this length on [min]. In Morocco it is put
back for Ramadan, six weeks at most; a winter has five months."""


def standard_offsets_between(zone: ZoneInfo, first: int, last: int) -> Offsets:
    """Find the offsets of a zone's standard time between two UTC minutes, both included.

    Where the law calls winter time the exception (Ireland), winter time is standard all the same. A
    clock that is put back for Ramadan alone leaves standard time as it is. Where the law changes
    standard time itself, it changes at that instant.

    Parameters
    ----------
    zone : ZoneInfo
        Zone.
    first, last : int
        UTC minutes, in order.

    Returns
    -------
    Offsets
        The offset at `first` and every change until `last`.
    """
    years = (instant_of(minute).year for minute in (first, last))
    changes = _standard_offsets(zone, *years)
    before = [minutes for start, minutes in changes if start <= first]
    later = [(start, minutes) for start, minutes in changes if first < start <= last]
    return Offsets.of([(first, before[-1]), *later])


class _Season(NamedTuple):
    """A time without a change of the clock [min]."""

    start: int
    length: int
    offset: int
    shift: int
    """How far the clock is put forward from standard time; below 0 if it is put back."""

    @property
    def is_winter(self) -> bool:
        """Whether this is winter time, and the law calls it the exception."""
        return self.shift < 0 and self.length >= SHORTEST_WINTER_MINUTES


@lru_cache(maxsize=64)
def _standard_offsets(
    zone: ZoneInfo, first_year: int, last_year: int
) -> tuple[tuple[int, int], ...]:
    """List the offsets of standard time in some UTC years and the years beside them."""
    first = minute_of(datetime(first_year - 1, 1, 1, tzinfo=UTC))
    last = minute_of(datetime(last_year + 2, 1, 1, tzinfo=UTC))
    changes = changes_between(partial(_offset_and_shift, zone), first, last)
    seasons = [
        _Season(start, end - start, *state)
        for (start, state), (end, _) in pairwise([*changes, (last, (0, 0))])
    ]
    found: list[tuple[int, int]] = []
    for place, season in enumerate(seasons):
        minutes = _standard_offset(seasons, place)
        if not found or minutes != found[-1][1]:
            found.append((season.start, minutes))
    return tuple(found)


def _standard_offset(seasons: Sequence[_Season], place: int) -> int:
    season = seasons[place]
    beside = [*seasons[max(place - 1, 0) : place], *seasons[place + 1 : place + 2]]
    if season.is_winter:
        return season.offset
    if season.shift == 0:
        winters = (other.offset for other in beside if other.is_winter)
        summer = season.length < YEAR_MINUTES
        return next(winters, season.offset) if summer else season.offset
    # `dst()` knows whether and which way the clock is shifted. By how far, it may get wrong if
    # standard time has ever changed: it gives two hours for Inuvik's one.
    usual = (
        other.offset
        for other in beside
        if other.shift == 0 and (season.offset - other.offset) * season.shift > 0
    )
    return next(usual, season.offset - season.shift)


def _offset_and_shift(zone: ZoneInfo, utc_minute: int) -> tuple[int, int]:
    local = instant_of(utc_minute).astimezone(zone)
    offset, shift = local.utcoffset() or timedelta(), local.dst() or timedelta()
    return offset // MINUTE, shift // MINUTE
