"""Draw nights with a capacity charge: all lengths of interval, kinds of charge and of switching."""

from __future__ import annotations

import random

import numpy as np

from planners.capacity.charge import CapacityPrice, PeriodPeaks
from planners.capacity.statement import CapacityProblem, CountingInterval, LikeNights
from planners.power.charging import ChargeModel
from planners.solver.problem import Deadline, PlanningProblem, SwitchingState
from tests.planners.capacity.reference import CapacityCase
from tests.planners.solver.reference import Case

KW_PER_AMP = 0.23


def random_night(
    rng: random.Random, *, settable: bool, flat: bool = True, most_ticks: int = 36
) -> CapacityCase:
    """Draw a night of some hours; if `flat`, no rate changes inside a counting interval."""
    tick_minutes = rng.choice([5, 10, 15, 15, 30])
    interval_minutes = rng.choice([m for m in (15, 30, 60) if m % tick_minutes == 0])
    each = interval_minutes // tick_minutes
    count = max(2, min(rng.randint(3, 10), most_ticks // each))
    ticks, hours = count * each, tick_minutes / 60
    amps = rng.choice([10.0, 16.0, 32.0])
    tick_kwh = amps * KW_PER_AMP * hours
    day_starts = rng.randint(0, count)
    peaks = 2 if rng.random() < 0.5 and 0 < day_starts < count else 1
    base = _bases(rng, count)
    intervals = tuple(
        (
            i * each,
            (i + 1) * each,
            interval_minutes / 60,
            base[i],
            int(peaks == 2 and i >= day_starts),
        )
        for i in range(count)
    )
    need = rng.choice([0.0, rng.uniform(0, 0.8), rng.uniform(0, 0.3)]) * ticks * tick_kwh
    want = need + rng.choice([0.0, rng.uniform(0, 0.5)]) * ticks * tick_kwh
    on_off = not settable
    night = Case(
        rates=_rates(rng, count, each, flat=flat),
        tick_kwh=tick_kwh,
        need_kwh=need,
        want_kwh=want,
        max_rate=rng.choice([0.1, 0.2, 0.5]) if want > need else 0.0,
        start_cost=rng.choice([0.0, 0.01, 0.2]),
        min_run=rng.choice([1, 1, 2, 3]) if on_off else 1,
        min_rest=rng.choice([0, 0, 1, 2]) if on_off else 0,
        on_before=on_off and rng.random() < 0.1,
        ticks_before=10,
        least_kwh=None if on_off else 6 * KW_PER_AMP * hours,
    )
    return _charged(rng, night, intervals, peaks)


def _bases(rng: random.Random, count: int) -> list[float]:
    """Draw the home's power: the same in all intervals, or in some more."""
    low = rng.choice([0.0, round(rng.uniform(0.2, 1), 2)])
    more = rng.choice([0.0, round(rng.uniform(0.5, 3), 2)])
    edge = rng.randint(0, count)
    return [low + (more if i < edge else 0.0) for i in range(count)]


def _rates(rng: random.Random, count: int, each: int, *, flat: bool) -> tuple[float, ...]:
    if rng.random() < 0.5:
        prices = [round(rng.gauss(0.25, 0.1), 3) for _ in range(count * (1 if flat else each))]
    else:
        low, high = 0.1, round(rng.uniform(0.15, 0.4), 3)
        edge, count_of = rng.randint(0, count), count * (1 if flat else each)
        prices = [high if i < edge * (1 if flat else each) else low for i in range(count_of)]
    return tuple(rate for rate in prices for _ in range(each if flat else 1))


def _charged(
    rng: random.Random,
    night: Case,
    intervals: tuple[tuple[int, int, float, float, int], ...],
    peaks: int,
) -> CapacityCase:
    highest_days = 3 if peaks == 2 or rng.random() < 0.4 else 1
    nights = rng.choice([1, 1, 2, 10, 20])
    most_kw = rng.choice([0.6, 2, 2, 8])
    days = [round(rng.uniform(0.5, most_kw), 2) for _ in range(rng.randint(3, 20))]
    capped: list[tuple[int, tuple[int, ...]]] = [(0, (0,))]
    if peaks == 2:
        capped.append((1, (0, 1) if nights > 1 else (1,)))
    all_caps = tuple(range(peaks))
    capped += [(day, all_caps) for day in range(len(capped), min(len(days), nights))]
    for day, caps in capped:
        days[day] = max(days[day], *(i[3] for i in intervals if i[4] in caps))
    steps = ((2.0, 125.0), (5.0, 200.0), (10.0, 325.0), (15.0, 450.0), (1000.0, 575.0))
    scale = rng.choice([0.02, 0.1, 1.0])
    is_stepped = rng.random() < 0.5
    bills = rng.choice([1, 1, 3, 12])
    return CapacityCase(
        night=night,
        nights=nights,
        intervals=intervals,
        days_kw=tuple(days),
        capped=tuple(capped),
        rate_per_kw=0.0 if is_stepped else round(scale * rng.uniform(1, 50), 3),
        steps=tuple((end, scale * money) for end, money in steps) if is_stepped else (),
        at_least_kw=rng.choice([0.0, 2.5]),
        highest_days=highest_days,
        bills=bills,
        others_kw=tuple(round(rng.uniform(1, 9), 2) for _ in range(rng.randint(0, bills - 1))),
    )


def problem_of(case: CapacityCase) -> CapacityProblem:
    """State a case for the planner: a lossless battery at 230 V on one phase."""
    night = case.night
    ticks = len(night.rates)
    start, end, hours, *_ = case.intervals[0]
    tick_hours = hours / (end - start)
    amps = night.tick_kwh / tick_hours / KW_PER_AMP
    problem = PlanningProblem(
        rates_per_kwh=np.array(night.rates),
        highest_amps=np.full(ticks, amps),
        tick_hours=tick_hours,
        model=ChargeModel(amps=amps, phases=1, volts=230, usable_kwh=1000, efficiency=1.0),
        stored_kwh=0.0,
        deadlines=(Deadline(ticks, night.need_kwh, night.want_kwh, night.max_rate),),
        min_amps=None if night.least_kwh is None else 6.0,
        start_cost=night.start_cost,
        min_run=night.min_run,
        min_rest=night.min_rest,
        before=SwitchingState(night.on_before, night.ticks_before),
    )
    price = CapacityPrice(
        case.rate_per_kw, case.steps, case.at_least_kw, case.highest_days, case.bills
    )
    peaks = 1 + max(interval[4] for interval in case.intervals)
    return CapacityProblem(
        problem=problem,
        intervals=tuple(CountingInterval(*interval) for interval in case.intervals),
        periods=(PeriodPeaks(price, case.days_kw, case.capped, case.others_kw),),
        like_nights=(LikeNights(case.nights, tuple(range(peaks))),),
    )
