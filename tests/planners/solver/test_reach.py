"""How much the battery can hold by a departure: rounding keeps nothing out of reach."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import pytest

from planners.power.charging import SAME_KWH, ChargeModel
from planners.solver.problem import LONG_AT_REST, Deadline, PlanningProblem, SwitchingState
from planners.solver.reach import needs_within_reach

if TYPE_CHECKING:
    from collections.abc import Sequence

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
