"""Time the planner alone: a taper, a week at once, and how time and memory grow."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from config.household.household_file import HouseholdFile
from config.household.loading import load_household
from planners.many_nights.many_nights import solve_nights
from planners.plan.horizon import Situation, departures_known
from planners.plan.plan import Plan
from planners.plan.planning import make_plan
from planners.rates.prices import prices_of
from planners.solver.exact import solve
from planners.solver.problem import PlanningProblem
from tests.benchmarks.problems import (
    FIVE_MINUTES,
    NIGHT_TICKS,
    SWITCHINGS,
    TAPER,
    night,
    nights,
    week,
    with_sun,
    year,
)
from tests.benchmarks.table import Row, at_most, duration, durations
from tests.benchmarks.timing import exponent, median, percentile_99, seconds, timed, timed_again

ROOT = Path(__file__).parents[2]

SURPLUS_TIMES = 2
CAPACITY_TIMES = 4
WEEK_SECONDS = 0.1
MEMORY_MB = 200
"""Reaches (design, section 9)."""

LINEAR = 1.1
"""An exponent up to this counts as linear, within what can be measured."""


def with_taper(count: int, ticks: int) -> list[Row]:
    """Time single nights of a vehicle whose power falls as it fills."""
    rows = []
    for switching, min_amps in SWITCHINGS.items():
        problems = [
            replace(p, min_amps=min_amps, model=replace(p.model, taper=TAPER))
            for _, p in nights(count, ticks)
        ]
        times = seconds(solve, problems)
        what = f"one night with taper, {switching}: median, 99th percentile"
        rows.append(Row(what, "", durations([median(times), percentile_99(times)])))
    return rows


def with_surplus(count: int, ticks: int, days: int) -> list[Row]:
    """Time nights and weeks with a surplus, and the same without."""
    rng, rows = np.random.default_rng(6), []
    weeks = [week(rng, days) for _ in range(max(2, count // 20))]
    kinds = [("one night", [p for _, p in nights(count, ticks)]), (f"{days} days", weeks)]
    tapered = [replace(p, model=replace(p.model, taper=TAPER)) for _, p in nights(count, ticks)]
    kinds.insert(1, ("one night with taper", tapered))
    for what, drawn in kinds:
        for switching, min_amps in SWITCHINGS.items():
            problems = [replace(problem, min_amps=min_amps) for problem in drawn]
            without = median(seconds(solve, problems))
            for minutes, step in ((30, 6), (5, 1)):
                with_it = median(seconds(solve, [with_sun(each, step) for each in problems]))
                rows.append(
                    Row(
                        f"{what}, {switching}, a surplus by {minutes} minutes: times as long",
                        f"at most {SURPLUS_TIMES}",
                        f"{with_it / without:.2g} ({durations([without, with_it])})",
                        at_most(with_it / without, SURPLUS_TIMES),
                    )
                )
    return rows


def with_capacity_charge(evenings: int) -> list[Row]:
    """Time a household's plan with its capacity charge, and the same without."""
    rows = []
    for name in ("highest-hours", "quarter-hour-peaks"):
        charged = load_household(ROOT / "config" / "examples" / f"{name}.yaml")
        tariffs = tuple(
            each.model_copy(update={"capacity_charge": None}) for each in charged.tariffs
        )
        free = charged.model_copy(update={"tariffs": tariffs})
        without, with_it = (
            median(seconds(_plan_of, [(file, number) for number in range(evenings)]))
            for file in (free, charged)
        )
        rows.append(
            Row(
                f"plan with a capacity charge, {name}: times as long as without, medians",
                f"at most {CAPACITY_TIMES}",
                f"{with_it / without:.2g} ({durations([without, with_it])})",
                at_most(with_it / without, CAPACITY_TIMES),
            )
        )
    return rows


def _plan_of(evening: tuple[HouseholdFile, int]) -> Plan:
    file, number = evening
    now = datetime(2026, 10, 1, 16, 2, tzinfo=UTC) + number * timedelta(days=1)
    prices = prices_of(file, {})
    (vehicle,) = file.vehicles
    first, *later = departures_known(file, prices, vehicle, now)
    return make_plan(file, prices, Situation(now, 45.0, first, later=tuple(later)))


