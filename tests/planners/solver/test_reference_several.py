"""The reference for several departures, against enumeration and obvious answers."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest

from planners.power.charging import ChargeModel
from planners.solver.problem import Deadline, PlanningProblem, SwitchingState
from tests.planners.solver.enumerate_several import cheapest_by_enumeration
from tests.planners.solver.random_several import Kind, random_problem
from tests.planners.solver.reference import Case, cheapest_by_highs
from tests.planners.solver.reference_several import cheapest

PLAIN = ChargeModel(amps=10.0, phases=1, volts=200.0, usable_kwh=50.0, efficiency=0.5)
"""A half-hour tick meters 1 kWh at 10 A, and the battery gains 0.5 kWh."""


def problem(
    rates: list[float],
    *deadlines: Deadline,
    min_amps: float | None = None,
    stored_kwh: float = 0.0,
    min_run: int = 1,
    min_rest: int = 0,
    start_cost: float = 0.0,
    before: SwitchingState = SwitchingState(on=False, ticks=1000),  # noqa: B008 - frozen
) -> PlanningProblem:
    """Return a problem of half-hour ticks of 1 kWh, 0.5 kWh of it gained."""
    return PlanningProblem(
        rates_per_kwh=np.array(rates),
        highest_amps=np.full(len(rates), PLAIN.amps),
        tick_hours=0.5,
        model=PLAIN,
        stored_kwh=stored_kwh,
        deadlines=deadlines,
        min_amps=min_amps,
        start_cost=start_cost,
        min_run=min_run,
        min_rest=min_rest,
        before=before,
    )


@pytest.mark.parametrize("seed", [*range(80), 523])
def test_on_off_agrees_with_trying_every_choice(seed: int) -> None:
    """Shortages and money are those of the best of all choices of ticks and last shares."""
    drawn = random_problem(random.Random(seed), kind="on_off", ticks=(3, 6), departures=(1, 3))
    ours, best = cheapest(drawn), cheapest_by_enumeration(drawn)
    assert ours.short_kwh == pytest.approx(best.short_kwh, abs=1e-6)
    assert ours.money == pytest.approx(best.money, abs=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_a_current_that_cannot_vary_is_on_off(seed: int) -> None:
    """Where the lowest current is also the highest, both ways of switching cost the same."""
    drawn = random_problem(random.Random(seed), kind="on_off", ticks=(6, 20))
    drawn = replace(drawn, min_run=1)  # a tick cut short counts for a run with on/off alone
    amps = drawn.model.amps
    level = replace(drawn, highest_amps=np.where(drawn.highest_amps < amps, 0.0, amps))
    fixed, free = cheapest(level), cheapest(replace(level, min_amps=amps))
    assert free.short_kwh == pytest.approx(fixed.short_kwh, abs=1e-6)
    assert free.money == pytest.approx(fixed.money, abs=1e-6)


@pytest.mark.parametrize("seed", range(40))
def test_what_a_plan_meters_is_what_the_first_shortage_says(seed: int) -> None:
    """The metered energy, priced tick by tick, gives the first shortage (no standby)."""
    drawn = random_problem(random.Random(seed), kind="current", ticks=(6, 20))
    drawn = replace(drawn, model=replace(drawn.model, standby_kw=0.0))
    found, first = cheapest(drawn), drawn.deadlines[0]
    gained = drawn.model.efficiency * sum(found.metered_kwh[: first.end])
    short = max(0.0, first.need_kwh - drawn.stored_kwh - gained)
    assert found.short_kwh[0] == pytest.approx(short, abs=1e-6)


@pytest.mark.parametrize("seed", range(20))
def test_one_departure_agrees_with_the_older_reference(seed: int) -> None:
    """One departure is the problem that `reference` states."""
    rng = random.Random(seed)
    need, extra = rng.choice((0.0, rng.uniform(0, 7), 3.0)), rng.choice((0.0, rng.uniform(0, 4)))
    before = SwitchingState(on=rng.random() < 0.5, ticks=rng.randint(0, 4))
    several = problem(
        [rng.choice((0.1, 0.3, rng.uniform(-0.1, 0.4))) for _ in range(10)],
        Deadline(10, need / 2, (need + extra) / 2, max_rate_per_kwh=0.25),
        min_run=rng.randint(1, 4),
        min_rest=rng.randint(0, 3),
        start_cost=0.03,
        before=before,
    )
    case = Case(
        rates=tuple(map(float, several.rates_per_kwh)),
        tick_kwh=1.0,
        need_kwh=need,
        want_kwh=need + extra,
        max_rate=0.25,
        start_cost=0.03,
        min_run=several.min_run,
        min_rest=several.min_rest,
        on_before=before.on,
        ticks_before=before.ticks,
    )
    older, ours = cheapest_by_highs(case), cheapest(several)
    assert ours.short_kwh[0] == pytest.approx(older.short_kwh / 2, abs=1e-6)
    assert ours.money == pytest.approx(older.money, abs=1e-6)


@pytest.mark.parametrize("min_amps", [None, 6.0])
def test_a_cheap_evening_serves_the_next_departure(min_amps: float | None) -> None:
    """Ticks 0 and 1 at 0.10 serve both trips of 0.5 kWh, though tick 4 at 0.50 could: 0.20."""
    first = Deadline(2, 0.5, 1.0, 0.0, 3, 0.5)
    found = cheapest(
        problem([0.1, 0.1, 9, 9, 0.5], first, Deadline(5, 0.5, 0.5), min_amps=min_amps)
    )
    assert found.short_kwh == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.money == pytest.approx(0.2)


def test_no_more_than_the_want_is_carried_over() -> None:
    """With a want of 0.5 kWh at the first departure the second's 0.5 kWh are bought at 0.50."""
    first = Deadline(2, 0.5, 0.5, 0.0, 3, 0.5)
    found = cheapest(problem([0.1, 0.1, 9, 9, 0.5], first, Deadline(5, 0.5, 0.5)))
    assert found.money == pytest.approx(0.6)


