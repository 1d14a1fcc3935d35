"""Convert arrays of minutes between UTC and a zone's clock."""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import dataclass
from datetime import UTC
from functools import partial
from typing import TYPE_CHECKING, Self, TypeVar

import numpy as np

from planners.local_time.conversion import EPOCH, MINUTE, instant_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

PROBE_MINUTES = 5 * 1440
"""How often to look for a change [min]. Every five days is enough: since 1970 no zone changed twice
in six days (IANA 2026f, all zones)."""

State = TypeVar("State")


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

    @classmethod
    def of(cls, changes: Sequence[tuple[int, int]]) -> Self:
        """Collect changes, each a UTC minute and the offset from then on."""
        starts, minutes = zip(*changes, strict=True)
        return cls(np.array(starts, np.int64), np.array(minutes, np.int64))

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
    return Offsets.of(changes_between(partial(offset_at, zone), first, last))


def changes_between(
    state_at: Callable[[int], State], first: int, last: int
) -> list[tuple[int, State]]:
    """Find a clock's state at a UTC minute, and its changes until another one.

    Parameters
    ----------
    state_at : callable
        Returns the state at a UTC minute.
    first, last : int
        UTC minutes, in order.

    Returns
    -------
    list of (int, state)
        `first` with its state, and the first minute of each new state, until `last`.
    """
    found = [(first, state_at(first))]
    known = first
    while known < last:
        probe = min(known + PROBE_MINUTES, last)
        state = state_at(probe)
        if state != found[-1][1]:
            found.append((_change_between(state_at, known, probe), state))
        known = probe
    return found


def _change_between(state_at: Callable[[int], State], known: int, probe: int) -> int:
    """Find the first minute of the new state between two minutes."""
    old = state_at(known)

    def changed(minute: int) -> bool:
        return state_at(minute) != old

    return known + bisect_left(range(known, probe), True, key=changed)  # noqa: FBT003 - sought
