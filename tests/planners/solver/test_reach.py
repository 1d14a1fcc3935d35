"""How much the battery can hold by a departure: rounding keeps nothing out of reach."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
import pytest

from planners.power.charging import SAME_KWH, ChargeModel
from planners.solver import exact
from planners.solver.problem import LONG_AT_REST, Deadline, PlanningProblem, SwitchingState
from planners.solver.reach import needs_within_reach

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.solver.solution import Solution

MODEL = ChargeModel(amps=32.0, phases=1, volts=230.0, usable_kwh=60.0, efficiency=0.9)
KWH_PER_AMP = 0.5 * 0.9 * 0.23
"""What each ampere adds in a tick of half an hour."""


def problem(
    kwh: float,
    amps: Sequence[float],
    *,
    min_amps: float | None = None,
    min_run: int = 1,
    before: SwitchingState = LONG_AT_REST,
) -> PlanningProblem:
    """Need and want that energy on top of 10 kWh."""
    need = 10.0 + kwh
    return PlanningProblem(
        rates_per_kwh=np.full(len(amps), 0.2),
        highest_amps=np.array(amps),
        tick_hours=0.5,
        model=MODEL,
        stored_kwh=10.0,
        deadlines=(Deadline(end=len(amps), need_kwh=need, want_kwh=need),),
        min_amps=min_amps,
        min_run=min_run,
        before=before,
    )


def test_a_run_that_just_fills_the_want_is_not_held_back() -> None:
    """A second run must last three ticks, and ends a hair above the want at its only current."""
    kwh = (32 + 3 * 6) * KWH_PER_AMP
    amps, on = [32.0, 0.0, 6.0, 6.0, 6.0], SwitchingState(on=True, ticks=3)
    tight = problem(kwh - SAME_KWH / 2, amps, min_amps=6.0, min_run=3, before=on)
    (reach,) = needs_within_reach(tight)
    assert reach.kwh == pytest.approx(10 + kwh)


def test_a_need_that_rounding_puts_above_the_last_tick_is_met() -> None:
    """All ticks together end less than a hair below the need: it is met, not missed."""
    kwh = 3 * 32 * KWH_PER_AMP
    (reach,) = needs_within_reach(problem(kwh + SAME_KWH / 2, [32.0] * 3))
    assert reach.may_meet_need


def test_a_need_out_of_reach_is_lowered_to_what_coarse_levels_reach(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Levels are few where ticks are short and a run is long; that costs a tick, and no time.

    Ten hours of minutes reach 600 ticks' energy of the 900 that are needed.
    """
    solved: list[Sequence[float]] = []
    plan_for = exact._plan_for

    def counted(given: PlanningProblem, needs_kwh: Sequence[float]) -> Solution | None:
        solved.append(needs_kwh)
        return plan_for(given, needs_kwh)

    monkeypatch.setattr(exact, "_plan_for", counted)
    model = ChargeModel(amps=10.0, phases=1, volts=230.0, usable_kwh=60.0, efficiency=0.9)
    tick_kwh = model.gained_kw(model.full_kw) / 60
    short = PlanningProblem(
        rates_per_kwh=np.repeat([0.25, 0.15], 300),
        highest_amps=np.full(600, 10.0),
        tick_hours=1 / 60,
        model=model,
        stored_kwh=1.0,
        deadlines=(Deadline(600, 1.0 + 900 * tick_kwh, 1.0 + 900 * tick_kwh),),
        min_amps=6.0,
        min_run=30,
    )
    reached = exact.solve(short).reaches_kwh[0]
    assert reached == pytest.approx(1.0 + 600 * tick_kwh, abs=tick_kwh)
    assert len(solved) <= 4


def test_a_need_out_of_reach_leaves_no_tick_unused() -> None:
    """With several currents in ticks of a minute, levels are coarse: rounding cost 12 minutes."""
    amps = np.repeat([0.0, 16.0, 9.0, 16.0, 0.0], [150, 70, 200, 110, 238])
    short = problem(30.0, [32.0] * len(amps), min_amps=6.0)
    short = replace(short, highest_amps=amps, tick_hours=1 / 60)
    plan = exact.solve(short)
    assert (plan.amps == amps).all()
    assert plan.reaches_kwh[0] == pytest.approx(10 + amps.sum() * KWH_PER_AMP / 30)
