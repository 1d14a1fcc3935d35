"""Carry out the solved nights after the next departure."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planners.plan.periods import charging_slots, cut_where_dearest, periods_of
from planners.plan.plan import LaterNight
from planners.power.charging import climb

if TYPE_CHECKING:
    from planners.plan.horizon import Horizon
    from planners.solver.solution import Solution


def later_nights(
    horizon: Horizon, solution: Solution, reaches_kwh: float
) -> tuple[LaterNight, ...]:
    """Carry out the solution for the departures after the first.

    Parameters
    ----------
    horizon : Horizon
        What was solved.
    solution : Solution
        The currents chosen.
    reaches_kwh : float
        Battery energy at the first departure [kWh].

    Returns
    -------
    tuple of LaterNight
        In order of time; empty if only one departure was planned for.
    """
    nights: list[LaterNight] = []
    departures, deadlines = horizon.situation.departures, horizon.problem.deadlines
    for k in range(1, len(departures)):
        before = departures[k - 1]
        stored = max(0.0, reaches_kwh - (before.uses_kwh or 0.0))
        charging = charging_slots(horizon, solution, deadlines[k - 1].end, deadlines[k].end)
        charging, target = cut_where_dearest(charging, horizon, k, stored, solution.reaches_kwh[k])
        bought = climb(
            horizon.model,
            stored,
            target,
            (each.slot.hours for each in charging),
            (each.amps for each in charging),
        )
        reaches_kwh = stored + float(bought.gained_kwh.sum())
        periods = periods_of(charging, bought)
        nights.append(
            LaterNight(
                returns=before.returns or before.instant,
                departure=departures[k].instant,
                soc_percent=horizon.model.soc_percent(stored),
                need_percent=departures[k].need_percent,
                want_percent=departures[k].want_percent,
                reaches_percent=horizon.model.soc_percent(reaches_kwh),
                energy_kwh=float(bought.metered_kwh.sum()),
                cost=sum((period.cost for period in periods), 0.0),
                periods=periods,
            )
        )
    return tuple(nights)
