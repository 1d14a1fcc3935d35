"""Join the chosen ticks into the periods of a plan."""

from __future__ import annotations

from math import ceil
from typing import TYPE_CHECKING, NamedTuple

from planners.plan.plan import Period

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from planners.plan.horizon import Horizon
    from planners.plan.window import Slot
    from planners.power.charging import Ladder
    from planners.solver.solution import Solution

PARTS_OF_AN_AMPERE = 10
"""Hardware takes currents in tenths of an ampere (common practice, no source)."""

ROUNDING = 1e-6
"""Tenths this near to a whole number count as whole."""


class ChargingSlot(NamedTuple):
    """A slot of time, and the charging current in it [A per phase]."""

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
        The first tick, and the one after the last.

    Returns
    -------
    list of ChargingSlot
        With currents in tenths of an ampere, rounded up, but no higher than the tick allows; the
        last tick is later cut short by the excess.
    """
    chosen = []
    for i in range(begin, end):
        if solution.share[i] > 0:
            tick = horizon.window.ticks[i]
            parts = ceil(float(solution.amps[i]) * PARTS_OF_AN_AMPERE - ROUNDING)
            chosen.append(ChargingSlot(tick, min(tick.amps, parts / PARTS_OF_AN_AMPERE)))
    return chosen


def periods_of(charging: Sequence[ChargingSlot], bought: Ladder) -> tuple[Period, ...]:
    """Join neighbouring slots at one rate and one current into periods.

    Parameters
    ----------
    charging : sequence of ChargingSlot
        In order of time.
    bought : Ladder
        The energy that each of the first slots buys, as many as were used.

    Returns
    -------
    tuple of Period
        In order of time.
    """
    periods: list[Period] = []
    begun: tuple[ChargingSlot, datetime, float, float] | None = None
    for charged, share, kwh in zip(
        charging, bought.share.tolist(), bought.metered_kwh.tolist(), strict=False
    ):
        (slot, amps), end = charged, charged.slot.end(share)
        cost = float(slot.span.rate) * kwh
        if begun is not None:
            (first, first_amps), ended, kwh_before, cost_before = begun
            if (ended, first_amps) == (slot.start, amps) and first.span is slot.span:
                begun = begun[0], end, kwh_before + kwh, cost_before + cost
                continue
            periods.append(_period(*begun))
        begun = charged, end, kwh, cost + 0.0  # no cost is -0.0
    if begun is not None:
        periods.append(_period(*begun))
    return tuple(periods)


def _period(first: ChargingSlot, end: datetime, kwh: float, cost: float) -> Period:
    span = first.slot.span
    return Period(first.slot.start, end, first.amps, kwh, cost, span.band, span.estimated)
