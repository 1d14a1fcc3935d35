"""Draw small random years of nights, and simulate them with a plain loop."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import UTC, datetime
from decimal import Decimal
from typing import TYPE_CHECKING, Literal

import numpy as np
from hypothesis import strategies as st

from planners.many_nights.arrays import Nights
from planners.many_nights.many_nights import solve_nights
from planners.power.charging import ChargeModel
from planners.year.night_by_night import simulate
from planners.year.night_rules import ChargingRule
from planners.year.rates import BillLine, YearRates
from planners.year.windows import NightWindows

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.year.results import YearResults

DAY_TICKS = 48
RATES = (0.08, 0.21, 0.34)
CONSTANT = ChargeModel(amps=32, phases=1, volts=230, usable_kwh=52, efficiency=0.9)
SOCKET = replace(CONSTANT, amps=10)
TAPERED = replace(CONSTANT, taper=((60.0, 100.0), (80.0, 60.0), (95.0, 4.0)))
LOSSY = replace(TAPERED, standby_kw=0.3)


@dataclass(frozen=True)
class PlainLoopYear:
    """A plain loop's result: metered energy of each tick, and the battery after each night."""

    kwh: NDArray[np.float64]
    after: list[float]


@dataclass(frozen=True)
class SmallYear:
    """Nights, rates, and trips of some years."""

    rates: YearRates
    windows: NightWindows
    rule: ChargingRule
    trips_kwh: NDArray[np.float64]

    def simulated(self) -> YearResults:
        return simulate(self.rates, self.windows.groups(self.rates), self.rule, self.trips_kwh)

    def night_by_night(self, trips_kwh: NDArray[np.float64]) -> PlainLoopYear:
        """Charge one night after another, each solved alone."""
        rule, stored = self.rule, self.rule.want_kwh
        kwh, after = np.zeros(len(self.rates.rates)), []
        nights = zip(self.windows.first.tolist(), self.windows.end.tolist(), strict=True)
        for (first, end), trip in zip(nights, trips_kwh.tolist(), strict=True):
            stored = max(0.0, stored - trip)
            if end > first:
                must = rule.want_kwh if rule.max_rate is None else rule.need_kwh
                one = np.ones(1)
                solution = solve_nights(
                    Nights(
                        self.rates.rates[None, first:end], np.ones((1, end - first), np.bool_),
                        stored * one, must * one, rule.want_kwh * one, (rule.max_rate or 0) * one,
                        rule.model, 0.5, rule.start_cost, rule.min_run, rule.min_rest,
                        rule.prefer_late,
                    )
                )  # fmt: skip
                kwh[first:end] = solution.metered_kwh[0]
                stored += float(solution.gained_kwh[0])
            after.append(stored)
        return PlainLoopYear(kwh, after)


def rates_of(line: NDArray[np.intp], more: float = 0.0) -> YearRates:
    """Return the rates of half-hours, by their indices in `RATES`."""
    rates = np.array(RATES) + more
    return YearRates(
        start=datetime(2027, 1, 1, tzinfo=UTC),
        tick_minutes=30,
        rates=rates[line],
        estimated=np.zeros(len(line), np.bool_),
        lines=tuple(BillLine(f"band {n}", Decimal(str(rate))) for n, rate in enumerate(RATES)),
        line=line,
        line_rates=rates,
        tiers={},
        period=np.zeros(len(line), np.int64),
    )


@st.composite
def small_years(
    draw: st.DrawFn,
    planner: Literal["exact", "at_once", "timer"] = "exact",
    *,
    plain: bool = False,
    want_only: bool = False,
) -> SmallYear:
    """Draw up to three years of up to twelve nights, a few of them long, and a few without time."""
    # `plain`: no cost of starts, no shortest run or rest. `want_only`: no `max_rate`.
    rng = np.random.default_rng(draw(st.integers(0, 2**32)))
    count = draw(st.integers(1, 12))
    gaps = rng.choice([1, 1, 1, 1, 3, 7], count)
    last = np.cumsum(gaps)
    first = (last - gaps) * DAY_TICKS + 36 + rng.integers(0, 6, count)
    end = np.where(rng.random(count) < 0.1, first, last * DAY_TICKS + rng.integers(10, 16, count))
    ticks = int(last[-1] + 1) * DAY_TICKS
    clock = np.arange(ticks) % DAY_TICKS
    line = np.where(clock < 12, 0, np.where(clock < 40, 1, 2)).astype(np.intp)
    line = np.where(rng.random(ticks) < 0.1, rng.integers(0, 3, ticks), line)
    need = float(rng.uniform(5, 45))
    want = need + float(rng.choice([0.0, 3.3, 6.9]))
    limit = None if want_only else draw(st.sampled_from([None, 0.07, 0.15, 0.3]))
    rule = ChargingRule(
        planner=planner,
        model=draw(st.sampled_from([CONSTANT, SOCKET, TAPERED, LOSSY])),
        need_kwh=need,
        want_kwh=want,
        max_rate=limit,
        tick_hours=0.5,
        is_series=False,
        start_cost=0.0 if plain else draw(st.sampled_from([0.0, 0.03])),
        min_run=1 if plain else draw(st.integers(1, 4)),
        min_rest=0 if plain else draw(st.integers(0, 3)),
        prefer_late=draw(st.booleans()),
    )
    trips = rng.gamma(2, draw(st.sampled_from([3.0, 8.0, 14.0])), (draw(st.integers(1, 3)), count))
    windows = NightWindows(first.astype(np.intp), end.astype(np.intp))
    return SmallYear(rates_of(line), windows, rule, trips)
