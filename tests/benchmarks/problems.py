"""Planning problems to time: nights, weeks and years, the same for the same seed."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from planners.many_nights.arrays import Nights
from planners.power.charging import ChargeModel
from planners.solver.problem import Deadline, PlanningProblem

RateKind = Literal["market", "bands"]

RATE_KINDS: tuple[RateKind, ...] = ("market", "bands")

MODEL = ChargeModel(amps=32, phases=1, volts=230, usable_kwh=52, efficiency=0.9)

TAPER = ((60.0, 100.0), (100.0, 25.0))

Switching = Literal["on_off", "current"]

SWITCHINGS: dict[Switching, float | None] = {"on_off": None, "current": 6.0}
"""Ways to switch, and the lowest current if it can be set [A]."""

FIVE_MINUTES = 1 / 12
"""Length of a tick [h]."""

START_COST = 0.02

NIGHT_TICKS, AWAY_TICKS, DAY_TICKS = 154, 130, 288
"""Five-minute ticks from 18:00 to 06:50, from then to 17:40, and of a whole day."""


def rates_per_kwh(
    rng: np.random.Generator, kind: RateKind, ticks: int, tick_hours: float
) -> NDArray[np.float64]:
    """Draw half-hourly market prices, or three bands that repeat every day."""
    half_hour: NDArray[np.intp] = np.floor(np.arange(ticks) * tick_hours * 2 + 1e-9).astype(np.intp)
    if kind == "market":
        count = math.ceil(ticks * tick_hours * 2)
        daily = np.sin(2 * np.pi * np.arange(count) / 48 + rng.uniform(0, 2 * np.pi))
        prices: NDArray[np.float64] = 0.25 + 0.08 * daily + rng.normal(0, 0.05, count)
        return np.round(prices, 4)[half_hour]
    bands = rng.uniform(0.08, 0.4, 3)
    edges = np.sort(rng.integers(0, 48, 4))
    return np.round(bands, 3)[np.searchsorted(edges, half_hour % 48, side="right") % 3]


def night(
    rng: np.random.Generator, kind: RateKind, ticks: int, tick_hours: float = FIVE_MINUTES
) -> PlanningProblem:
    """Draw a night with a need within reach, a larger want, and a shortest run and rest."""
    reach_kwh = 0.5 * ticks * tick_hours * MODEL.gained_kw(MODEL.full_kw)
    stored = rng.uniform(5, 25)
    need = stored + rng.uniform(0.2, 1) * min(22, reach_kwh)
    want = rng.uniform(need, MODEL.usable_kwh)
    return PlanningProblem(
        rates_per_kwh=rates_per_kwh(rng, kind, ticks, tick_hours),
        highest_amps=np.full(ticks, MODEL.amps),
        tick_hours=tick_hours,
        model=MODEL,
        stored_kwh=stored,
        deadlines=(Deadline(ticks, need, want, rng.uniform(0.1, 0.3)),),
        start_cost=START_COST,
        min_run=3,
        min_rest=1,
    )


def with_sun(problem: PlanningProblem, step_ticks: int) -> PlanningProblem:
    """Let the home's own roof leave a sunny day over, in steps of a forecast."""
    rng = np.random.default_rng(problem.ticks)
    step = np.arange(problem.ticks) // step_ticks * step_ticks
    clouds = rng.uniform(0.2, 1.0, problem.ticks)
    sun = np.maximum(0.0, 6.0 * np.sin(np.pi * np.arange(problem.ticks) / 144)) * clouds
    return replace(problem, surplus_kw=sun[step], export_rates_per_kwh=np.full(problem.ticks, 0.08))


def nights(count: int, ticks: int, seed: int = 1) -> list[tuple[RateKind, PlanningProblem]]:
    """Draw nights, market prices and bands in turn."""
    rng = np.random.default_rng(seed)
    kinds = [RATE_KINDS[number % 2] for number in range(count)]
    return [(kind, night(rng, kind, ticks)) for kind in kinds]


def week(rng: np.random.Generator, days: int = 7) -> PlanningProblem:
    """Draw days with a departure, a trip and an absence each, planned at once."""
    ends = [NIGHT_TICKS + DAY_TICKS * day for day in range(days)]
    deadlines = []
    for end in ends:
        need = rng.uniform(20, 35)
        want, worth = rng.uniform(need, 45), rng.uniform(0.1, 0.3)
        deadlines.append(
            Deadline(end, need, want, worth, end + AWAY_TICKS, trip_kwh=rng.uniform(3, 12))
        )
    return PlanningProblem(
        rates_per_kwh=rates_per_kwh(rng, "market", ends[-1], FIVE_MINUTES),
        highest_amps=np.full(ends[-1], MODEL.amps),
        tick_hours=FIVE_MINUTES,
        model=MODEL,
        stored_kwh=rng.uniform(10, 25),
        deadlines=tuple(deadlines),
        start_cost=START_COST,
        min_run=3,
        min_rest=1,
    )


def year(count: int, ticks: int, tick_hours: float, seed: int = 2) -> Nights:
    """Draw nights for one call, market prices and bands in turn."""
    rng = np.random.default_rng(seed)
    drawn = [night(rng, RATE_KINDS[number % 2], ticks, tick_hours) for number in range(count)]
    return Nights(
        rates_per_kwh=np.array([problem.rates_per_kwh for problem in drawn]),
        may_charge=np.ones((count, ticks), dtype=np.bool_),
        stored_kwh=np.array([problem.stored_kwh for problem in drawn]),
        need_kwh=np.array([problem.deadlines[0].need_kwh for problem in drawn]),
        want_kwh=np.array([problem.deadlines[0].want_kwh for problem in drawn]),
        max_rate_per_kwh=np.array([p.deadlines[0].max_rate_per_kwh for p in drawn]),
        model=MODEL,
        tick_hours=tick_hours,
        start_cost=START_COST,
        min_run=3 if tick_hours < 0.25 else 2,
        min_rest=1,
    )


def night_of(nights: Nights, number: int) -> PlanningProblem:
    """Return one of many nights, in which every tick may charge, as a single problem."""
    ticks = nights.rates_per_kwh.shape[1]
    need, want, worth = (
        float(array[number])
        for array in (nights.need_kwh, nights.want_kwh, nights.max_rate_per_kwh)
    )
    return PlanningProblem(
        rates_per_kwh=nights.rates_per_kwh[number],
        highest_amps=np.full(ticks, nights.model.amps),
        tick_hours=nights.tick_hours,
        model=nights.model,
        stored_kwh=float(nights.stored_kwh[number]),
        deadlines=(Deadline(ticks, need, want, worth),),
        start_cost=nights.start_cost,
        min_run=nights.min_run,
        min_rest=nights.min_rest,
    )