def test_the_first_shortage_comes_first() -> None:
    """1.0 kWh needed in one tick of 0.5: short by 0.5; the trip takes the rest: short again."""
    first = Deadline(1, 1.0, 1.0, 0.0, 2, 0.8)
    found = cheapest(problem([0.3, 9, 0.1], first, Deadline(3, 0.7, 0.7)))
    assert found.short_kwh == pytest.approx((0.5, 0.2), abs=1e-6)
    assert found.money == pytest.approx(0.4, abs=1e-6)


def test_a_trip_takes_no_more_than_is_there() -> None:
    """After a trip of 9 kWh the battery holds 0, not less: one tick meets a need of 0.5 kWh."""
    first = Deadline(1, 0.0, 0.0, 0.0, 2, 9.0)
    found = cheapest(problem([0.3, 9, 0.1], first, Deadline(3, 0.5, 0.5), stored_kwh=2.0))
    assert found.short_kwh == pytest.approx((0.0, 0.0), abs=1e-9)
    assert found.money == pytest.approx(0.1)


def test_what_came_home_is_not_bought_again() -> None:
    """1.5 kWh come home above the need of 1: only what is bought there counts at max_rate.

    Of the 0.5 kWh up to the want, 1 kWh is metered at 0.10 and worth 0.30.
    """
    first = Deadline(1, 0.0, 0.0, 0.0, 2, 0.5)
    second = Deadline(3, 1.0, 2.0, 0.3)
    found = cheapest(problem([9, 9, 0.1], first, second, stored_kwh=2.0))
    assert found.money == pytest.approx(0.1 - 0.3)


def test_a_departure_begins_a_rest() -> None:
    """With a rest of 3 ticks from tick 1 on, tick 2 is home but tick 4 the first to charge."""
    first = Deadline(1, 0.0, 0.0, 0.0, 2, 0.0)
    found = cheapest(problem([9, 9, 0.1, 0.1, 0.4], first, Deadline(5, 0.5, 0.5), min_rest=3))
    assert found.money == pytest.approx(0.4)


