"""Carry out the solved nights after the next departure, and say why there are no more."""

from __future__ import annotations

from typing import TYPE_CHECKING

from planners.local_time.conversion import clock_text
from planners.local_time.wished_departures import coming_departures, departures_to_plan
from planners.plan.horizon import PLANNED_DAYS
from planners.plan.periods import charging_slots, cut_where_dearest, periods_of
from planners.plan.plan import LaterNight
from planners.power.charging import climb

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from planners.local_time.departures import DepartureAt
    from planners.plan.horizon import Horizon
    from planners.rates.prices import Prices
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
    departures = horizon.situation.departures
    for k in range(1, len(departures)):
        before = departures[k - 1]
        stored = max(0.0, reaches_kwh - (before.uses_kwh or 0.0))
        charging = charging_slots(horizon, solution, k)
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
                event=departures[k].event,
            )
        )
    return tuple(nights)


def why_no_more(
    file: HouseholdFile, prices: Prices, now: datetime, departures: Sequence[DepartureAt]
) -> str:
    """Say why no departure after these can be planned with them.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    now : datetime
        UTC.
    departures : sequence of DepartureAt
        What `planners.plan.horizon.departures_known` listed; at least one.

    Returns
    -------
    str
        A clause.
    """
    last, name = departures[-1], departures[-1].vehicle
    prices = prices.at(file.vehicles[name].charge_point)
    until, known = now + PLANNED_DAYS, prices.known_until(now)

    def clock(instant: datetime) -> str:
        return clock_text(instant, file.zone, "%a %d %b %H:%M")

    if len(departures_to_plan(file, name, now, until)) > len(departures):
        if known is not None and last.ready_by > known:
            ends = f"are known only until {clock(known)}" if known > now else "are not known yet"
            return f"the rates {ends}, and one night more is estimated"
        return "rates that change at odd minutes leave too much to plan at once"
    after = coming_departures(file, name, last.instant, until + PLANNED_DAYS)
    following = next((each for each in after if each.instant > last.instant), None)
    if following is None or following.ready_by > until:
        return f"{name} has no other departure in the {PLANNED_DAYS.days} days that are planned"
    if last.returns is None:
        return f"the file does not say when {name} is back after {clock(last.instant)} (returns)"
    if last.uses_kwh is None:
        return (
            f"the file does not say what the trip of {clock(last.instant)} uses (uses_kwh, uses_km"
            " or daily_distance_km)"
        )
    return (
        f"{name} is back at {clock(last.returns)}, too late to charge for"
        f" {clock(following.instant)}"
    )
