"""Account for metered energy: share it among rate spans, and price it.

Energy is whole watt-hours throughout, so that the lines of an account add up exactly to the rise of
the register. Knows nothing of tariffs, zones or where readings come from.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from datetime import datetime, timedelta
from decimal import Decimal
from itertools import accumulate, pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from planners.rates.prices import RateSpan

MICROSECOND = timedelta(microseconds=1)
ALLOWANCE = 1.1
"""Real power may exceed the declared power by a tenth: the voltage varies, and clocks differ."""

SLIP_WH = 100
"""A register that falls by no more than this, its last digit, has not been reset [Wh]."""


def exact_kwh(wh: Decimal | int) -> Decimal:
    """Convert watt-hours to kWh, exactly."""
    return Decimal(wh).scaleb(-3)


@dataclass(frozen=True, slots=True)
class RegisterReading:
    """What a meter's energy register showed at an instant.

    Attributes
    ----------
    at : datetime
        Instant of the reading, UTC.
    register_wh : int
        Value of the register [Wh].
    """

    at: datetime
    register_wh: int


@dataclass(frozen=True, slots=True)
class BandEnergy:
    """One line of an account: the energy bought in one band at one rate.

    Attributes
    ----------
    band : str
        Name of the band.
    rate : Decimal
        Rate, tax included [currency per kWh].
    wh : int
        Energy [Wh].
    cost : Decimal
        Energy x rate [currency], unrounded.
    estimated_wh : int
        Part of `wh` that is estimated, in time or in size [Wh].
    """

    band: str
    rate: Decimal
    wh: int
    cost: Decimal
    estimated_wh: int


@dataclass(frozen=True, slots=True)
class Account:
    """The energy of a span of time, and its cost.

    Attributes
    ----------
    by_band : tuple of BandEnergy
        Lines in the order of first use; no line without energy.
    energy_wh : int
        Sum of the lines [Wh].
    cost : Decimal
        Sum of the lines [currency], unrounded.
    estimated_wh : int
        Sum of the lines' estimated energy [Wh].
    """

    by_band: tuple[BandEnergy, ...]
    energy_wh: int
    cost: Decimal
    estimated_wh: int


def account(
    readings: Sequence[RegisterReading],
    spans: Sequence[RateSpan],
    max_kw: float,
    gap_minutes: int = 15,
) -> Account:
    """Account for the energy that flowed during the spans.

    Energy between two readings counts as flowing evenly. It is estimated if they are further apart
    than `gap_minutes`, and if the register fell:

    - A register that falls has been reset and shows the energy since then, if `max_kw` could
      deliver that much. If not, no energy is counted.
    - A register that falls and then jumps back past its old value, faster than `max_kw` allows, was
      never reset: only its true rise counts.
    - A register that slips back by a tenth of a kWh at most was not reset either: nothing counts
      until it is past its old value.

    Parameters
    ----------
    readings : sequence of RegisterReading
        In order of time; ideally from before the spans to after them.
    spans : sequence of RateSpan
        Contiguous, in order of time.
    max_kw : float
        Highest power that could flow [kW].
    gap_minutes : int
        Longest time between readings that still counts as measured [min].

    Returns
    -------
    Account
        Energy and cost by band and rate.

    Raises
    ------
    ValueError
        If the readings are out of order or the spans leave a hole.
    """
    if any(later.at < earlier.at for earlier, later in pairwise(readings)):
        raise ValueError("readings must be in order of time")
    if any(later.start != earlier.end for earlier, later in pairwise(spans)):
        raise ValueError("spans must be contiguous and in order of time")
    curve = _Curve.of(_flows(readings, max_kw, timedelta(minutes=gap_minutes)))
    lines: dict[tuple[str, Decimal], tuple[int, int]] = {}
    for span in spans:
        wh, estimated_wh = curve.between(span.start, span.end)
        if wh:
            before_wh, before_estimated_wh = lines.get((span.band, span.rate), (0, 0))
            lines[span.band, span.rate] = (before_wh + wh, before_estimated_wh + estimated_wh)
    by_band = tuple(
        BandEnergy(band, rate, wh, (rate * wh).scaleb(-3), estimated_wh)
        for (band, rate), (wh, estimated_wh) in lines.items()
    )
    return Account(
        by_band=by_band,
        energy_wh=sum(line.wh for line in by_band),
        cost=sum((line.cost for line in by_band), Decimal(0)),
        estimated_wh=sum(line.estimated_wh for line in by_band),
    )


def energy_until(
    readings: Sequence[RegisterReading], max_kw: float, gap_minutes: int = 15
) -> Callable[[datetime], int]:
    """Return a function from an instant to the energy that flowed by then.

    The rules are those of `account`.

    Parameters
    ----------
    readings : sequence of RegisterReading
        In order of time.
    max_kw : float
        Highest power that could flow [kW].
    gap_minutes : int
        As for `account` [min].

    Returns
    -------
    callable
        From an instant to the energy since the first reading [Wh]; never falls.
    """
    until = energy_curve(readings, max_kw, gap_minutes)
    return lambda instant: until(instant)[0]


def energy_curve(
    readings: Sequence[RegisterReading], max_kw: float, gap_minutes: int = 15
) -> Callable[[datetime], tuple[int, int]]:
    """Return a function from an instant to energy and its estimated part.

    The rules are those of `account`.

    Parameters
    ----------
    readings : sequence of RegisterReading
        In order of time.
    max_kw : float
        Highest power that could flow [kW].
    gap_minutes : int
        As for `account` [min].

    Returns
    -------
    callable
        From an instant to the energy since the first reading, and its estimated part [Wh]. The
        energy between two instants is the difference, so that parts always add up.
    """
    return _Curve.of(_flows(readings, max_kw, timedelta(minutes=gap_minutes))).until


@dataclass(frozen=True, slots=True)
class _Flow:
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
class _Curve:
    """Energy since the first reading as a function of time.

    Differences of one rounded curve always add up; parts rounded one by one would not.
    """

    flows: list[_Flow]
    ends: list[datetime]
    wh_before: list[int]
    estimated_wh_before: list[int]

    @classmethod
    def of(cls, flows: list[_Flow]) -> _Curve:
        """Add the flows up."""
        return cls(
            flows,
            [flow.end for flow in flows],
            list(accumulate((flow.wh for flow in flows), initial=0)),
            list(accumulate((flow.wh * flow.estimated for flow in flows), initial=0)),
        )

    def between(self, start: datetime, end: datetime) -> tuple[int, int]:
        """Return the energy after `start` until `end`, and its estimated part [Wh]."""
        wh_from, estimated_from = self.until(start)
        wh_to, estimated_to = self.until(end)
        return wh_to - wh_from, estimated_to - estimated_from

    def until(self, instant: datetime) -> tuple[int, int]:
        """Return the energy and its estimated part since the first reading [Wh]."""
        done = bisect_right(self.ends, instant)
        wh, estimated_wh = self.wh_before[done], self.estimated_wh_before[done]
        if done < len(self.flows):
            part = self.flows[done].wh_until(instant)
            wh += part
            estimated_wh += part * self.flows[done].estimated
        return wh, estimated_wh


@dataclass(frozen=True, slots=True)
class _Fall:
    """A reading after which the register fell, and the number of flows before it."""

    last: RegisterReading
    flows_before: int


def _flows(readings: Sequence[RegisterReading], max_kw: float, gap: timedelta) -> list[_Flow]:
    """List the energy between neighbouring readings."""
    flows: list[_Flow] = []
    falls: list[_Fall] = []
    for earlier, later in pairwise(_without_slips(readings, max_kw)):
        wh = later.register_wh - earlier.register_wh
        estimated = later.at - earlier.at > gap
        if wh < 0:
            falls.append(_Fall(earlier, len(flows)))
            wh = later.register_wh if possible(later.register_wh, earlier, later, max_kw) else 0
            estimated = True
        elif falls and not possible(wh, earlier, later, max_kw):
            undone = _fall_undone_by(later, falls, max_kw)
            if undone is not None:
                counted_wh = sum(flow.wh for flow in flows[undone.flows_before :])
                wh = max(0, later.register_wh - undone.last.register_wh - counted_wh)
                estimated = True
                falls.clear()
        flows.append(_Flow(earlier.at, later.at, wh, estimated))
    return flows


def _without_slips(readings: Sequence[RegisterReading], max_kw: float) -> list[RegisterReading]:
    """Keep a register that slips back at its old value until it is past it."""
    steady: list[RegisterReading] = []
    for reading in readings:
        before = steady[-1] if steady else reading
        slips = 0 < before.register_wh - reading.register_wh <= SLIP_WH
        if slips and not possible(reading.register_wh, before, reading, max_kw):
            steady.append(RegisterReading(reading.at, before.register_wh))
        else:
            steady.append(reading)
    return steady


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
