"""The exact planner against HiGHS, against enumeration, and against its own laws."""

from __future__ import annotations

import math
import os
import random
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from planners.power.charging import ChargeModel
from planners.solver.exact import solve
from planners.solver.problem import TIE, Deadline, PlanningProblem, SwitchingState, UseLimit
from planners.solver.solution import Solution, objective
from tests.planners.solver.reference import (
    Case,
    Optimum,
    cheapest_by_enumeration,
    cheapest_by_highs,
)

MODEL = ChargeModel(amps=32, phases=1, volts=230, usable_kwh=52, efficiency=0.9)


def problem_of(case: Case, *, prefer_late: bool = False) -> PlanningProblem:
    """Turn a case into a planning problem: a lossless battery at one kilowatt-hour an ampere."""
    ticks = len(case.rates)
    return PlanningProblem(
        rates_per_kwh=np.array(case.rates),
        highest_amps=np.full(ticks, case.tick_kwh),
        tick_hours=1.0,
        model=ChargeModel(
            amps=case.tick_kwh, phases=1, volts=1000, usable_kwh=1000, efficiency=1.0
        ),
        stored_kwh=0.0,
        deadlines=(Deadline(ticks, case.need_kwh, case.want_kwh, case.max_rate),),
        start_cost=case.start_cost,
        min_run=case.min_run,
        min_rest=case.min_rest,
        before=SwitchingState(case.on_before, case.ticks_before),
        prefer_late=prefer_late,
        use_limits=tuple(UseLimit(*limit) for limit in case.limits),
    )


def optimum_of(problem: PlanningProblem, case: Case) -> tuple[Optimum, Solution]:
    solution = solve(problem)
    short = max(0.0, case.need_kwh - float(solution.metered_kwh.sum()))
    return Optimum(short, objective(problem, solution)), solution


def random_case(rng: random.Random, most_ticks: int) -> Case:
    ticks = rng.randint(1, most_ticks)
    kind = rng.choice(["bands", "market", "whole", "negative"])
    if kind == "bands":
        pair = sorted(rng.uniform(0.02, 0.6) for _ in range(3))
        edges = sorted(rng.randint(0, ticks) for _ in range(3))
        rates = [pair[sum(i >= edge for edge in edges) % 3] for i in range(ticks)]
    elif kind == "market":
        rates = [round(rng.gauss(0.25, 0.12), 4) for _ in range(ticks)]
    elif kind == "whole":
        rates = [float(rng.randint(1, 3)) for _ in range(ticks)]
    else:
        rates = [round(rng.gauss(-0.02, 0.1), 4) for _ in range(ticks)]
    tick_kwh = rng.choice([0.1917, 0.6133, 1.15, 3.68])
    need = rng.choice([0.0, rng.uniform(0, 1.2)]) * ticks * tick_kwh
    want = need + rng.choice([0.0, rng.uniform(0, 0.5)]) * ticks * tick_kwh
    return Case(
        rates=tuple(rates),
        tick_kwh=tick_kwh,
        need_kwh=need,
        want_kwh=want,
        max_rate=rng.choice([0.0, 0.1, 0.2, 0.5]) if want > need else 0.0,
        start_cost=rng.choice([0.0, 0.01, 0.2]),
        min_run=rng.choice([1, 1, 2, 3, 5]),
        min_rest=rng.choice([0, 1, 2, 4]),
        on_before=rng.random() < 0.4,
        ticks_before=rng.choice([0, 1, 2, 3, 50]) + 1,
    )


PROBLEMS = int(os.environ.get("LULLWATT_PROBLEMS", "100"))
"""How many random problems are held against HiGHS; `make prove` asks for many more."""

BLOCK = 50


