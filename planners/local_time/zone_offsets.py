"""Offsets of a zone over a stretch of time, for whole arrays of minutes in both directions."""

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
"""A daily look misses nothing: since 1970 no two changes of one zone are less than six days apart
(IANA 2026f, all zones)."""


@dataclass(frozen=True, slots=True, eq=False)
class Offsets:
    """A clock's offsets from UTC over some stretch of time.

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
        """Tell what the clock shows.

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
        """Tell when the clock shows it, by RFC 5545, section 3.3.5.

        Parameters
        ----------
        local_minutes : ndarray of int64
            Local minutes; one that occurs twice means the first, and one that is skipped is
            counted with the offset before the gap.

        Returns
        -------
        ndarray of int64
            UTC minutes, same shape.
        """
        # Up to the later of the two readings of a changing clock, the old offset is meant.
        change = self.starts[1:] + np.maximum(self.minutes[:-1], self.minutes[1:])
        return local_minutes - self.minutes[np.searchsorted(change, local_minutes, side="right")]


def offset_at(zone: ZoneInfo, utc_minute: int) -> int:
    """Offset of a zone at a UTC minute.

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
    """Offsets of a zone from one UTC minute to another, both included.

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
    """First minute of the new offset, where a zone changes once between two minutes."""
    old = offset_at(zone, known)

    def changed(minute: int) -> bool:
        return offset_at(zone, minute) != old

    return known + bisect_left(range(known, probe), True, key=changed)  # noqa: FBT003 - sought


def standard_offsets_between(zone: ZoneInfo, first: int, last: int) -> Offsets:
    """Offsets of a zone's standard time, kept all year, from one UTC minute to another.

    Standard time is the smaller offset of 1 January and 1 July: true on both hemispheres, and for
    zones whose law calls the summer's time standard and the winter's an exception.

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
