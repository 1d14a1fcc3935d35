"""Laws of the planning problem that every plan of the exact planner must obey."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from numpy.typing import NDArray

from planners.power.charging import ChargeModel
from planners.solver.exact import solve
from planners.solver.problem import LONG_AT_REST, Deadline, PlanningProblem, SwitchingState
from planners.solver.solution import Solution, objective
from tests.planners.solver.claims import slack_kwh, slack_money
from tests.planners.solver.problems import AMPS, mills, problems
from tests.planners.solver.statement import (
    Carried,
    can_charge,
    carry_out,
    faults_of,
    runs_of,
    spans_of,
    tick_kwh,
)

SAME = 1e-6


def carried_of(problem: PlanningProblem, solution: Solution) -> Carried:
    return carry_out(problem, solution.amps.tolist(), solution.share.tolist())


def best_of(problem: PlanningProblem) -> tuple[list[float], float]:
    """Return the shortages and the money of the planner's plan."""
    carried = carried_of(problem, solve(problem))
    return carried.short_kwh(problem), carried.money


def needs_met(problem: PlanningProblem) -> bool:
    return max(best_of(problem)[0]) < SAME


def no_worse(
    problem: PlanningProblem, short: list[float], money: float, than: tuple[list[float], float]
) -> bool:
    """Compare shortages in order of time, then money, allowing for what the planner may miss."""
    for ours, theirs in zip(short, than[0], strict=True):
        if abs(ours - theirs) > SAME:
            return ours <= theirs + slack_kwh(problem, SAME)
    return money <= than[1] + slack_money(problem, money, SAME)


# --- the statement -------------------------------------------------------------------------------


@given(problems(power="any"))
def test_every_plan_keeps_to_the_statement(problem: PlanningProblem) -> None:
    """Currents, cuts, wants, runs and rests are as the statement allows."""
    solution = solve(problem)
    assert faults_of(problem, solution.amps.tolist(), solution.share.tolist()) == []


@given(problems(power="any", ticks=(4, 12)), st.integers(0, 3), st.integers(0, 4))
def test_a_run_cut_off_where_nothing_can_charge_keeps_to_the_statement(
    problem: PlanningProblem, ran: int, blocked: int
) -> None:
    """A run in progress, too short to end, that meets a tick without current lasts until there."""
    highest = np.where(np.arange(problem.ticks) < blocked, AMPS, problem.highest_amps)
    highest[min(blocked, problem.ticks - 1)] = 0.0
    before = SwitchingState(on=True, ticks=ran)
    problem = replace(problem, highest_amps=highest, min_run=ran + 5, before=before)
    solution = solve(problem)
    assert faults_of(problem, solution.amps.tolist(), solution.share.tolist()) == []


@given(problems(power="any"))
def test_energy_and_money_recompute(problem: PlanningProblem) -> None:
    """Energies, cost, starts and objective are those found by carrying the plan out."""
    solution = solve(problem)
    carried = carried_of(problem, solution)
    assert solution.metered_kwh.tolist() == pytest.approx(carried.metered_kwh, abs=1e-9)
    assert solution.reaches_kwh == pytest.approx(tuple(carried.reached_kwh), abs=1e-9)
    assert solution.cost == pytest.approx(carried.cost, abs=1e-9)
    assert solution.starts == carried.starts
    assert objective(problem, solution) == pytest.approx(carried.money, abs=1e-5)


# --- neighbours ----------------------------------------------------------------------------------


def refitted(
    problem: PlanningProblem, amps: NDArray[np.float64], reached_kwh: list[float]
) -> list[float]:
    """Return whole shares; the last before each departure is cut at the energy reached."""
    share = [float(current > 0) for current in amps]
    stored = problem.stored_kwh
    for span, deadline, reached in zip(
        spans_of(problem), problem.deadlines, reached_kwh, strict=True
    ):
        on = [tick for tick in span if amps[tick] > 0]
        for tick in on:
            gained = tick_kwh(problem, stored, amps[tick])[1]
            if tick == on[-1] and gained > reached - stored > 0:
                share[tick] = (reached - stored) / gained
            stored += gained * share[tick]
        stored = max(0.0, stored - deadline.trip_kwh)
    return share


