"""Convert arrays of minutes between UTC and a zone's clock."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import TYPE_CHECKING

import numpy as np

from planners.local_time.conversion import EPOCH, MINUTE, instant_of, minute_of

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

PROBE_MINUTES = 1440
"""How often to look for a change [min]. Daily is enough: since 1970 no zone changed twice in six
days (IANA 2026f, all zones)."""


@dataclass(frozen=True, slots=True, eq=False)
class Offsets:
    """A clock's offsets from UTC over a span of time.

    Attributes
    ----------
    starts : ndarray of int64, shape (changes + 1,)
        UTC minute from which each offset holds; the first also holds before.
    minutes : ndarray of int64, shape (changes + 1,)
        The offsets, local minus UTC [min].
    """

    starts: NDArray[np.int64]
    minutes: NDArray[np.int64]

    def to_local(self, utc_minutes: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return what the clock shows.

        Parameters
        ----------
        utc_minutes : ndarray of int64
            UTC minutes.

        Returns
        -------
        ndarray of int64
            Local minutes, same shape.
        """
        place = np.searchsorted(self.starts, utc_minutes, side="right") - 1
        return utc_minutes + self.minutes[np.maximum(place, 0)]

    def to_utc(self, local_minutes: NDArray[np.int64]) -> NDArray[np.int64]:
        """Return when the clock shows these minutes, by RFC 5545, section 3.3.5.

        Parameters
        ----------
        local_minutes : ndarray of int64
            Local minutes. A minute that occurs twice means the first one; a minute that the
            clock skips is taken with the offset before the gap.

        Returns
        -------
        ndarray of int64
            UTC minutes, same shape.
        """
        # Before the later of the two times that a changing clock shows, the old offset holds.
        change = self.starts[1:] + np.maximum(self.minutes[:-1], self.minutes[1:])
        return local_minutes - self.minutes[np.searchsorted(change, local_minutes, side="right")]


def offset_at(zone: ZoneInfo, utc_minute: int) -> int:
    """Return the offset of a zone at a UTC minute.

    Parameters
    ----------
    zone : ZoneInfo
        Zone.
    utc_minute : int
        UTC minute.

    Returns
    -------
    int
        Local minus UTC [min].
    """
    local = instant_of(utc_minute).astimezone(zone)
    return (local.replace(tzinfo=UTC) - EPOCH) // MINUTE - utc_minute


def offsets_between(zone: ZoneInfo, first: int, last: int) -> Offsets:
    """Find the offsets of a zone from one UTC minute to another, both included.

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
    starts, minutes = [first], [offset_at(zone, first)]
    known = first
    while known < last:
        probe = min(known + PROBE_MINUTES, last)
        offset = offset_at(zone, probe)
        if offset != minutes[-1]:
            starts.append(_change_between(zone, known, probe))
            minutes.append(offset)
        known = probe
    return Offsets(np.array(starts, np.int64), np.array(minutes, np.int64))


def _change_between(zone: ZoneInfo, known: int, probe: int) -> int:
    """Find the first minute of the new offset between two minutes."""
    old = offset_at(zone, known)

    def changed(minute: int) -> bool:
        return offset_at(zone, minute) != old

    return known + bisect_left(range(known, probe), True, key=changed)  # noqa: FBT003 - sought


def standard_offsets_between(zone: ZoneInfo, first: int, last: int) -> Offsets:
    """Find the offsets of a zone's standard time between two UTC minutes.

    Standard time is the smaller offset of 1 January and 1 July. That is true in both hemispheres,
    and for zones whose law calls summer time the standard and winter time the exception.

    Parameters
    ----------
    zone : ZoneInfo
        Zone.
    first, last : int
        UTC minutes, in order.

    Returns
    -------
    Offsets
        One offset for each UTC year.
    """
    starts: list[int] = []
    minutes: list[int] = []
    for year in range(instant_of(first).year, instant_of(last).year + 1):
        january = minute_of(datetime(year, 1, 1, tzinfo=UTC))
        july = minute_of(datetime(year, 7, 1, tzinfo=UTC))
        starts.append(january)
        minutes.append(min(offset_at(zone, january), offset_at(zone, july)))
    return Offsets(np.array(starts, np.int64), np.array(minutes, np.int64))
