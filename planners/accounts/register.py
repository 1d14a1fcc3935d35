"""Read the energy out of a meter's register: one that falls, resets, slips back or returns.

Energy is whole watt-hours. Knows no rates.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence

MICROSECOND = timedelta(microseconds=1)
ALLOWANCE = 1.1
"""Real power may exceed the declared power by a tenth: the voltage varies, and clocks differ."""

SLIP_WH = 100
"""A register that falls by no more than this, its last digit, has not been reset [Wh]."""


@dataclass(frozen=True, slots=True)
class RegisterReading:
    """What a meter's energy register showed at an instant.

    Attributes
    ----------
    at : datetime
        Instant of the reading, UTC.
    register_wh : int
        Value of the register [Wh].
    gap : timedelta or None
        For an inferred value, how far apart the two readings are that it lies between.
    watts : float or None
        The power that was reported with it [W].
    """

    at: datetime
    register_wh: int
    gap: timedelta | None = None
    watts: float | None = field(default=None, compare=False)


@dataclass(frozen=True, slots=True)
class Flow:
    """Energy between two neighbouring readings."""

    start: datetime
    end: datetime
    wh: int
    estimated: bool

    def wh_until(self, instant: datetime) -> int:
        """Return the energy up to an instant before the end, rounded to whole Wh [Wh]."""
        if instant <= self.start:
            return 0
        elapsed = (instant - self.start) // MICROSECOND
        duration = (self.end - self.start) // MICROSECOND
        return (2 * self.wh * elapsed + duration) // (2 * duration)


@dataclass(frozen=True, slots=True)
class _Fall:
    """A reading after which the register fell, and the number of flows before it."""

    last: RegisterReading
    flows_before: int


def flows_of(readings: Sequence[RegisterReading], max_kw: float, gap: timedelta) -> list[Flow]:
    """List the energy between neighbouring readings."""
    flows: list[Flow] = []
    falls: list[_Fall] = []
    for earlier, later in pairwise(_without_slips(readings, max_kw)):
        wh = later.register_wh - earlier.register_wh
        estimated = (earlier.gap or later.gap or later.at - earlier.at) > gap
        if wh < 0:
            falls.append(_Fall(earlier, len(flows)))
            wh = later.register_wh if _was_reset(earlier, later, max_kw) else 0
            estimated = True
        elif falls and not possible(wh, earlier, later, max_kw):
            undone = _fall_undone_by(later, falls, max_kw)
            if undone is not None:
                counted_wh = sum(flow.wh for flow in flows[undone.flows_before :])
                wh = max(0, later.register_wh - undone.last.register_wh - counted_wh)
                estimated = True
                falls.clear()
        flows.append(Flow(earlier.at, later.at, wh, estimated))
    return flows


def _without_slips(readings: Sequence[RegisterReading], max_kw: float) -> list[RegisterReading]:
    """Keep a register that slips back at its old value until it is past it."""
    steady: list[RegisterReading] = []
    for reading in readings:
        before = steady[-1] if steady else reading
        slips = 0 < before.register_wh - reading.register_wh <= SLIP_WH
        if slips and not _was_reset(before, reading, max_kw):
            steady.append(replace(reading, register_wh=before.register_wh))
        else:
            steady.append(reading)
    return steady


def _was_reset(last: RegisterReading, lower: RegisterReading, max_kw: float) -> bool:
    """Tell whether a register that fell began again at 0, or only shows an older total."""
    is_reset = not is_older_total(last, lower)
    return is_reset and possible(lower.register_wh, last, lower, max_kw)


def is_older_total(last: RegisterReading, lower: RegisterReading) -> bool:
    """Tell whether a register that fell still shows more than half of its total.

    In a long gap the charge point could have drawn the whole total since a reset, so that power
    can't tell a reset from a meter that restored an older total.

    Parameters
    ----------
    last, lower : RegisterReading
        The readings before and after.

    Returns
    -------
    bool
        True if it does.
    """
    return 2 * lower.register_wh > last.register_wh > lower.register_wh


def _fall_undone_by(
    reading: RegisterReading, falls: Sequence[_Fall], max_kw: float
) -> _Fall | None:
    """Find the first fall that a reading disproves, as the register can rise to it."""
    for fall in falls:
        rise_wh = reading.register_wh - fall.last.register_wh
        if rise_wh >= 0 and possible(rise_wh, fall.last, reading, max_kw):
            return fall
    return None


def possible(wh: int, earlier: RegisterReading, later: RegisterReading, max_kw: float) -> bool:
    """Tell whether a power could deliver some energy between two readings.

    Parameters
    ----------
    wh : int
        The energy [Wh].
    earlier, later : RegisterReading
        The readings.
    max_kw : float
        Highest power that could flow [kW], to which `ALLOWANCE` is added.

    Returns
    -------
    bool
        True if it could.
    """
    most_watts = round(max_kw * 1000 * ALLOWANCE)
    return wh * (timedelta(hours=1) // MICROSECOND) <= most_watts * (
        (later.at - earlier.at) // MICROSECOND
    )
