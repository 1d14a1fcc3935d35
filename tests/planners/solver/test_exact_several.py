"""The exact planner with several departures, against HiGHS and enumeration."""

from __future__ import annotations

import os
import random
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest

from planners.power.charging import ChargeModel
from planners.solver.exact import solve
from planners.solver.problem import Deadline, PlanningProblem, SwitchingState
from planners.solver.solution import objective
from tests.planners.solver import reference_several
from tests.planners.solver.claims import slack_kwh, slack_money
from tests.planners.solver.enumerate_several import cheapest_by_enumeration
from tests.planners.solver.random_several import Kind, random_problem
from tests.planners.solver.reference_several import Optimum, cheapest
from tests.planners.solver.statement import Carried, carry_out, faults_of

PROBLEMS = int(os.environ.get("LULLWATT_PROBLEMS", "100"))
"""How many random problems of both kinds together; `make prove` asks for many more."""

BLOCK = 25


def highs_answers(problem: PlanningProblem) -> Iterator[Optimum]:
    """Ask HiGHS, and ask again if its answer is not exact enough."""
    # Where needs can't be met, HiGHS 1.16 now and then cuts off the optimum or finds no plan at
    # all: its presolve does, or the tolerance within which an earlier shortage is held.
    tolerances = reference_several.NEAR_KWH
    for presolve, near in (("choose", tolerances), ("off", tolerances), ("off", (1e-7, 1e-6))):
        model = reference_several.build(problem)
        model.solver.setOptionValue("presolve", presolve)
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(reference_several, "NEAR_KWH", near)
            try:
                yield reference_several.solve(model)
            except AssertionError:
                continue


def costs_what(problem: PlanningProblem, plan: Carried, best: Optimum) -> bool:
    """Compare with HiGHS's answer; False if ours is better, which speaks against HiGHS."""
    slack, near = slack_kwh(problem, 1e-5), 1e-5
    for ours, theirs in zip(plan.short_kwh(problem), best.short_kwh, strict=True):
        assert ours <= theirs + slack
        if abs(ours - theirs) > near:
            return ours >= theirs - slack
    assert plan.money <= best.money + slack_money(problem, best.money, near)
    return plan.money >= best.money - slack_money(problem, best.money, near)