@pytest.mark.parametrize("block", range(PROBLEMS // BLOCK))
def test_costs_what_highs_finds(block: int) -> None:
    """On random problems no plan is cheaper than the planner's (reference solver HiGHS)."""
    rng = random.Random(f"one departure {block}")
    for _ in range(BLOCK):
        case = random_case(rng, most_ticks=26)
        ours, _solution = optimum_of(problem_of(case), case)
        theirs = cheapest_by_highs(case)
        assert ours.short_kwh == pytest.approx(theirs.short_kwh, abs=1e-6), case
        assert ours.money == pytest.approx(theirs.money, abs=2e-6), case


def test_costs_what_enumeration_finds() -> None:
    """On tiny problems, trying every choice of ticks finds nothing cheaper."""
    rng = random.Random("enumeration")
    for _ in range(400):
        case = random_case(rng, most_ticks=8)
        ours, _solution = optimum_of(problem_of(case), case)
        theirs = cheapest_by_enumeration(case)
        assert ours.short_kwh == pytest.approx(theirs.short_kwh, abs=1e-9), case
        assert ours.money == pytest.approx(theirs.money, abs=1e-8), case


def with_limits(rng: random.Random, case: Case) -> Case:
    """Limit the use of stretches of a few ticks; no run is in progress that would have to stop."""
    limits, start, ticks = [], rng.randint(0, 3), len(case.rates)
    while start < ticks:
        end = start + rng.randint(1, 6)
        most = rng.choice([rng.uniform(0, end - start), float(rng.randint(0, end - start))])
        limits.append((start, end, most))
        start = end + rng.choice([0, 0, 2])
    return replace(case, on_before=False, limits=tuple(limits))


@pytest.mark.parametrize("block", range(max(1, PROBLEMS // 400)))
def test_limited_use_costs_what_highs_finds(block: int) -> None:
    """With stretches of limited use no plan is cheaper either (reference solver HiGHS)."""
    rng = random.Random(f"limited use {block}")
    for _ in range(BLOCK):
        case = with_limits(rng, random_case(rng, most_ticks=26))
        ours, _solution = optimum_of(problem_of(case), case)
        theirs = cheapest_by_highs(case)
        assert ours.short_kwh == pytest.approx(theirs.short_kwh, abs=1e-6), case
        assert ours.money == pytest.approx(theirs.money, abs=2e-6), case


def test_limited_use_costs_what_enumeration_finds() -> None:
    """On tiny problems with limited use, trying every choice of ticks finds nothing cheaper."""
    rng = random.Random("enumeration of limited use")
    for _ in range(150):
        case = with_limits(rng, random_case(rng, most_ticks=8))
        ours, _solution = optimum_of(problem_of(case), case)
        theirs = cheapest_by_enumeration(case)
        assert ours.short_kwh == pytest.approx(theirs.short_kwh, abs=1e-6), case
        assert ours.money == pytest.approx(theirs.money, abs=1e-6), case


def simple(rates: list[float], ticks_wanted: float, **rules: float) -> Case:
    """Return a case of 1 kWh ticks whose want is its need."""
    fields = {"start_cost": 0.0, "min_run": 1, "min_rest": 0} | rules
    return Case(
        rates=tuple(rates), tick_kwh=1.0, need_kwh=ticks_wanted, want_kwh=ticks_wanted,
        max_rate=0.0, **fields,  # type: ignore[arg-type]  # the table below mixes ints and floats
    )  # fmt: skip


def chosen(case: Case, *, prefer_late: bool = False) -> str:
    on = solve(problem_of(case, prefer_late=prefer_late)).on
    return "".join("#" if tick else "." for tick in on)


@pytest.mark.parametrize(
    ("rates", "wanted", "rules", "early", "late"),
    [
        pytest.param([5, 1, 1, 1, 5], 2, {}, ".##..", "..##.", id="equal ticks"),
        pytest.param([1, 5, 1, 5, 1], 2, {}, "#.#..", "..#.#", id="equal single ticks"),
        pytest.param([1, 2, 1, 2, 2], 2, {"start_cost": 1.5}, "##...", "..##.", id="start cost"),
        pytest.param([1, 2, 1, 1, 2], 2, {"start_cost": 0.1}, "..##.", "..##.", id="fewer starts"),
        pytest.param([1, 9, 9, 2, 2, 9], 2, {"min_run": 2}, "...##.", "...##.", id="min run"),
        pytest.param([1, 9, 1, 9, 3], 2, {"min_rest": 2}, "#...#", "#...#", id="min rest"),
        pytest.param([9, 9, 1], 1, {"min_run": 3}, "..#", "..#", id="run longer than need"),
        pytest.param([1, 1, 1, 1], 0, {}, "....", "....", id="nothing wanted"),
        pytest.param([1, 2, 3], 9, {}, "###", "###", id="more than there is time for"),
        pytest.param(
            [3, 3, 1], 1, {"min_run": 2, "on_before": 1, "ticks_before": 1}, "#..", "#..",
            id="run in progress too short to stop",
        ),
        pytest.param(
            [2, 1, 1], 1, {"min_rest": 3, "ticks_before": 1}, "..#", "..#",
            id="rest in progress too short to start",
        ),
        pytest.param(
            [1.5, 1, 9], 1, {"start_cost": 1, "on_before": 1}, "#..", "#..",
            id="going on needs no start",
        ),
    ],
)  # fmt: skip
def test_rules_and_ties(
    rates: list[float], wanted: float, rules: dict[str, float], early: str, late: str
) -> None:
    """Each rule shapes the plan as stated, and ties go to fewer starts, then early or late."""
    case = simple(rates, wanted, **rules)
    assert chosen(case) == early
    assert chosen(case, prefer_late=True) == late


def test_want_is_bought_at_just_max_rate() -> None:
    """Energy up to the want is bought at `max_rate` or less, and not above it."""
    case = Case((0.3, 0.2, 0.1, 0.2001), 1.0, 1.0, 4.0, 0.2, 0.0, 1, 0)
    assert chosen(case) == ".##."


def test_negative_rates_never_charge_past_the_want() -> None:
    """The battery is never charged above the want, however well that would pay."""
    case = Case((-1.0,) * 6, 1.0, 0.0, 2.5, 0.0, 0.0, 1, 0)
    assert solve(problem_of(case)).metered_kwh.sum() == pytest.approx(2.5)


def test_the_last_tick_is_cut_where_the_target_is_reached() -> None:
    """All ticks are whole except the last in time."""
    solution = solve(problem_of(simple([3, 1, 2, 1], 1.25)))
    assert solution.share.tolist() == [0.0, 1.0, 0.0, 0.25]


prices = st.lists(st.integers(-50, 400).map(lambda mills: mills / 1000), min_size=1, max_size=40)
cases = st.builds(
    lambda rates, need, extra, max_rate, start_cost, min_run, min_rest, on, before: Case(
        tuple(rates), 0.6, need * len(rates) * 0.6, (need + extra) * len(rates) * 0.6,
        max_rate, start_cost, min_run, min_rest, on, before,
    ),
    prices, st.floats(0, 1.2), st.floats(0, 0.5), st.sampled_from([0.0, 0.1, 0.3]),
    st.sampled_from([0.0, 0.01, 0.1]), st.integers(1, 5), st.integers(0, 4), st.booleans(),
    st.integers(1, 6),
)  # fmt: skip


def runs_of(on: list[bool]) -> list[tuple[bool, int, int]]:
    """List (on, first tick, length) of each stretch."""
    found: list[tuple[bool, int, int]] = []
    for i, state in enumerate(on):
        if found and found[-1][0] == state:
            found[-1] = (state, found[-1][1], found[-1][2] + 1)
        else:
            found.append((state, i, 1))
    return found


@given(cases)
def test_never_above_the_want_nor_short_without_cause(case: Case) -> None:
    """The energy is at most the want, and below the need only if every allowed tick is used."""
    solution = solve(problem_of(case))
    total = float(solution.metered_kwh.sum())
    assert total <= case.want_kwh + 1e-9
    if total < case.need_kwh - 1e-9:
        rest = 0 if case.on_before else max(0, case.min_rest - case.ticks_before)
        assert solution.on.sum() == max(0, len(case.rates) - rest)


@given(cases)
def test_runs_and_rests_last_as_long_as_they_must(case: Case) -> None:
    """Between the first and the last tick no run and no rest is too short."""
    stretches = runs_of(solve(problem_of(case)).on.tolist())
    targets = case.want_kwh, case.need_kwh
    whole_need = [math.ceil(kwh / case.tick_kwh - 1e-9) for kwh in targets if kwh > 1e-9]
    shortest_run = min([case.min_run, *whole_need]) if whole_need else 1
    for on, first, length in stretches[:-1]:
        if first > 0:
            assert length >= (shortest_run if on else case.min_rest)


@given(cases, st.floats(0.01, 0.5))
def test_adding_to_every_rate_adds_to_the_cost(case: Case, more: float) -> None:
    """With a fixed energy, raising all rates by c raises the least cost by c x energy."""
    fixed = Case(**{**vars(case), "want_kwh": case.need_kwh})
    raised = Case(**{**vars(fixed), "rates": tuple(rate + more for rate in case.rates)})
    before, after = solve(problem_of(fixed)), solve(problem_of(raised))
    costs = [each.cost + case.start_cost * each.starts for each in (before, after)]
    energy = float(before.metered_kwh.sum())
    assert costs[1] == pytest.approx(costs[0] + more * energy, abs=1e-6)


@given(cases, st.floats(0.5, 20))
def test_scaling_money_scales_the_cost(case: Case, factor: float) -> None:
    """Another currency changes the figures, not the optimum."""
    scaled = Case(
        **{
            **vars(case),
            "rates": tuple(rate * factor for rate in case.rates),
            "max_rate": case.max_rate * factor,
            "start_cost": case.start_cost * factor,
        }
    )
    before, _ = optimum_of(problem_of(case), case)
    after, _ = optimum_of(problem_of(scaled), scaled)
    assert after.money == pytest.approx(before.money * factor, abs=1e-6 * max(1, factor))


@given(cases, prices)
def test_a_wider_window_never_costs_more(case: Case, later: list[float]) -> None:
    """More hours to choose from never make a need that can be met dearer."""
    fixed = Case(**{**vars(case), "want_kwh": case.need_kwh})
    wider = Case(**{**vars(fixed), "rates": fixed.rates + tuple(later)})
    before, _ = optimum_of(problem_of(fixed), fixed)
    after, _ = optimum_of(problem_of(wider), wider)
    if before.short_kwh < 1e-9:
        # A run that the window's end cut short may have to be whole in a wider one.
        whole = Case(**{**vars(fixed), "min_run": 1, "min_rest": 0})
        loose = Case(**{**vars(wider), "min_run": 1, "min_rest": 0})
        loose_before, _ = optimum_of(problem_of(whole), whole)
        loose_after, _ = optimum_of(problem_of(loose), loose)
        assert loose_after.money <= loose_before.money + 1e-6
    assert after.short_kwh <= before.short_kwh + 1e-9


def test_a_start_that_saves_less_than_a_tie_is_not_made() -> None:
    """Two runs must be cheaper by more than the tie to be preferred to one."""
    rates = [1.0, 1.0 + TIE / 2, 1.0]
    assert chosen(simple(rates, 2)) == "##."
    assert chosen(simple([1.0, 1.0 + 3 * TIE, 1.0], 2)) == "#.#"


def test_without_a_tick_nothing_is_planned() -> None:
    """A departure that is too near leaves an empty plan, not an error."""
    nothing = np.array([])
    solution = solve(
        PlanningProblem(nothing, nothing, 0.5, MODEL, 10.0, (Deadline(0, 20.0, 20.0),))
    )
    assert solution.on.shape == (0,)
    assert solution.cost == 0
