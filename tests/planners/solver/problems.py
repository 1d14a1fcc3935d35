"""Draw small planning problems of every kind with hypothesis."""

from __future__ import annotations

from typing import Literal

import numpy as np
from hypothesis import strategies as st

from planners.power.charging import ChargeModel
from planners.solver.problem import LONG_AT_REST, Deadline, PlanningProblem, SwitchingState

Power = Literal["constant", "one_current", "any"]
"""Constant power without standby; one current, with standby; anything, with taper and standby."""

AMPS = 32.0

mills = st.integers(-100, 400).map(lambda number: number / 1000)
befores = st.builds(SwitchingState, st.booleans(), st.sampled_from([0, 1, 1, 2, 3, 50]))


def vehicles(power: Power) -> st.SearchStrategy[ChargeModel]:
    """Draw a vehicle of 60 kWh; its power falls, if at all, to 40 percent."""
    none = st.just(())
    return st.builds(
        ChargeModel,
        amps=st.just(AMPS),
        phases=st.sampled_from([1, 3]),
        volts=st.just(230.0),
        usable_kwh=st.just(60.0),
        efficiency=st.sampled_from([1.0, 0.9, 0.85]),
        standby_kw=st.just(0.0) if power == "constant" else st.sampled_from([0.0, 0.2]),
        taper=none
        if power != "any"
        else st.one_of(
            none, st.just(((15.0, 100.0), (35.0, 40.0))), st.just(((80.0, 100.0), (100.0, 40.0)))
        ),
    )


@st.composite
def problems(
    draw: st.DrawFn,
    *,
    power: Power = "constant",
    switchings: tuple[float | None, ...] = (None, 6.0),
    ticks: tuple[int, int] = (1, 16),
    departures: tuple[int, int] = (1, 3),
) -> PlanningProblem:
    """Draw a problem of half-hour ticks.

    Parameters
    ----------
    draw : callable
        Hypothesis's.
    power : Power
        How power may vary.
    switchings : tuple of (float or None)
        Lowest currents to choose from [A]; None for on/off switching.
    ticks, departures : (int, int)
        Fewest and most of each; there are never more departures than half the ticks.

    Returns
    -------
    PlanningProblem
        Its needs may be beyond reach.
    """
    n = draw(st.integers(*ticks))
    vehicle = draw(vehicles(power))
    count = min(draw(st.integers(*departures)), max(1, n // 2))
    levels = [AMPS, 0.0] if power == "one_current" else [AMPS, 24.0, 8.0, 0.0]
    return PlanningProblem(
        rates_per_kwh=np.array(draw(st.lists(mills, min_size=n, max_size=n))),
        highest_amps=np.array(draw(st.lists(st.sampled_from(levels), min_size=n, max_size=n))),
        tick_hours=0.5,
        model=vehicle,
        stored_kwh=draw(st.sampled_from([0.0, 5.0, 11.3])),
        deadlines=draw(_deadlines(n, count, vehicle.full_kw / 2)),
        min_amps=draw(st.sampled_from(switchings)),
        start_cost=draw(st.sampled_from([0.0, 0.02, 0.5])),
        min_run=draw(st.integers(1, 5)),
        min_rest=draw(st.integers(0, 3)),
        before=draw(st.one_of(befores, st.just(LONG_AT_REST))),
        prefer_late=draw(st.booleans()),
    )


@st.composite
def _deadlines(draw: st.DrawFn, n: int, count: int, tick_kwh: float) -> tuple[Deadline, ...]:
    inner = st.lists(st.integers(1, n), min_size=2 * count - 2, max_size=2 * count - 2, unique=True)
    edges = [*sorted(draw(inner)), n, n]
    shares = st.floats(0, 8)
    found = []
    for end, back in zip(edges[::2], edges[1::2], strict=True):
        need = min(60.0, draw(st.one_of(st.just(0.0), shares)) * tick_kwh)
        want = min(60.0, need + draw(st.one_of(st.just(0.0), shares)) * tick_kwh)
        trip = draw(st.one_of(st.just(0.0), shares)) * tick_kwh
        worth = draw(st.sampled_from([0.0, 0.15, 0.5])) if want > need else 0.0
        found.append(Deadline(end, need, want, worth, back, trip))
    return tuple(found)
