"""The exact planner with a surplus, against HiGHS, enumeration and sums by hand."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from planners.power.charging import ChargeModel
from planners.solver.exact import solve
from planners.solver.problem import LONG_AT_REST, Deadline, Floor, PlanningProblem, UseLimit
from planners.solver.solution import objective, paid_per_kwh
from tests.planners.solver.claims import is_exact, slack_kwh, slack_money
from tests.planners.solver.enumerate_currents import cheapest_on_grid
from tests.planners.solver.enumerate_several import cheapest_by_enumeration
from tests.planners.solver.random_several import Kind, random_problem
from tests.planners.solver.random_surplus import with_surplus
from tests.planners.solver.statement import Carried, carry_out, faults_of
from tests.planners.solver.test_exact_power import tapered
from tests.planners.solver.test_exact_several import highs_answers

PROBLEMS = int(os.environ.get("LULLWATT_PROBLEMS", "100"))
"""How many random problems of both kinds together; `make prove` asks for many more."""

BLOCK = 25


def drawn(kind: Kind, block: int) -> Iterator[PlanningProblem]:
    """Draw a block of problems, half of them with one departure."""
    rng = random.Random(f"surplus {kind} {block}")
    for number in range(BLOCK):
        departures = (1, 1) if number % 2 else (2, 4)
        yield with_surplus(rng, random_problem(rng, kind=kind, departures=departures))


@pytest.mark.parametrize("kind", ["on_off", "current"])
@pytest.mark.parametrize("block", range(PROBLEMS // 2 // BLOCK))
def test_costs_what_highs_finds(kind: Kind, block: int) -> None:
    """With a surplus the plan keeps the rules; where it is claimed to, it costs what HiGHS finds.

    A current that can be set may charge in other ticks, of two problems in a block at most, and at
    no more than the hundredth part of a tick's energy costs.
    """
    others = 0
    for number, problem in enumerate(drawn(kind, block)):
        solution = solve(problem)
        amps, share = solution.amps.tolist(), solution.share.tolist()
        carried = carry_out(problem, amps, share)
        assert faults_of(problem, amps, share) == [], number
        assert objective(problem, solution) == pytest.approx(carried.money, abs=1e-6), number
        if not is_exact(problem) or costs_what(problem, carried, 1e-5):
            continue
        others += 1
        tick_kwh = problem.model.full_kw * problem.tick_hours
        assert costs_what(problem, carried, 0.01 * tick_kwh * problem.dearest), number
    assert others <= (2 if kind == "current" else 0)


def costs_what(problem: PlanningProblem, carried: Carried, near: float) -> bool:
    """Whether one of HiGHS's answers costs and lacks as much as a plan, or more."""
    for best in highs_answers(problem):
        pairs = list(zip(carried.short_kwh(problem), best.short_kwh, strict=True))
        if any(ours > theirs + 1e-5 for ours, theirs in pairs):
            return False
        is_other = any(abs(ours - theirs) > 1e-5 for ours, theirs in pairs)
        if is_other or abs(carried.money - best.money) <= near:
            return True
        if carried.money > best.money:
            return False
    return False  # it costs less than all that HiGHS finds


@pytest.mark.parametrize("seed", range(20))
def test_on_off_costs_what_enumeration_finds(seed: int) -> None:
    """On tiny problems, trying every choice of ticks finds nothing cheaper."""
    rng = random.Random(f"tiny surplus {seed}")
    whole = random_problem(rng, kind="on_off", ticks=(3, 7), departures=(1, 2))
    problem = with_surplus(rng, whole)
    solution, best = solve(problem), cheapest_by_enumeration(problem)
    carried = carry_out(problem, solution.amps.tolist(), solution.share.tolist())
    short_kwh = carried.short_kwh(problem)
    assert short_kwh == pytest.approx(best.short_kwh, abs=slack_kwh(problem, 1e-6))
    if short_kwh == pytest.approx(best.short_kwh, abs=1e-6):
        slack = slack_money(problem, best.money, 1e-6)
        assert carried.money == pytest.approx(best.money, abs=slack)