def test_the_last_tick_of_each_segment_is_cut() -> None:
    """Needs of 1.5 ticks: in each segment one whole tick at 0.1 and, later, half a one at 0.2."""
    first = Deadline(2, 0.75, 0.75, 0.0, 3, 0.75)
    found = cheapest(problem([0.1, 0.2, 9, 0.1, 0.2], first, Deadline(5, 0.75, 0.75)))
    assert found.money == pytest.approx(2 * (0.1 + 0.5 * 0.2))
    assert found.metered_kwh == pytest.approx((1.0, 0.5, 0.0, 1.0, 0.5), abs=1e-6)


def test_an_earlier_tick_is_not_cut() -> None:
    """Falling rates: 1.5 ticks are a whole one at 0.3 and the last, at 0.1, cut to a half."""
    found = cheapest(problem([0.3, 0.1], Deadline(2, 0.75, 0.75)))
    assert found.money == pytest.approx(0.3 + 0.5 * 0.1)


def test_a_set_current_may_be_low_where_it_is_dear() -> None:
    """Falling rates, 1.6 ticks, 6 to 10 A: 0.6 of the first tick at 0.3 and all of the last."""
    found = cheapest(problem([0.3, 0.1], Deadline(2, 0.8, 0.8), min_amps=6.0))
    assert found.money == pytest.approx(0.6 * 0.3 + 0.1)


def test_a_set_current_below_its_least_is_a_cut_tick() -> None:
    """1.3 ticks at falling rates: 0.6 in the first, 0.7 in the last; at rising, 1 and 0.3 cut."""
    falling = cheapest(problem([0.3, 0.1], Deadline(2, 0.65, 0.65), min_amps=6.0))
    rising = cheapest(problem([0.1, 0.3], Deadline(2, 0.65, 0.65), min_amps=6.0))
    assert falling.money == pytest.approx(0.6 * 0.3 + 0.7 * 0.1)
    assert rising.money == pytest.approx(0.1 + 0.3 * 0.3)


@pytest.mark.parametrize("kind", ["on_off", "current"])
def test_standby_is_lost_while_on(kind: Kind) -> None:
    """0.2 kW for half an hour takes 0.1 of 0.5 kWh: a need of 0.4 kWh is one tick at 0.2."""
    plain = problem([0.2, 0.3], Deadline(2, 0.4, 0.4), min_amps=6.0 if kind == "current" else None)
    found = cheapest(replace(plain, model=replace(PLAIN, standby_kw=0.2)))
    assert found.money == pytest.approx(0.2)


def test_a_whole_charge_may_be_shorter_than_a_run() -> None:
    """A run has 3 ticks, but one tick is all that is needed: the cheapest, at 0.1."""
    found = cheapest(problem([0.3, 0.1, 0.3, 0.3], Deadline(4, 0.5, 0.5), min_run=3))
    assert found.money == pytest.approx(0.1)


def test_a_run_lasts() -> None:
    """4 ticks needed and a run of 2 at least: the dear tick between 0.1 and 0.1 is bought."""
    rates = [0.1, 0.1, 0.9, 0.1, 0.9, 0.9]
    found = cheapest(problem(rates, Deadline(6, 2.0, 2.0), min_run=2))
    assert found.money == pytest.approx(0.1 + 0.1 + 0.9 + 0.1)


def test_a_run_in_progress_continues() -> None:
    """2 of 4 ticks have passed: all three are bought dear, since the last alone is no run."""
    rates = [0.5, 0.5, 0.9, 0.9, 0.1]
    going = SwitchingState(on=True, ticks=2)
    found = cheapest(problem(rates, Deadline(5, 1.5, 1.5), min_run=4, before=going))
    assert found.money == pytest.approx(0.5 + 0.5 + 0.9)


def test_a_run_in_progress_ends_where_it_cannot_charge() -> None:
    """Tick 0 can't charge: the run is over, and one tick at 0.1 with a new start follows."""
    going = SwitchingState(on=True, ticks=1)
    plain = problem([0, 0.4, 0.1], Deadline(3, 0.5, 0.5), min_run=3, start_cost=0.05, before=going)
    found = cheapest(replace(plain, highest_amps=np.array([0.0, 10.0, 10.0])))
    assert found.money == pytest.approx(0.1 + 0.05)
