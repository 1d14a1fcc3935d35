"""From chosen ticks to the periods of a plan."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, NamedTuple

from planners.plan.plan import Period

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.plan.horizon import Horizon
    from planners.plan.window import Slot
    from planners.power.charging import Ladder
    from planners.solver.solution import Solution

PARTS_OF_AN_AMPERE = 10
"""Currents are told to hardware in tenths of an ampere (common practice, no source)."""

ROUNDING = 1e-6
"""Parts that are nearly a whole number are one."""


class ChargingSlot(NamedTuple):
    """A slot of time, and the current charging in it [A per phase]."""

    slot: Slot
    amps: float


def charging_slots(
    horizon: Horizon, solution: Solution, begin: int, end: int
) -> list[ChargingSlot]:
    """List the ticks that a solution charges in.

    Parameters
    ----------
    horizon : Horizon
        What was solved.
    solution : Solution
        The currents chosen.
    begin, end : int
        The first tick, and the first no more.

    Returns
    -------
    list of ChargingSlot
        Currents in tenths of an ampere, no less than was chosen (the last tick is cut short by
        what that is too much), nor more than the tick allows.
    """
    chosen = []
    for i in range(begin, end):
        if solution.share[i] > 0:
            tick = horizon.window.ticks[i]
            parts = ceil(float(solution.amps[i]) * PARTS_OF_AN_AMPERE - ROUNDING)
            chosen.append(ChargingSlot(tick, min(tick.amps, parts / PARTS_OF_AN_AMPERE)))
    return chosen


def periods_of(charging: Sequence[ChargingSlot], bought: Ladder) -> tuple[Period, ...]:
    """Join what was bought in neighbouring slots at one rate and one current.

    Parameters
    ----------
    charging : sequence of ChargingSlot
        In order of time.
    bought : Ladder
        What the first of them bought, as many as it took.

    Returns
    -------
    tuple of Period
        In order of time.
    """
    periods: list[Period] = []
    last_span = None
    for (slot, amps), share, kwh in zip(charging, bought.share, bought.metered_kwh, strict=False):
        cost = float(slot.span.rate) * float(kwh)
        before = periods[-1] if periods else None
        joins = before is not None and (before.end, before.amps) == (slot.start, amps)
        if before is not None and joins and last_span is slot.span:
            periods.pop()
            start, kwh_before, cost_before = before.start, before.kwh, before.cost
        else:
            start, kwh_before, cost_before = slot.start, 0.0, 0.0
        last_span = slot.span
        periods.append(
            Period(
                start=start,
                end=slot.end(float(share)),
                amps=amps,
                kwh=kwh_before + float(kwh),
                cost=cost_before + cost,
                band=slot.span.band,
                estimated=slot.span.estimated,
            )
        )
    return tuple(periods)