def neighbours(
    problem: PlanningProblem, amps: NDArray[np.float64]
) -> Iterator[NDArray[np.float64]]:
    """Move one tick's charge elsewhere, swap two ticks, shift a run by one, shift some current."""
    highest = problem.highest_amps
    usable = [tick for span in spans_of(problem) for tick in span if can_charge(problem, tick)]
    for i in usable:
        for j in usable:
            other = amps.copy()
            if amps[i] != amps[j] and i < j:
                other[[i, j]] = other[[j, i]]
                yield _allowed(problem, other)
            if problem.min_amps is not None and amps[i] > 0 and amps[j] > 0 and i != j:
                step = min(1.0, amps[i] - problem.min_amps, highest[j] - amps[j])
                yield amps + step * (np.arange(len(amps)) == j) - step * (np.arange(len(amps)) == i)
    for run in runs_of(np.flatnonzero(amps).tolist()):
        for to in (run.start - 1, run.start + 1):
            moved = range(to, to + len(run))
            if to >= 0 and moved.stop <= len(amps):
                other = amps.copy()
                other[run.start : run.stop] = 0
                other[moved.start : moved.stop] = amps[run.start : run.stop]
                yield _allowed(problem, other)


def _allowed(problem: PlanningProblem, amps: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the nearest currents that the ticks allow."""
    highest = problem.highest_amps
    currents = highest if problem.min_amps is None else np.minimum(amps, highest)
    return np.where(amps > 0, currents, 0.0)


@given(problems(power="any", ticks=(2, 12)))
def test_no_neighbour_is_better(problem: PlanningProblem) -> None:
    """No allowed plan that differs a little is nearer the needs, or cheaper."""
    solution = solve(problem)
    carried = carried_of(problem, solution)
    for amps in neighbours(problem, solution.amps):
        share = refitted(problem, amps, carried.reached_kwh)
        if not faults_of(problem, amps.tolist(), share):
            other = carry_out(problem, amps.tolist(), share)
            than = other.short_kwh(problem), other.money
            assert no_worse(problem, carried.short_kwh(problem), carried.money, than), amps


# --- needs, rates, limits ------------------------------------------------------------------------


@given(problems(), st.integers(0, 2))
def test_needing_all_that_is_wanted_never_costs_less(problem: PlanningProblem, which: int) -> None:
    """A need raised to the want leaves fewer plans, if energy past it has no worth."""
    k = which % len(problem.deadlines)
    deadlines = [replace(deadline, max_rate_per_kwh=0.0) for deadline in problem.deadlines]
    plain = replace(problem, deadlines=tuple(deadlines))
    deadlines[k] = replace(deadlines[k], need_kwh=deadlines[k].want_kwh)
    raised = replace(problem, deadlines=tuple(deadlines))
    assume(needs_met(raised))
    assert best_of(plain)[1] <= best_of(raised)[1] + SAME


@given(problems(departures=(1, 1)), st.floats(0, 20))
def test_needing_more_never_costs_less(problem: PlanningProblem, more_kwh: float) -> None:
    """At rates of 0 or more, and with runs of any length, more energy is never cheaper."""
    need = problem.deadlines[0].need_kwh
    rates = np.abs(problem.rates_per_kwh)
    problem = replace(problem, rates_per_kwh=rates, min_run=1)
    costs = []
    for kwh in (need, need + more_kwh):
        hard = replace(problem.deadlines[0], need_kwh=kwh, want_kwh=kwh, max_rate_per_kwh=0.0)
        costs.append(replace(problem, deadlines=(hard,)))
    assume(needs_met(costs[1]))
    assert best_of(costs[0])[1] <= best_of(costs[1])[1] + SAME


@given(problems(), st.data(), st.floats(0, 0.5))
def test_a_dearer_tick_never_makes_a_plan_cheaper(
    problem: PlanningProblem, data: st.DataObject, more: float
) -> None:
    """Raising one rate never lowers the least money, nor changes the energy that is possible."""
    tick = data.draw(st.integers(0, problem.ticks - 1))
    rates = problem.rates_per_kwh.copy()
    rates[tick] += more
    before, after = best_of(problem), best_of(replace(problem, rates_per_kwh=rates))
    assert after[0] == pytest.approx(before[0], abs=SAME)
    assert before[1] <= after[1] + SAME


@given(problems(), st.data())
def test_more_current_never_makes_a_plan_dearer(
    problem: PlanningProblem, data: st.DataObject
) -> None:
    """If needs are met, a higher current in one tick never makes the plan dearer."""
    tick = data.draw(st.integers(0, problem.ticks - 1))
    highest, lower = problem.highest_amps.copy(), problem.highest_amps.copy()
    highest[tick] = AMPS
    if problem.min_amps is None:
        lower[tick] = 0.0
    # At rest before: else a blocked tick may end a run.
    problem = replace(problem, before=LONG_AT_REST, highest_amps=lower)
    assume(needs_met(problem))
    assert best_of(replace(problem, highest_amps=highest))[1] <= best_of(problem)[1] + SAME


@given(problems(), st.lists(mills, min_size=1, max_size=6))
def test_a_later_end_never_makes_a_plan_dearer(
    problem: PlanningProblem, later: list[float]
) -> None:
    """If needs are met, more ticks before the last departure cost no more.

    Runs may have any length: one that the end cut short would have to be whole.
    """
    problem = replace(problem, min_run=1)
    assume(needs_met(problem))
    last = replace(problem.deadlines[-1], end=problem.ticks + len(later))
    wider = replace(
        problem,
        rates_per_kwh=np.concatenate([problem.rates_per_kwh, later]),
        highest_amps=np.concatenate([problem.highest_amps, np.full(len(later), AMPS)]),
        deadlines=(*problem.deadlines[:-1], last),
    )
    assert best_of(wider)[1] <= best_of(problem)[1] + SAME


# --- money ---------------------------------------------------------------------------------------


@given(problems(power="one_current", switchings=(None,), departures=(1, 1)), st.floats(-0.5, 0.5))
def test_adding_to_every_rate_adds_to_the_money(problem: PlanningProblem, more: float) -> None:
    """If exactly the need is bought, adding c to all rates adds c x energy to the least money."""
    hard = replace(
        problem.deadlines[0], want_kwh=problem.deadlines[0].need_kwh, max_rate_per_kwh=0.0
    )
    problem = replace(problem, deadlines=(hard,))
    solution = solve(problem)
    before = carried_of(problem, solution)
    assume(max(before.short_kwh(problem)) < SAME)
    raised = replace(problem, rates_per_kwh=problem.rates_per_kwh + more)
    raised_by = more * sum(before.metered_kwh)
    assert least_without_short_runs(raised) == pytest.approx(
        least_without_short_runs(problem) + raised_by, abs=SAME
    )


def least_without_short_runs(problem: PlanningProblem) -> float:
    """Return the planner's money, less what runs cost that are too short at a departure."""
    solution = solve(problem)
    return objective(problem, solution) - problem.short_run_cost * solution.short_runs


@given(problems(), st.floats(0.01, 100))
def test_another_currency_scales_the_money(problem: PlanningProblem, factor: float) -> None:
    """Rates, maximum rates and start cost in another currency: the same optimum in that."""
    deadlines = tuple(
        replace(deadline, max_rate_per_kwh=deadline.max_rate_per_kwh * factor)
        for deadline in problem.deadlines
    )
    scaled = replace(
        problem,
        rates_per_kwh=problem.rates_per_kwh * factor,
        start_cost=problem.start_cost * factor,
        deadlines=deadlines,
    )
    before, after = best_of(problem), best_of(scaled)
    assert after[0] == pytest.approx(before[0], abs=SAME)
    assert after[1] == pytest.approx(before[1] * factor, abs=SAME * max(1, factor))


# --- time ----------------------------------------------------------------------------------------


@given(problems(), st.integers(1, 8))
def test_time_in_which_nothing_can_charge_changes_nothing(
    problem: PlanningProblem, ticks: int
) -> None:
    """Ticks without any allowed current before the first one only shift the plan."""
    problem = replace(problem, before=LONG_AT_REST)
    front = np.zeros(ticks)
    shifted = replace(
        problem,
        rates_per_kwh=np.concatenate([front, problem.rates_per_kwh]),
        highest_amps=np.concatenate([front, problem.highest_amps]),
        deadlines=tuple(
            replace(deadline, end=deadline.end + ticks, return_tick=deadline.return_tick + ticks)
            for deadline in problem.deadlines
        ),
    )
    before, after = solve(problem), solve(shifted)
    assert not after.on[:ticks].any()
    assert objective(shifted, after) == pytest.approx(objective(problem, before), abs=SAME)
    assert after.reaches_kwh == pytest.approx(before.reaches_kwh, abs=SAME)


@given(problems(power="any"))
def test_early_and_late_cost_the_same(problem: PlanningProblem) -> None:
    """The preference decides only among plans with equal shortages, money and starts."""
    early, late = (replace(problem, prefer_late=late) for late in (False, True))
    (short, money), other = best_of(early), best_of(late)
    assert no_worse(problem, short, money, other)
    assert no_worse(problem, *other, (short, money))
    assert solve(early).starts == solve(late).starts or power_varies(problem)


def power_varies(problem: PlanningProblem) -> bool:
    return slack_money(problem, 0.0, SAME) > SAME


def one_after_another(problem: PlanningProblem) -> Carried:
    """Plan for each departure as if it were the last, then carry all the plans out."""
    stored, begin, before = problem.stored_kwh, 0, problem.before
    amps, share = np.zeros(problem.ticks), np.zeros(problem.ticks)
    for deadline in problem.deadlines:
        span = slice(begin, deadline.end)
        alone = replace(
            problem,
            rates_per_kwh=problem.rates_per_kwh[span],
            highest_amps=problem.highest_amps[span],
            stored_kwh=stored,
            deadlines=(
                replace(deadline, end=deadline.end - begin, return_tick=deadline.end - begin),
            ),
            before=before,
        )
        solution = solve(alone)
        amps[span], share[span] = solution.amps, solution.share
        stored = max(0.0, carried_of(alone, solution).reached_kwh[0] - deadline.trip_kwh)
        before = SwitchingState(on=False, ticks=deadline.return_tick - deadline.end)
        begin = deadline.return_tick
    return carry_out(problem, amps.tolist(), share.tolist())


@given(problems(departures=(2, 3), ticks=(4, 20)))
def test_looking_ahead_never_costs_more(problem: PlanningProblem) -> None:
    """Several departures together are no worse than one after another."""
    short, money = best_of(problem)
    greedy = one_after_another(problem)
    assume(not any(0 < kwh < SAME for kwh in greedy.short_kwh(problem)))  # nothing but rounding
    assert no_worse(problem, short, money, (greedy.short_kwh(problem), greedy.money))


def test_a_surcharge_moves_the_charge() -> None:
    """Prices with surcharges are 0.30, 0.25 and 0.50: the second tick becomes the cheapest.

    It is bought although no `max_rate` would pay that: the last departure needs it.
    """
    problem = PlanningProblem(
        rates_per_kwh=np.array([0.10, 0.15, 0.50]),
        highest_amps=np.full(3, 10.0),
        tick_hours=1.0,
        model=ChargeModel(amps=10.0, phases=1, volts=100.0, usable_kwh=50.0, efficiency=1.0),
        stored_kwh=0.0,
        deadlines=(Deadline(2, 0.0, 1.0, 0.20, 2, 0.0), Deadline(3, 1.0, 1.0)),
    )
    free, surcharged = (
        solve(replace(problem, surcharges_per_kwh=each)) for each in (None, np.array([0.2, 0.1, 0]))
    )
    assert free.amps.tolist() == [10.0, 0.0, 0.0]
    assert surcharged.amps.tolist() == [0.0, 10.0, 0.0]
    assert surcharged.cost == pytest.approx(0.15)