@pytest.mark.parametrize("seed", range(12))
def test_what_must_be_held_by_some_tick_is_held_at_the_least_cost(seed: int) -> None:
    """Trying every choice that holds it finds nothing cheaper; without the floor nothing dearer."""
    rng = random.Random(f"floor {seed}")
    whole = random_problem(rng, kind="on_off", ticks=(5, 9), departures=(1, 1))
    (deadline,) = whole.deadlines
    need = replace(deadline, need_kwh=0.6 * deadline.want_kwh)
    stored_kwh = 0.3 * deadline.want_kwh
    whole = replace(whole, deadlines=(need,), stored_kwh=stored_kwh, min_run=1, before=LONG_AT_REST)
    free = with_surplus(rng, whole)
    first = solve(replace(whole, prefer_late=True))
    tick = int(np.flatnonzero(first.on).max(initial=0)) + 1
    held = Floor(tick, min(need.need_kwh, first.reaches_kwh[0]))
    problem = replace(free, floor=held)
    solution, best = solve(problem), cheapest_by_enumeration(problem)
    amps, share = solution.amps[:tick].tolist(), solution.share[:tick].tolist()
    kw_per_amp, gained_kw = problem.model.kw_per_amp, problem.model.gained_kw
    gained = [gained_kw(a * kw_per_amp) * s for a, s in zip(amps, share, strict=True)]
    level = 1e-3 * problem.model.full_kw * problem.tick_hours
    assert stored_kwh + problem.tick_hours * sum(gained) >= held.kwh - level
    cost = objective(problem, solution)
    assert cost <= best.money + slack_money(problem, best.money, 1e-6)
    assert cost >= objective(free, solve(free)) - 1e-6


@pytest.mark.parametrize("kind", ["on_off", "current"])
@pytest.mark.parametrize("seed", range(4))
def test_with_a_taper_it_is_nearly_exact(kind: Kind, seed: int) -> None:
    """With a surplus, a taper and standby no plan of a fine grid is a tick's energy cheaper."""
    rng = random.Random(f"tapered surplus {seed}")
    whole = random_problem(rng, kind=kind, ticks=(4, 5), departures=(1, 1))
    soc = 100 * whole.stored_kwh / whole.model.usable_kwh
    taper = ((soc, 100.0), (soc + 30, 40.0))
    whole = replace(whole, model=replace(whole.model, standby_kw=0.1, taper=taper))
    problem = with_surplus(rng, whole)
    solution, best = solve(problem), cheapest_on_grid(problem, 9 if kind == "current" else 1)
    amps, share = solution.amps.tolist(), solution.share.tolist()
    carried = carry_out(problem, amps, share)
    assert faults_of(problem, amps, share) == []
    if carried.short_kwh(problem) == pytest.approx(best.short_kwh, abs=1e-5):
        assert carried.money <= best.money + slack_money(problem, best.money, 1e-5)


# --- by hand -------------------------------------------------------------------------------------


def sunny(
    surplus_kw: list[float],
    need_kwh: float,
    want_kwh: float | None = None,
    *,
    export: float = 0.1,
    max_rate: float = 0.0,
    min_amps: float | None = 5.0,
) -> PlanningProblem:
    """Return hours at 0.30 from the grid, at 1 to 4 kW (5 to 20 A), without losses."""
    ticks = len(surplus_kw)
    want = need_kwh if want_kwh is None else want_kwh
    return PlanningProblem(
        rates_per_kwh=np.full(ticks, 0.3),
        highest_amps=np.full(ticks, 20.0),
        tick_hours=1.0,
        model=ChargeModel(amps=20.0, phases=1, volts=200.0, usable_kwh=50.0, efficiency=1.0),
        stored_kwh=0.0,
        deadlines=(Deadline(ticks, need_kwh, want, max_rate),),
        min_amps=min_amps,
        surplus_kw=np.array(surplus_kw),
        export_rates_per_kwh=np.full(ticks, export),
    )


def test_the_current_follows_the_surplus() -> None:
    """Each hour draws what is left over: 1.5 + 2.5 + 2 kWh at 0.10 of export forgone."""
    plan = solve(sunny([1.5, 2.5, 2.0], 6.0))
    assert plan.metered_kwh == pytest.approx([1.5, 2.5, 2.0])
    assert plan.roof_kwh == pytest.approx([1.5, 2.5, 2.0])
    assert plan.cost == pytest.approx(0.6)


def test_below_the_lowest_current_the_grid_helps() -> None:
    """Of 1 kW in the first hour 0.4 is from the roof: 0.04 + 0.18, and no more is drawn."""
    plan = solve(sunny([0.4, 2.0], 3.0))
    assert plan.metered_kwh == pytest.approx([1.0, 2.0])
    assert plan.roof_kwh.sum() == pytest.approx(2.4)
    assert plan.cost == pytest.approx(2.4 * 0.1 + 0.6 * 0.3)


def test_max_rate_buys_from_the_roof_and_not_from_the_grid() -> None:
    """At 0.20 at most, the surplus at 0.10 is wanted, and the rest at 0.30 is not."""
    plan = solve(sunny([3.0, 2.0], 0.0, 8.0, max_rate=0.2))
    assert plan.metered_kwh == pytest.approx([3.0, 2.0])
    assert solve(sunny([3.0, 2.0], 0.0, 8.0, max_rate=0.05)).metered_kwh.sum() == 0


