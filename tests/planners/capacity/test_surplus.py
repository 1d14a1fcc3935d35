"""A capacity charge counts import only: the home's own surplus raises no peak."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal

import numpy as np
import pytest

from config.files.forecast_series import ForecastPoint
from planners.capacity.home_power import intervals_between
from planners.capacity.search import best_caps
from planners.capacity.statement import CapacityProblem
from planners.generation.outlook import Outlook
from planners.local_time.conversion import minute_of
from tests.planners.capacity.random_nights import problem_of, random_night
from tests.planners.capacity.reference import CapacityCase, least_total_by_highs
from tests.planners.households import band, bands
from tests.planners.planned import DemoHousehold, utc

NIGHTS = max(16, int(os.environ.get("LULLWATT_PROBLEMS", "0")) // 50)
"""How many random nights are held against HiGHS; `make prove` asks for many more."""

BLOCK = 8


def with_sun(rng: random.Random, case: CapacityCase) -> tuple[CapacityCase, CapacityProblem]:
    """Add a surplus that is the same throughout each interval, for HiGHS and for the planner."""
    capacity = problem_of(case)
    problem, export = capacity.problem, rng.choice((0.0, 0.06))
    most_kw = problem.model.full_kw
    sun = np.zeros(problem.ticks)
    for each in capacity.intervals:
        sun[each.start : each.end] = rng.choice((0.0, rng.uniform(0, 1.2) * most_kw))
    part = np.minimum(1.0, sun / most_kw)
    rates = problem.rates_per_kwh + (export - problem.rates_per_kwh) * part
    night = replace(case.night, rates=tuple(rates.tolist()))
    sunny = replace(problem, surplus_kw=sun, export_rates_per_kwh=np.full(problem.ticks, export))
    import_share = tuple((1 - part).tolist())
    return replace(case, night=night, import_share=import_share), replace(capacity, problem=sunny)


@pytest.mark.parametrize("block", range(NIGHTS // BLOCK))
def test_switched_costs_what_highs_finds(block: int) -> None:
    """With on/off switching, energy, export forgone and charge together are the least there is."""
    for seed in range(block * BLOCK, (block + 1) * BLOCK):
        rng = random.Random(f"capacity, sunny {seed}")
        drawn = random_night(rng, settable=False, most_ticks=18)
        case, capacity = with_sun(rng, replace(drawn, night=replace(drawn.night, min_run=1)))
        found, theirs = best_caps(capacity), least_total_by_highs(case)
        missing = max(0.0, case.night.need_kwh - float(found.solution.metered_kwh.sum()))
        assert missing == pytest.approx(theirs.short_kwh, abs=1e-6), case
        assert found.gap == 0, case
        assert found.total == pytest.approx(theirs.money, abs=1e-5), case


@pytest.mark.parametrize("settable", [False, True])
def test_no_interval_imports_more_than_its_cap(settable: bool) -> None:  # noqa: FBT001 - pytest's
    """Whatever the sun leaves in each tick, and some nights are capped."""
    capped = 0
    for seed in range(30):
        rng = random.Random(f"uneven sun {seed}")
        capacity = problem_of(random_night(rng, settable=settable, flat=False))
        problem = capacity.problem
        sun = np.array([rng.choice((0.0, rng.uniform(0, 6))) for _ in range(problem.ticks)])
        sunny = replace(problem, surplus_kw=sun, export_rates_per_kwh=np.full(problem.ticks, 0.05))
        capacity = replace(capacity, problem=sunny)
        found = best_caps(capacity)
        for kw, cap in zip(capacity.reached_kw(found.solution), found.caps_kw, strict=True):
            assert kw <= cap + 1e-6
        capped += found.is_capped
    assert capped > 2


def test_what_the_sun_gives_raises_no_peak() -> None:
    """4 kW of sun for 3.68 kW of charging: the interval imports what the home does."""
    rng = random.Random("one")
    capacity = problem_of(random_night(rng, settable=False))
    problem, ticks = capacity.problem, capacity.problem.ticks
    sunny = replace(
        problem,
        surplus_kw=np.full(ticks, problem.model.full_kw + 1),
        export_rates_per_kwh=np.zeros(ticks),
    )
    capacity = replace(capacity, problem=sunny)
    plan = best_caps(capacity).uncapped
    assert capacity.powers_kw(plan) == pytest.approx([each.base_kw for each in capacity.intervals])


def test_the_home_imports_what_the_roof_does_not_give() -> None:
    """Of 10 A at 230 V, 2.3 kW: all before the sun, 1.3 beside 1 kW of it, and none beside 5."""
    charge = {"per": "month", "interval_minutes": 30, "rate_per_kw": Decimal(4)}
    file = DemoHousehold(
        home={"main_fuse_amps": [63.0], "known_load": [{"amps": 10, "hours": ["00:00-24:00"]}]},
        tariffs=(bands(band("day", "0.30")) | {"capacity_charge": charge},),
        generation={"forecast": {}, "trust_percent": 50},
    ).file()
    assert file.generation is not None
    noon = utc("2026-12-04T00:00")
    hours = [noon + timedelta(hours=number) for number in range(3)]
    forecast = [ForecastPoint(at, kw) for at, kw in zip(hours, (0.0, 2.0, 10.0), strict=True)]
    sun = Outlook(file.generation, file.zone, tuple(forecast))
    declared = file.tariffs[0].capacity_charge
    assert declared is not None
    first = minute_of(noon)
    laid = intervals_between(file, declared, first, first + 180, sun)
    assert laid.base_kw == pytest.approx([2.3, 2.3, 1.3, 1.3, 0.0, 0.0])
