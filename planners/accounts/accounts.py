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

from config.home.generation import ROOF
from planners.accounts.rate_doubts import with_doubts
from planners.accounts.register import Flow, flows_of

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from planners.accounts.by_source import RoofShare
    from planners.accounts.register import RegisterReading
    from planners.rates.prices import RateSpan


def exact_kwh(wh: Decimal | int) -> Decimal:
    """Convert watt-hours to kWh, exactly."""
    return Decimal(wh).scaleb(-3)


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
    estimated_rate_wh : int
        Part of `wh` whose rate is estimated [Wh].
    """

    band: str
    rate: Decimal
    wh: int
    cost: Decimal
    estimated_wh: int
    estimated_rate_wh: int = 0


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
    estimated_rate_wh : int
        Sum of the lines' energy at estimated rates [Wh].
    roof_wh : int
        Sum of the lines from the home's own generation, whose rate is what export would have paid
        [Wh].
    all_grid_cost : Decimal
        What all of it would have cost from the grid [currency], unrounded.
    """

    by_band: tuple[BandEnergy, ...]
    energy_wh: int
    cost: Decimal
    estimated_wh: int
    estimated_rate_wh: int = 0
    roof_wh: int = 0
    all_grid_cost: Decimal = Decimal(0)


def account(
    readings: Sequence[RegisterReading],
    spans: Sequence[RateSpan],
    max_kw: float,
    gap_minutes: int = 15,
    rounding: Decimal | None = None,
    *,
    roof: RoofShare | None = None,
) -> Account:
    """Account for the energy that flowed during the spans.

    Energy between two readings counts as flowing evenly; `planners.accounts.placing` adds what the
    commands show. It is estimated if they are further apart than `gap_minutes`, if the rate changes
    between them and the cost depends on when the energy flowed, and if the register fell:

    - A register that falls to half its value or less has been reset and shows the energy since
      then, if `max_kw` could deliver that much. If not, no energy is counted: after a smaller fall
      it shows an older total.
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
    rounding : Decimal, optional
        By so much rounding may change a cost [currency]. If the cost of what flowed between two
        readings may differ by more, it is estimated; without this, none is for that reason.
    roof : RoofShare, optional
        What came from the home's own generation in the time of the spans.

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
    flows = flows_of(readings, max_kw, timedelta(minutes=gap_minutes))
    if rounding is not None:
        flows = with_doubts(flows, spans, max_kw, rounding)
    curve = _Curve.of(flows)
    lines: dict[tuple[str, Decimal], tuple[int, ...]] = {}
    all_grid_cost = Decimal(0)
    for span in spans:
        wh, estimated_wh = curve.between(span.start, span.end)
        all_grid_cost += (span.rate * wh).scaleb(-3)
        wh -= roof.between(span.start, span.end) if roof else 0
        _add(lines, span.band, span, wh, min(wh, estimated_wh))
    if roof is not None:
        for span in roof.export_spans:
            wh = roof.between(span.start, span.end)
            _, estimated_wh = curve.between(span.start, span.end)
            _add(lines, ROOF, span, wh, min(wh, estimated_wh))
    by_band = tuple(
        BandEnergy(band, rate, wh, (rate * wh).scaleb(-3), estimated_wh, estimated_rate_wh)
        for (band, rate), (wh, estimated_wh, estimated_rate_wh) in lines.items()
    )
    return Account(
        by_band=by_band,
        energy_wh=sum(line.wh for line in by_band),
        cost=sum((line.cost for line in by_band), Decimal(0)),
        estimated_wh=sum(line.estimated_wh for line in by_band),
        estimated_rate_wh=sum(line.estimated_rate_wh for line in by_band),
        roof_wh=sum(line.wh for line in by_band if line.band == ROOF),
        all_grid_cost=all_grid_cost,
    )


def _add(
    lines: dict[tuple[str, Decimal], tuple[int, ...]],
    band: str,
    span: RateSpan,
    wh: int,
    estimated_wh: int,
) -> None:
    """Add the energy of a span to the line of its band and rate."""
    if wh:
        more = (wh, estimated_wh, wh if span.estimated else 0)
        before = lines.get((band, span.rate), (0, 0, 0))
        lines[band, span.rate] = tuple(map(sum, zip(before, more, strict=True)))


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
    return _Curve.of(flows_of(readings, max_kw, timedelta(minutes=gap_minutes))).until


@dataclass(frozen=True, slots=True)
class _Curve:
    """Energy since the first reading as a function of time.

    Differences of one rounded curve always add up; parts rounded one by one would not.
    """

    flows: list[Flow]
    ends: list[datetime]
    wh_before: list[int]
    estimated_wh_before: list[int]

    @classmethod
    def of(cls, flows: list[Flow]) -> _Curve:
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
