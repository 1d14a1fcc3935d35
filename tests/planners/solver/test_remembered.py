"""What is remembered of a night is used for that night only, and spares the work on the others."""

from __future__ import annotations

import os
import random
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from planners.power.charging import ChargeModel
from planners.solver import filling
from planners.solver.cost_tables import remembered
from planners.solver.exact import solve
from planners.solver.problem import (
    Deadline,
    Floor,
    PlanningProblem,
    SwitchingState,
    UseLimit,
)
from tests.planners.solver.random_several import Kind, random_problem
from tests.planners.solver.random_surplus import with_surplus

if TYPE_CHECKING:
    from collections.abc import Iterator

    from planners.solver.cost_tables import CostTables

SEEDS = max(4, int(os.environ.get("LULLWATT_PROBLEMS", "100")) // 100)
"""How many random problems of each kind; `make prove` asks for more."""


def neighbours(problem: PlanningProblem) -> Iterator[PlanningProblem]:
    """Yield problems that differ from one in a single respect."""
    for k, one in enumerate(problem.deadlines):
        for other in (
            replace(one, need_kwh=one.need_kwh / 2),
            replace(one, want_kwh=one.want_kwh + 1),
            replace(one, max_rate_per_kwh=one.max_rate_per_kwh + 0.05),
            replace(one, trip_kwh=one.trip_kwh + 1),
        ):
            deadlines = (*problem.deadlines[:k], other, *problem.deadlines[k + 1 :])
            yield replace(problem, deadlines=deadlines)
    for row in ("rates_per_kwh", "highest_amps", "surplus_kw", "export_rates_per_kwh"):
        values = getattr(problem, row)
        if values is not None:
            changed: dict[str, Any] = {row: np.where(np.arange(len(values)) % 3, values, 7.0)}
            yield replace(problem, **changed)
    model = problem.model
    yield replace(problem, model=replace(model, standby_kw=0.2))
    yield replace(problem, model=replace(model, taper=((50.0, 100.0), (100.0, 20.0))))
    yield replace(problem, model=replace(model, efficiency=0.8))
    yield replace(problem, tick_hours=problem.tick_hours * 1.5)
    yield replace(problem, stored_kwh=problem.stored_kwh + 0.7)
    yield replace(problem, start_cost=problem.start_cost + 0.1)
    yield replace(problem, min_run=problem.min_run + 1)
    yield replace(problem, min_rest=problem.min_rest + 1)
    yield replace(problem, least_part=0.6)
    yield replace(problem, prefer_late=not problem.prefer_late)
    yield replace(problem, before=SwitchingState(on=not problem.before.on, ticks=2))
    yield replace(problem, surcharges_per_kwh=np.linspace(0.3, 0.0, problem.ticks))
    yield replace(problem, use_limits=(UseLimit(1, problem.ticks - 1, 2.5),))
    yield replace(problem, floor=Floor(problem.deadlines[0].end // 2, problem.stored_kwh + 0.5))


@pytest.mark.parametrize("kind", ["on_off", "current"])
@pytest.mark.parametrize("seed", range(SEEDS))
def test_plans_are_the_same_with_nothing_remembered(kind: Kind, seed: int) -> None:
    """However little a problem differs from one that was solved before, to the last bit."""
    rng = random.Random(f"remembered {kind} {seed}")
    problem = random_problem(rng, kind=kind, ticks=(6, 16), departures=(2, 4))
    if seed % 2:
        problem = with_surplus(rng, problem)
    for other in (problem, *neighbours(problem)):
        remembered.cache_clear()
        alone = solve(other)
        remembered.cache_clear()
        solve(problem)
        after = solve(other)
        assert np.array_equal(alone.amps, after.amps), other
        assert np.array_equal(alone.share, after.share), other
        assert alone.cost == after.cost, other


def nights_from(tick: int, stored_kwh: float) -> PlanningProblem:
    """State four nights of a vehicle with a taper, from some tick of the first night on."""
    rates = np.tile(np.repeat([0.3, 0.1, 0.2], 8), 4)[tick:]
    ends = [24 * (night + 1) - tick for night in range(4)]
    deadlines = [Deadline(end, 30.0, 32.0, 0.15, end, 9.0) for end in ends]
    return PlanningProblem(
        rates_per_kwh=rates,
        highest_amps=np.full(len(rates), 16.0),
        tick_hours=0.5,
        model=ChargeModel(16.0, 1, 230.0, 40.0, 0.9, taper=((60.0, 100.0), (100.0, 30.0))),
        stored_kwh=stored_kwh,
        deadlines=tuple(deadlines),
        min_amps=6.0,
        start_cost=0.02,
        min_run=2,
    )


def test_a_new_state_of_charge_costs_the_work_of_its_own_night(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The later nights are those of the last plan."""
    filled: list[int] = []
    fill = filling.fill

    def counted(problem: PlanningProblem, tables: CostTables) -> None:
        filled.append(tables.moves.k)
        fill(problem, tables)

    monkeypatch.setattr(filling, "fill", counted)
    remembered.cache_clear()
    solve(nights_from(0, 21.0))
    assert sorted(filled) == [0, 1, 2, 3]
    filled.clear()
    solve(nights_from(1, 21.4))
    assert filled == [0]
    solve(nights_from(1, 21.4))
    assert filled == [0]
