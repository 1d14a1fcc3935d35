"""The nights after the next departure, as they were planned together with it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planners.plan.periods import draws, periods_of
from planners.plan.plan import LaterNight
from planners.power.charging import climb

if TYPE_CHECKING:
    from planners.plan.horizon import Horizon
    from planners.solver.solution import Solution


def later_nights(ahead: Horizon, solution: Solution, reaches_kwh: float) -> tuple[LaterNight, ...]:
    """Carry out what was solved for the departures after the first.

    Parameters
    ----------
    ahead : Horizon
        What was solved.
    solution : Solution
        The currents chosen.
    reaches_kwh : float
        Battery energy at the first departure [kWh].

    Returns
    -------
    tuple of LaterNight
        In order of time; none if only one departure was planned for.
    """
    nights: list[LaterNight] = []
    departures, deadlines = ahead.situation.departures, ahead.problem.deadlines
    for k in range(1, len(departures)):
        before = departures[k - 1]
        stored = max(0.0, reaches_kwh - (before.uses_kwh or 0.0))
        drawn = draws(ahead, solution, deadlines[k - 1].end, deadlines[k].end)
        bought = climb(
            ahead.model,
            stored,
            solution.reaches_kwh[k],
            (draw.slot.hours for draw in drawn),
            (draw.amps for draw in drawn),
        )
        reaches_kwh = stored + float(bought.gained_kwh.sum())
        periods = periods_of(drawn, bought)
        nights.append(
            LaterNight(
                returns=before.returns or before.instant,
                departure=departures[k].instant,
                soc_percent=ahead.model.soc_percent(stored),
                need_percent=departures[k].need_percent,
                want_percent=departures[k].want_percent,
                reaches_percent=ahead.model.soc_percent(reaches_kwh),
                energy_kwh=float(bought.metered_kwh.sum()),
                cost=sum((period.cost for period in periods), 0.0),
                periods=periods,
            )
        )
    return tuple(nights)
