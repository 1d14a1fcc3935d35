"""Plan the vehicles that are plugged in together, and allot each charge point its current."""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import gcd
from typing import TYPE_CHECKING

import numpy as np

from planners.home.allotments import all_that_is_left, allotted_amps, amps_left, spans_of
from planners.joint.joint import ever_better
from planners.joint.plans import currents_of
from planners.joint.problem import JointProblem, SharedLimit
from planners.local_time.conversion import minute_of
from planners.plan.horizon import PLANNED_DAYS, horizon_of
from planners.plan.several_nights import prepared_for_later
from planners.solver.exact import solve

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from planners.plan.horizon import Horizon, Situation
    from planners.power.allowed_currents import AmpsSpan
    from planners.rates.prices import Prices


@dataclass(frozen=True, slots=True)
class HomePlan:
    """What each charge point may draw, and how good the plan is that this comes from.

    Attributes
    ----------
    allotted : dict of str to tuple of AmpsSpan
        For every charge point of the file, from now to the last departure; together they never
        exceed what the rest of the home leaves.
    gap : float
        The most that any other allotment could save [currency]; infinity if not known.
    gap_share : float
        The same as a part of what the energy costs.
    """

    allotted: dict[str, tuple[AmpsSpan, ...]]
    gap: float
    gap_share: float


def plan_together(
    file: HouseholdFile, prices: Prices, situations: Sequence[Situation]
) -> Iterator[HomePlan]:
    """Plan the vehicles of a home together, a little better each time.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situations : sequence of Situation
        One for each vehicle that is plugged in, all at the same instant, each at its own charge
        point. What they say of allotted currents is ignored. A vehicle whose departure is further
        off than `PLANNED_DAYS` is not planned yet.

    Yields
    ------
    HomePlan
        See `planners.joint.joint.ever_better`. A vehicle is planned by
        `planners.plan.planning.draft_plan` with the current that is allotted to its charge point.

    Raises
    ------
    TariffError
        If no rate is known before the last departure.
    """  # noqa: DOC502 - raised by prices
    near = [each for each in situations if each.departure.ready_by - each.now <= PLANNED_DAYS]
    horizons = [each for each in _on_one_grid(file, prices, near) if each.window.ticks]
    if not horizons:
        return
    tick_minutes = horizons[0].window.tick_minutes
    first = minute_of(horizons[0].window.ticks[0].start)
    ticks = max(horizon.problem.ticks for horizon in horizons)
    left = amps_left(file, first, ticks, tick_minutes)
    prepared = [prepared_for_later(horizon, solve(horizon.problem)) for horizon in horizons]
    joint = JointProblem(
        vehicles=tuple(horizon.problem for horizon in prepared),
        limits=(SharedLimit((1.0,) * len(horizons), left),) if np.isfinite(left).all() else (),
        safe_amps=tuple(
            horizon_of(
                file,
                prices,
                replace(horizon.situation, allotted=()),
                tick_minutes=tick_minutes,
                edges=_edges(near),
            ).window.highest_amps
            for horizon in horizons
        ),
    )
    now = minute_of(situations[0].now)
    before = amps_left(file, now, first - now, 1)
    for plan in ever_better(joint):
        currents = currents_of(joint, plan.plans)
        planned = {each.charge_point: row for each, row in zip(horizons, currents, strict=True)}
        allotted = allotted_amps(file, planned, left)
        # Until the first tick the same holds, unless the rest of the home then leaves less.
        at_first = sum(float(amps[0]) for amps in allotted.values())
        is_same = first > now and before.min() >= at_first
        yield HomePlan(
            {
                name: spans_of(amps, first, tick_minutes, now if is_same else first)
                for name, amps in allotted.items()
            },
            plan.gap,
            plan.gap_share,
        )


def _on_one_grid(
    file: HouseholdFile, prices: Prices, situations: Sequence[Situation]
) -> list[Horizon]:
    """State each vehicle's problem with all that the home leaves, in ticks of one length."""
    if not situations:
        return []
    edges = _edges(situations)
    now, end = situations[0].now, max(edges)
    every = all_that_is_left(file, now, end)
    tick_minutes: int = file.household.tick_minutes
    alone = [replace(situation, allotted=every) for situation in situations]
    while True:
        horizons = [
            horizon_of(file, prices, situation, tick_minutes=tick_minutes, edges=edges)
            for situation in alone
        ]
        common = gcd(*(horizon.window.tick_minutes for horizon in horizons))
        if common == tick_minutes or len({h.window.tick_minutes for h in horizons}) == 1:
            return horizons
        tick_minutes = common


def _edges(situations: Sequence[Situation]) -> list[datetime]:
    """List the instants at which a vehicle must be ready; a tick ends at each."""
    return [each.ready_by for situation in situations for each in situation.departures]