def week_at_once(count: int, days: int) -> list[Row]:
    """Time several departures with trips and absences, planned at once."""
    rng = np.random.default_rng(4)
    drawn = [week(rng, days) for _ in range(count)]
    rows = []
    for switching, min_amps in SWITCHINGS.items():
        times = seconds(solve, [replace(problem, min_amps=min_amps) for problem in drawn])
        middle = median(times)
        rows.append(
            Row(
                f"{days} days at once, 5-minute ticks, {switching}: median",
                f"under {duration(WEEK_SECONDS)}",
                f"{duration(middle)} (slowest of {count}: {duration(max(times))})",
                at_most(middle, WEEK_SECONDS),
            )
        )
    return rows


def week_again(count: int, days: int) -> list[Row]:
    """Time the next plan of such a week, once the vehicle has reported another state of charge."""
    rng = np.random.default_rng(4)
    drawn = [week(rng, days) for _ in range(count)]
    rows = []
    for what, taper in (("", ()), (" with taper", TAPER)):
        for switching, min_amps in SWITCHINGS.items():
            first, again = [], []
            for problem in drawn:
                model = replace(problem.model, taper=taper)
                planned = replace(problem, min_amps=min_amps, model=model)
                first.append(timed(solve, planned)[0])
                reported = replace(planned, stored_kwh=planned.stored_kwh + 0.5)
                again.append(timed_again(solve, reported)[0])
            rows.append(
                Row(
                    f"{days} days{what}, {switching}: a plan, and the next with 0.5 kWh more",
                    "",
                    durations([median(first), median(again)]),
                )
            )
    return rows


def growth_with_ticks(sizes: Sequence[int], repeats: int) -> list[Row]:
    """Time one night as it gets longer, and as its ticks get shorter."""
    night_hours = NIGHT_TICKS * FIVE_MINUTES
    longer = [median(seconds(solve, _nights_of(n, FIVE_MINUTES, repeats))) for n in sizes]
    finer = [median(seconds(solve, _nights_of(n, night_hours / n, repeats))) for n in sizes]
    ticks = _listed(sizes)
    return [
        _growth(f"{ticks} five-minute ticks", "ticks", "", sizes, longer),
        _growth(f"{ticks} ticks in the same night", "ticks", "", sizes, finer),
    ]


def _nights_of(ticks: int, tick_hours: float, count: int) -> list[PlanningProblem]:
    rng = np.random.default_rng(5)
    return [night(rng, "market", ticks, tick_hours) for _ in range(count)]


def growth_with_nights(sizes: Sequence[int], ticks: int, repeats: int) -> list[Row]:
    """Time one call with more and more nights of half-hour ticks."""
    times = [median(seconds(solve_nights, [year(n, ticks, 0.5)] * repeats)) for n in sizes]
    what = f"{_listed(sizes)} nights at once, 30-minute ticks"
    return [_growth(what, "nights", "linear", sizes, times)]


def _growth(what: str, of: str, target: str, sizes: Sequence[int], times: Sequence[float]) -> Row:
    power = exponent(sizes, times)
    measured = f"{of} ^ {power:.2f} ({durations(times)})"
    return Row(what, target, measured, at_most(power, LINEAR) if target else "")


def _listed(sizes: Sequence[int]) -> str:
    return ", ".join(str(size) for size in sizes)


def year_of_ticks(count: int, ticks: int) -> list[Row]:
    """Time many nights of five-minute ticks in one call, and measure memory in a separate run."""
    took, _ = timed(solve_nights, year(count, ticks, FIVE_MINUTES))
    command = [sys.executable, "-m", "tests.benchmarks.memory", str(count), str(ticks)]
    ran = subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True)
    found = json.loads(ran.stdout)
    what = f"{count} nights of {ticks} five-minute ticks at once"
    return [
        Row(f"{what}: time", "", duration(took)),
        Row(
            f"{what}: memory",
            f"under {MEMORY_MB} MB",
            f"{found['allocated_mb']:.3g} MB (the whole process {found['resident_mb']:.3g} MB)",
            at_most(found["allocated_mb"], MEMORY_MB),
        ),
    ]
