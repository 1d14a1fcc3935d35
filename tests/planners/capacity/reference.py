"""Solve a night with a capacity charge a second time, on HiGHS, with the peaks as variables.

From the statement and without shared code: the currents of every tick, the highest power of each
day, the mean of the highest days, and the step that it falls into are columns of one model.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from tests.planners.solver.linear_model import LinearModel
from tests.planners.solver.reference import (
    Case,
    Optimum,
    better,
    night_model,
    solved_shortest_first,
)

HIGHEST_KW = 1000.0
LOWEST_AMPS = 6


@dataclass(frozen=True)
class CapacityCase:
    """A night with one month's capacity charge; energies are metered."""

    night: Case
    nights: float
    intervals: tuple[tuple[int, int, float, float, int], ...]
    """First tick, the first after, hours, the home's power [kW], and the peak of each."""
    days_kw: tuple[float, ...]
    capped: tuple[tuple[int, tuple[int, ...]], ...]
    rate_per_kw: float
    steps: tuple[tuple[float, float], ...]
    at_least_kw: float
    highest_days: int
    bills: int
    others_kw: tuple[float, ...]
    import_share: tuple[float, ...] = ()
    """What part of each tick's energy is imported; all of it if empty."""


def least_total_by_highs(case: CapacityCase, *, whole_amps: bool = False) -> Optimum:
    """Solve for the need and for the want on HiGHS and take the better."""
    # With `whole_amps` each interval has a limit of its own in whole amperes, and one of its ticks,
    # as the planner's statement has it; its power counts as if both were used to the full.
    nights = replace(
        case.night,
        rates=tuple(rate * case.nights for rate in case.night.rates),
        start_cost=case.night.start_cost * case.nights,
        max_rate=case.night.max_rate * case.nights,
    )
    found = []
    for target in {nights.need_kwh, nights.want_kwh}:
        model, short, energy, on = night_model(nights, target)
        peaks = _charge(case, model, energy)
        if whole_amps:
            _limits(case, model, peaks, energy, on)
        found.append(solved_shortest_first(nights, model, short))
    return better(found)


def _limits(
    case: CapacityCase, model: LinearModel, peaks: list[int], energy: list[int], on: list[int]
) -> None:
    """Give each interval one limit of current and of ticks; its power is that of using both."""
    least_kwh = case.night.least_kwh or 0.0
    per_amp, highest = least_kwh / LOWEST_AMPS, case.night.tick_kwh / least_kwh * LOWEST_AMPS
    for start, end, hours, base_kw, peak in case.intervals:
        count = end - start
        options = [(0, 0.0)] + [
            (ticks, amps)
            for ticks in range(1, count + 1)
            for amps in (*range(LOWEST_AMPS, int(highest) + 1), highest)
            if ticks == count or ticks * amps < (ticks + 1) * LOWEST_AMPS
        ]
        chosen = [model.binary() for _ in options]
        model.equal([(column, 1) for column in chosen], 1)
        by_option = list(zip(chosen, options, strict=True))
        kw = [(column, -ticks * amps * per_amp / hours) for column, (ticks, amps) in by_option]
        model.at_least([(peaks[peak], 1), *kw], base_kw)
        used = [(column, 1.0) for column in on[start:end]]
        model.at_most([*used, *((column, -ticks) for column, (ticks, _) in by_option)], 0)
        for i in range(start, end):
            limit = [(column, -amps * per_amp) for column, (_, amps) in by_option]
            model.at_most([(energy[i], 1), *limit], 0)


def _charge(case: CapacityCase, model: LinearModel, energy: list[int]) -> list[int]:
    """Add the powers and what they cost; return the columns of the night's peaks."""
    peaks = [model.column(upper=HIGHEST_KW) for _ in range(1 + max(i[4] for i in case.intervals))]
    for start, end, hours, base_kw, peak in case.intervals:
        share = case.import_share[start:end] or (1.0,) * (end - start)
        columns = zip(energy[start:end], share, strict=True)
        mean = [(column, -part / hours) for column, part in columns]
        model.at_least([(peaks[peak], 1), *mean], base_kw)
    days = [model.column(upper=HIGHEST_KW, lower=kw) for kw in case.days_kw]
    for day, caps in case.capped:
        for cap in caps:
            model.at_least([(days[day], 1), (peaks[cap], -1)], 0)
    # The sum of the k highest is the least of k t + sum of what each is above t.
    above = model.column(upper=HIGHEST_KW)
    k = min(case.highest_days, len(days))
    billed = model.column(upper=HIGHEST_KW, lower=case.at_least_kw)
    beyond = [model.column(upper=HIGHEST_KW) for _ in days]
    for day, column in zip(days, beyond, strict=True):
        model.at_least([(column, 1), (day, -1), (above, 1)], 0)
    model.at_least([(billed, k), (above, -k), *((column, -1) for column in beyond)], 0)
    known = [max(case.at_least_kw, each) for each in case.others_kw][: case.bills - 1]
    rest = sum(known) + case.at_least_kw * (case.bills - 1 - len(known))
    if not case.steps:
        fixed = model.column(lower=1.0)
        model.charge([(billed, case.rate_per_kw), (fixed, case.rate_per_kw * rest)])
        return peaks
    chosen = [model.binary() for _ in case.steps]
    model.equal([(column, 1) for column in chosen], 1)
    ends = [min(end, HIGHEST_KW) for end, _charge in case.steps]
    model.at_least([(billed, -1 / case.bills), *zip(chosen, ends, strict=True)], rest / case.bills)
    model.charge((c, case.bills * step[1]) for c, step in zip(chosen, case.steps, strict=True))
    return peaks