def test_where_export_pays_more_the_surplus_is_left_to_it() -> None:
    """At 0.40 for export and 0.30 for import, the dark hour is charged, not the sunny one."""
    plan = solve(sunny([3.0, 0.0], 4.0, export=0.4))
    assert plan.metered_kwh == pytest.approx([0.0, 4.0])
    assert plan.roof_kwh.sum() == 0


def test_on_off_switching_takes_the_hours_with_the_most_sun() -> None:
    """It draws 4 kW or nothing: the hour in which 3 of them are from the roof costs 0.60."""
    plan = solve(sunny([1.0, 3.0, 2.0], 4.0, min_amps=None))
    assert plan.metered_kwh == pytest.approx([0.0, 4.0, 0.0])
    assert plan.cost == pytest.approx(3 * 0.1 + 0.3)


def test_a_tick_cut_short_uses_the_surplus_of_the_time_it_draws() -> None:
    """Half an hour at 4 kW beside 3 kW of sun: 1.5 kWh of it, and 0.5 from the grid."""
    plan = solve(sunny([3.0], 2.0, min_amps=None))
    assert plan.share == pytest.approx([0.5])
    assert plan.cost == pytest.approx(1.5 * 0.1 + 0.5 * 0.3)


def test_no_surplus_changes_nothing() -> None:
    """Where the roof gives nothing, the plan and its cost are those without a roof."""
    rng = random.Random("dark")
    for kind in ("on_off", "current"):
        problem = random_problem(rng, kind=kind)
        dark = replace(
            problem,
            surplus_kw=np.zeros(problem.ticks),
            export_rates_per_kwh=np.full(problem.ticks, 0.05),
        )
        plan, other = solve(problem), solve(dark)
        assert objective(dark, other) == pytest.approx(objective(problem, plan), abs=1e-6)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({"surplus_kw": None}, "expected both"),
        ({"surplus_kw": np.ones(2)}, "expected shape"),
        ({"surplus_kw": np.array([1.0, -1.0, 0.0])}, "from 0 kW"),
        ({"export_rates_per_kwh": np.array([0.1, np.nan, 0.1])}, "expected numbers"),
    ],
)
def test_a_surplus_that_makes_no_sense_is_refused(
    given: dict[str, np.ndarray[tuple[int], np.dtype[np.float64]] | None], message: str
) -> None:
    """Both arrays, of the ticks' number, and no power below 0."""
    with pytest.raises(ValueError, match=message):
        solve(replace(sunny([1.0, 2.0, 3.0], 2.0), **given))  # type: ignore[arg-type]


def test_a_part_of_the_ticks_has_their_surplus() -> None:
    """The second and third hour alone cost what they do in the whole."""
    whole = sunny([0.0, 1.5, 2.5], 4.0)
    night = replace(whole.deadlines[0], end=2)
    part = whole.during(1, 3, deadlines=(night,))
    assert part.surplus_kw is not None
    assert part.surplus_kw.tolist() == [1.5, 2.5]
    assert solve(part).cost == pytest.approx(solve(whole).cost)


def test_the_dearest_kwh_of_each_hour_says_what_was_paid() -> None:
    """From the roof alone 0.10, with the grid's help 0.30, and nothing drawn: the import rate."""
    problem = sunny([2.0, 0.4, 0.0], 3.0)
    plan = solve(problem)
    assert paid_per_kwh(problem, plan).tolist() == [0.1, 0.3, 0.3]


def with_limits(rng: random.Random, problem: PlanningProblem) -> PlanningProblem:
    """Limit the use of some stretches; no run is in progress that would have to stop."""
    limits, start = [], rng.randint(0, 3)
    while start < problem.ticks:
        end = min(problem.ticks, start + rng.randint(1, 6))
        limits.append(UseLimit(start, end, rng.choice((rng.uniform(0, 2), 1.0, 3.0))))
        start = end + rng.choice((0, 2))
    before = replace(problem.before, on=False)
    return replace(problem, use_limits=tuple(limits), before=before)


def test_limits_and_rules_hold_beside_a_surplus() -> None:
    """The best currents change no rule: of problems of all kinds, some with limits of use."""
    for number in range(80):
        rng = random.Random(f"limits and surplus {number}")
        problem = random_problem(rng, kind="current" if number % 4 else "on_off")
        if number % 2:
            problem = with_limits(rng, problem)
        problem = with_surplus(rng, tapered(rng, problem) if number % 3 == 0 else problem)
        solution = solve(problem)
        assert faults_of(problem, solution.amps.tolist(), solution.share.tolist()) == [], number
        for limit in problem.use_limits:
            assert solution.share[limit.start : limit.end].sum() <= limit.most_ticks + 1e-6
