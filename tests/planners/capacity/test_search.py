"""The best caps against HiGHS, with the peak as a variable of one model."""

from __future__ import annotations

import os
import random

import numpy as np
import pytest

from planners.capacity.search import BestCaps, best_caps
from planners.solver.solution import objective
from tests.planners.capacity.random_nights import problem_of, random_night
from tests.planners.capacity.reference import CapacityCase, least_total_by_highs

NIGHTS = max(24, int(os.environ.get("LULLWATT_PROBLEMS", "0")) // 30)
"""How many random nights of each kind are held against HiGHS; `make prove` asks for 300 or more."""

MOST_TICKS = 18 if NIGHTS <= 24 else 36

BLOCK = 8


def short_kwh(case: CapacityCase, found: BestCaps) -> float:
    return max(0.0, case.night.need_kwh - float(found.solution.metered_kwh.sum()))


@pytest.mark.parametrize("block", range(NIGHTS // BLOCK))
def test_switched_costs_what_highs_finds(block: int) -> None:
    """With on/off switching, energy and charge together are the least there is."""
    for seed in range(block * BLOCK, (block + 1) * BLOCK):
        rng = random.Random(f"capacity, switched {seed}")
        case = random_night(rng, settable=False, flat=rng.random() < 0.5, most_ticks=MOST_TICKS)
        found, theirs = best_caps(problem_of(case)), least_total_by_highs(case)
        assert short_kwh(case, found) == pytest.approx(theirs.short_kwh, abs=1e-6), case
        assert found.gap == 0, case
        assert found.total == pytest.approx(theirs.money, abs=1e-5), case


@pytest.mark.parametrize("block", range(NIGHTS // BLOCK))
def test_set_current_costs_what_highs_finds_for_whole_amperes(block: int) -> None:
    """With a current that can be set, no plan in whole amperes costs noticeably less.

    HiGHS without steps of the current is a bound below. HiGHS in whole amperes may give one
    interval fewer ticks at a higher current than another, which the planner does not: of 320 nights
    two cost a little more than with that, by 0.2 % at most.
    """
    for seed in range(block * BLOCK, (block + 1) * BLOCK):
        rng = random.Random(f"capacity, set {seed}")
        case = random_night(rng, settable=True, most_ticks=MOST_TICKS)
        found = best_caps(problem_of(case))
        least = least_total_by_highs(case)
        assert short_kwh(case, found) == pytest.approx(least.short_kwh, abs=1e-6), case
        assert least.money - 1e-5 <= found.total, case
        if found.total > least.money + 1e-5:
            whole = least_total_by_highs(case, whole_amps=True).money
            assert found.total <= whole + 0.003 * abs(whole) + 1e-5, case


@pytest.mark.parametrize("settable", [False, True])
def test_total_is_that_of_its_plan(settable: bool) -> None:  # noqa: FBT001 - pytest passes it
    """What is minimised is the plan's objective on all nights, and the charge for its own peaks."""
    capped = 0
    for seed in range(40):
        case = random_night(random.Random(f"total {seed}"), settable=settable, flat=False)
        capacity = problem_of(case)
        found = best_caps(capacity)
        peaks = capacity.reached_kw(found.solution)
        charge = float(capacity.charge(np.array([peaks]))[0])
        energy = objective(capacity.problem, found.solution)
        assert found.total == pytest.approx(case.nights * energy + charge, abs=1e-9)
        for kw, cap in zip(peaks, found.caps_kw, strict=True):
            assert kw <= cap + 1e-9
        capped += found.is_capped
    assert capped > 4