@pytest.mark.parametrize("kind", ["on_off", "current"])
@pytest.mark.parametrize("block", range(PROBLEMS // 2 // BLOCK))
def test_costs_what_highs_finds(kind: Kind, block: int) -> None:
    """On random problems the plan keeps the rules, and costs what HiGHS finds, as claimed."""
    rng = random.Random(f"several departures {kind} {block}")
    for number in range(BLOCK):
        problem = random_problem(rng, kind=kind)
        solution = solve(problem)
        amps, share = solution.amps.tolist(), solution.share.tolist()
        carried = carry_out(problem, amps, share)
        assert faults_of(problem, amps, share) == [], number
        assert objective(problem, solution) == pytest.approx(carried.money, abs=1e-6), number
        answers = highs_answers(problem)
        assert any(costs_what(problem, carried, best) for best in answers), number


@pytest.mark.parametrize("block", range(max(1, PROBLEMS // 100)))
def test_a_run_that_must_last_in_minutes_costs_what_highs_finds(block: int) -> None:
    """Its last tick, if it is cut short, counts towards the shortest run from a part of it on."""
    rng = random.Random(f"least part {block}")
    for number in range(BLOCK // 5):
        drawn = random_problem(rng, kind="on_off")
        problem = replace(drawn, least_part=rng.choice((0.2, 0.5, 0.8, 1.0)))
        solution = solve(problem)
        amps, share = solution.amps.tolist(), solution.share.tolist()
        carried = carry_out(problem, amps, share)
        assert faults_of(problem, amps, share) == [], number
        assert objective(problem, solution) == pytest.approx(carried.money, abs=1e-6), number
        answers = highs_answers(problem)
        assert any(costs_what(problem, carried, best) for best in answers), number


@pytest.mark.parametrize(
    ("least_part", "share", "cost"),
    [
        (0.0, [0, 1, 1, 0, 1, 0.5, 0, 0], 0.6),
        (0.5, [0, 1, 1, 0, 1, 0.5, 0, 0], 0.6),
        (0.6, [0, 1, 1, 1, 0.5, 0, 0, 0], 0.9),
        (1.0, [0, 1, 1, 1, 0.5, 0, 0, 0], 0.9),
    ],
)
def test_a_run_is_longer_if_its_cut_tick_does_not_count(
    least_part: float, share: list[float], cost: float
) -> None:
    """Runs last two ticks; the second one's last is used by half, if that is enough."""
    problem = PlanningProblem(
        rates_per_kwh=np.array([0.9, 0.2, 0.1, 0.5, 0.2, 0.2, 0.9, 0.9]),
        highest_amps=np.full(8, 10.0),
        tick_hours=0.5,
        model=ChargeModel(amps=10.0, phases=1, volts=200.0, usable_kwh=50.0, efficiency=1.0),
        stored_kwh=0.0,
        deadlines=(Deadline(8, 3.5, 3.5),),
        min_run=2,
        least_part=least_part,
    )
    solution = solve(problem)
    assert solution.share.tolist() == pytest.approx(share)
    assert solution.cost == pytest.approx(cost) == cheapest(problem).money


def test_a_need_out_of_reach_is_met_as_nearly_as_a_run_that_is_held_back_allows() -> None:
    """Less in the second tick leaves room for all of the first departure's want, for the second.

    At the highest current there, the last tick before the first departure would pass the want.
    """
    rng = random.Random("several departures current 21")
    problem = [random_problem(rng, kind="current") for _ in range(6)][-1]
    solution = solve(problem)
    assert solution.reaches_kwh[0] == pytest.approx(problem.deadlines[0].want_kwh)
    best = cheapest(problem)
    assert best.short_kwh[1] > 8, "the second need is out of reach"
    assert problem.deadlines[1].need_kwh - solution.reaches_kwh[1] == pytest.approx(
        best.short_kwh[1], abs=1e-6
    )


def test_a_charge_too_short_for_a_run_ends_at_just_what_is_needed() -> None:
    """Beside it, it would be a run that is too short, at a cost that no plan should have."""
    rng = random.Random("several departures current 79")
    problem = [random_problem(rng, kind="current") for _ in range(7)][-1]
    solution = solve(problem)
    assert solution.on[16:].all(), "three ticks before the last departure; a run lasts five"
    assert solution.reaches_kwh[3] == pytest.approx(problem.deadlines[3].need_kwh)
    assert solution.short_runs == 0


def test_a_run_in_progress_continues_until_it_cannot() -> None:
    """It has lasted 1 of 4 ticks and tick 2 can't charge: ticks 0 and 1 are bought, though dear.

    To end it at tick 0 or 1 and start again at tick 4 would be cheaper; it is not allowed.
    """
    problem = PlanningProblem(
        rates_per_kwh=np.array([0.5, 0.5, 0.9, 0.9, 0.1]),
        highest_amps=np.array([10.0, 10.0, 0.0, 10.0, 10.0]),
        tick_hours=0.5,
        model=ChargeModel(amps=10.0, phases=1, volts=200.0, usable_kwh=50.0, efficiency=0.5),
        stored_kwh=0.0,
        deadlines=(Deadline(5, 1.0, 1.0),),
        min_run=4,
        before=SwitchingState(on=True, ticks=1),
    )
    assert solve(problem).on.tolist() == [True, True, False, False, False]
    assert cheapest(problem).money == pytest.approx(1.0)


def test_a_charge_that_ends_in_a_cut_tick_may_be_no_run() -> None:
    """Of 2 ticks the second, cut, counts not where currents can be set; it is all there is: 0.19.

    Both ticks whole would be at least 0.6 of each, and 0.7 of one: 0.25.
    """
    problem = PlanningProblem(
        rates_per_kwh=np.array([0.1, 0.3]),
        highest_amps=np.array([10.0, 10.0]),
        tick_hours=0.5,
        model=ChargeModel(amps=10.0, phases=1, volts=200.0, usable_kwh=50.0, efficiency=0.5),
        stored_kwh=0.0,
        deadlines=(Deadline(2, 0.65, 0.65),),
        min_amps=6.0,
        min_run=2,
    )
    assert objective(problem, solve(problem)) == pytest.approx(0.19)
    assert cheapest(problem).money == pytest.approx(0.19)


@pytest.mark.parametrize("seed", range(100))
def test_costs_what_enumeration_finds(seed: int) -> None:
    """On tiny problems, trying every choice of ticks finds nothing cheaper."""
    rng = random.Random(f"tiny {seed}")
    problem = random_problem(rng, kind="on_off", ticks=(3, 7), departures=(1, 3))
    solution, best = solve(problem), cheapest_by_enumeration(problem)
    carried = carry_out(problem, solution.amps.tolist(), solution.share.tolist())
    short_kwh = carried.short_kwh(problem)
    assert short_kwh == pytest.approx(best.short_kwh, abs=slack_kwh(problem, 1e-6))
    if short_kwh == pytest.approx(best.short_kwh, abs=1e-6):
        slack = slack_money(problem, best.money, 1e-6)
        assert carried.money == pytest.approx(best.money, abs=slack)


def test_a_need_is_met_for_which_less_has_to_be_charged_before() -> None:
    """If all possible energy came first, the last run could not begin without passing the want."""
    problem = PlanningProblem(
        rates_per_kwh=np.zeros(20),
        highest_amps=np.array([32.0] * 13 + [8.0, 0.0] + [32.0] * 5),
        tick_hours=0.5,
        model=ChargeModel(amps=32, phases=1, volts=230, usable_kwh=60, efficiency=1.0),
        stored_kwh=0.0,
        deadlines=(
            Deadline(end=1, need_kwh=7.36, want_kwh=7.36, return_tick=8),
            Deadline(end=20, need_kwh=23.46, want_kwh=23.46, return_tick=20),
        ),
        min_amps=6.0,
        min_run=2,
    )
    assert solve(problem).reaches_kwh == pytest.approx((3.68, 23.46))


def test_a_last_run_that_just_fits_below_the_want_is_not_lost_to_rounding() -> None:
    """Standby leaves only coarse levels, and full currents lead above them: too far for the run."""
    problem = PlanningProblem(
        rates_per_kwh=np.array([0.09, 0.09, 0.09, 0.09, 0.09, 0.23, 0.09, 0.09, 0.09, 0.09, 0.09]),
        highest_amps=np.array([8.0] * 4 + [25.6, 25.6, 32.0, 25.6] + [8.0] * 3),
        tick_hours=0.25,
        model=ChargeModel(32.0, 1, 230.0, usable_kwh=43.6, efficiency=0.93, standby_kw=0.1),
        stored_kwh=8.438,
        deadlines=(Deadline(end=11, need_kwh=13.7, want_kwh=13.7),),
        min_amps=6.0,
        start_cost=0.02,
        min_run=4,
        min_rest=1,
    )
    solution = solve(problem)
    assert faults_of(problem, solution.amps.tolist(), solution.share.tolist()) == []
    assert solution.reaches_kwh == pytest.approx((13.7,))


def test_a_need_out_of_reach_costs_no_later_one() -> None:
    """The first need is 0.49 kWh short, and the third no more than HiGHS finds: 0.08 kWh.

    The levels lie elsewhere for each set of needs. What they had promised for the first need was
    just above one of them as the third was looked at, which then lost all of its charge.
    """
    amps = [12.8] * 2 + [0] * 5 + [16] * 3 + [12.8] * 3 + [16] * 4 + [0, 16, 0] + [16] * 5 + [0]
    problem = PlanningProblem(
        rates_per_kwh=np.full(28, 0.1),
        highest_amps=np.array([*amps, 16.0, 16.0]),
        tick_hours=1 / 12,
        model=ChargeModel(
            amps=16.0, phases=1, volts=230.0, usable_kwh=24.737816109414446,
            efficiency=0.9760018444601248, standby_kw=0.1,
        ),
        stored_kwh=0.7949240972202832,
        deadlines=(
            Deadline(6, 1.7458433938066296, 2.0368172927744013, 2.0, 7, 0.6421576866333947),
            Deadline(9, 0.13141385549286916, 0.9935915861078717, 2.0, 10, 0.13141385549286916),
            Deadline(22, 3.381045016407072, 3.7532679120786754, 0.0, 27, 0.42771973272513086),
            Deadline(28, 0.0, 0.0675833045152676),
        ),
        min_run=5,
        before=SwitchingState(on=True, ticks=2),
    )  # fmt: skip
    solution = solve(problem)
    carried = carry_out(problem, solution.amps.tolist(), solution.share.tolist())
    best = min(highs_answers(problem), key=lambda each: each.short_kwh)
    assert carried.short_kwh(problem) == pytest.approx(best.short_kwh, abs=0.01)
    assert best.short_kwh[2] == pytest.approx(0.08, abs=0.01)


@pytest.mark.parametrize("more_kwh", [-0.1, 0.0, 0.5])
def test_a_first_need_that_takes_every_tick_is_met_whatever_the_currents(more_kwh: float) -> None:
    """Odd currents have no common levels; rounded to those that there are, much is missing."""
    amps = np.concatenate((np.random.default_rng(3).uniform(7.0, 11.0, 120), np.full(40, 16.0)))
    model = ChargeModel(16.0, 1, 230.0, 60.0, 0.9)
    most = 5.0 + float(amps[:120].sum()) * 0.23 * 0.9 / 12
    first = Deadline(120, most + more_kwh, most + more_kwh, return_tick=130, trip_kwh=10.0)
    most += min(0.0, more_kwh)
    problem = PlanningProblem(
        rates_per_kwh=np.concatenate((np.full(145, 0.3), np.full(15, 0.1))),
        highest_amps=amps,
        tick_hours=1 / 12,
        model=model,
        stored_kwh=5.0,
        deadlines=(first, Deadline(160, most - 8.0, most - 8.0)),
        min_amps=6.0,
    )
    solution = solve(problem)
    assert solution.reaches_kwh[0] == pytest.approx(most)
    assert solution.reaches_kwh[1] == pytest.approx(most - 8.0)
    assert solution.on[145:].sum() * 16.0 * 0.23 * 0.9 / 12 == pytest.approx(2.0, abs=0.28)
    assert not solution.on[120:145].any()


def test_a_tick_that_is_whole_but_for_rounding_is_not_cut() -> None:
    """Else the run before a departure would count as too short, and the plan as far too dear."""
    rng = random.Random("several departures current 16")
    problem = [random_problem(rng, kind="current") for _ in range(3)][-1]
    solution = solve(problem)
    assert 1 - 1e-9 < solution.share[14] < 1, "the last tick before its first departure"
    assert solution.short_runs == 0
    carried = carry_out(problem, solution.amps.tolist(), solution.share.tolist())
    assert objective(problem, solution) == pytest.approx(carried.money)
