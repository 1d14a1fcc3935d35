"""Ask the solver what a plan would have cost if it were different."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.plan.horizon import kwh_at_any_price
from planners.power.phases import most_amps_alone
from planners.solver.exact import solve
from planners.solver.problem import LEAST_AMPS, Deadline, PlanningProblem
from planners.solver.solution import Solution, solution_of

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from planners.plan.horizon import Horizon

OTHER_AMPS = (16.0, 32.0)
"""Currents that a reader may consider instead: the usual sizes of charge points."""

MENTIONED_KWH = 0.05
"""Battery energies that differ by less are not mentioned [kWh]."""

HALVINGS = 6
"""Steps of the bisection that finds the price of a start at which there is one start fewer."""


@dataclass(frozen=True, slots=True)
class OtherCurrent:
    """The cost at another current [currency].

    `reaches_percent` is None if it reaches as much.
    """

    amps: float
    cost: float
    reaches_percent: float | None


class FewerStarts(NamedTuple):
    """A plan with fewer starts: its cost [currency], and the energy that it leaves out [kWh]."""

    starts: int
    cost: float
    less_kwh: float


@dataclass(frozen=True, slots=True)
class Alternatives:
    """Costs of other ways to make the same charge before the next departure.

    Attributes
    ----------
    cost : float
        Cost of the plan, without start costs [currency].
    beyond_need : float or None
        What the charge beyond the need costs [currency]; None if nothing is bought beyond it.
    earlier, later : float or None
        Cost of its periods an hour earlier, or later [currency]; None if there is no time for it.
    fewer_starts : FewerStarts or None
        The plan with the next lower number of starts found; None if there is none.
    currents : tuple of OtherCurrent
        Costs at other currents.
    more_kwh : float
        How much more the battery gets than if the next departure were the only one; negative if
        less [kWh].
    saves : float or None
        What that saves over all planned nights [currency]; None if they would end with different
        energies.
    """

    cost: float
    beyond_need: float | None
    earlier: float | None
    later: float | None
    fewer_starts: FewerStarts | None
    currents: tuple[OtherCurrent, ...]
    more_kwh: float = 0.0
    saves: float | None = None


def alternatives_to(horizon: Horizon, solution: Solution) -> Alternatives | None:
    """Price other ways to make the next departure's charge.

    Parameters
    ----------
    horizon : Horizon
        What was solved.
    solution : Solution
        Its cheapest plan.

    Returns
    -------
    Alternatives or None
        None if nothing is charged before the next departure.
    """
    problem = horizon.problem
    end = problem.deadlines[0].end
    if not solution.on[:end].any():
        return None
    reached = solution.reaches_kwh[0]
    night = _alone(problem, Deadline(end, reached, reached))
    plan = solution_of(night, solution.amps[:end], solution.share[:end])
    more_kwh, saves = _for_later(horizon, solution)
    return Alternatives(
        cost=plan.cost,
        beyond_need=_beyond_need(horizon, night, plan),
        earlier=_shifted(night, plan, -round(1 / problem.tick_hours)),
        later=_shifted(night, plan, round(1 / problem.tick_hours)),
        fewer_starts=_fewer_starts(night, plan),
        currents=tuple(_other_currents(horizon, night, plan)),
        more_kwh=more_kwh,
        saves=saves,
    )


def _beyond_need(horizon: Horizon, night: PlanningProblem, plan: Solution) -> float | None:
    """Compare the cost with that of a plan that meets the need and buys nothing more."""
    departure = horizon.situation.departure
    need = horizon.model.stored_kwh(departure.need_percent)
    kwh = plan.reaches_kwh[0] - max(need, night.stored_kwh)
    if departure.want_percent <= departure.need_percent or kwh < MENTIONED_KWH:
        return None
    only = solve(replace(night, deadlines=(Deadline(night.ticks, need, need),)))
    return plan.cost - only.cost


def _alone(problem: PlanningProblem, deadline: Deadline) -> PlanningProblem:
    """Return the problem without the later departures."""
    return replace(
        problem,
        rates_per_kwh=problem.rates_per_kwh[: deadline.end],
        highest_amps=problem.highest_amps[: deadline.end],
        deadlines=(deadline,),
        surcharges_per_kwh=None,
    )


def _shifted(night: PlanningProblem, plan: Solution, ticks: int) -> float | None:
    """Price the same currents some ticks later; None if they don't fit."""
    lost = plan.on[-ticks:] if ticks > 0 else plan.on[:-ticks]
    if abs(ticks) >= night.ticks or lost.any():
        return None
    amps, share = np.roll(plan.amps, ticks), np.roll(plan.share, ticks)
    if (amps > night.highest_amps + LEAST_AMPS).any() or (share[: night.rest_left] > 0).any():
        return None
    return solution_of(night, amps, share).cost


def _fewer_starts(night: PlanningProblem, plan: Solution) -> FewerStarts | None:
    """Find the cheapest plan with fewer starts, by raising the price of a start."""
    if plan.starts < 2:  # noqa: PLR2004 - without a start there is no charge
        return None
    most = 2 * float(np.abs(night.rates_per_kwh).max() * plan.metered_kwh.sum())
    low, high = night.start_cost, night.start_cost + most
    fewest = solve(replace(night, start_cost=high))
    for _ in range(HALVINGS):
        if fewest.starts in {plan.starts - 1, plan.starts}:
            break
        middle = (low + high) / 2
        tried = solve(replace(night, start_cost=middle))
        if tried.starts < plan.starts:
            fewest, high = tried, middle
        else:
            low = middle
    if fewest.starts >= plan.starts:
        return None
    less_kwh = float(plan.metered_kwh.sum() - fewest.metered_kwh.sum())
    return FewerStarts(fewest.starts, fewest.cost, less_kwh)


def _other_currents(
    horizon: Horizon, night: PlanningProblem, plan: Solution
) -> Iterator[OtherCurrent]:
    """Price the charge at other currents, beyond the need at rates that the plan accepts."""
    car = horizon.file.vehicles[horizon.situation.departure.vehicle]
    shared = most_amps_alone(horizon.file, horizon.situation.departure.vehicle)
    most = min(shared, car.max_amps or shared)
    for amps in OTHER_AMPS:
        # A plan may be below its highest current while the rest of the home needs it.
        if np.isclose(plan.amps[plan.on], amps).all() or np.isclose(night.model.amps, amps):
            continue
        if amps > most:
            continue
        if horizon.kept is not None:
            continue  # the capacity charge would change with the current
        if amps > night.model.amps and horizon.situation.allotted:
            continue  # other vehicles have what it does not get
        if night.min_amps is not None and amps < night.min_amps:
            continue
        changed = replace(
            night,
            model=replace(night.model, amps=amps),
            highest_amps=_highest_at(amps, night),
            deadlines=(_at_rates_accepted(horizon, night, plan),),
        )
        if amps > night.model.amps and len(horizon.problem.deadlines) == 1:
            # With more current there is time for more of what is wanted.
            first = horizon.problem.deadlines[0]
            changed = replace(changed, deadlines=(replace(first, end=night.ticks),))
        found = solve(changed)
        reached = found.reaches_kwh[0]
        is_other = abs(night.deadlines[0].need_kwh - reached) > MENTIONED_KWH
        percent = horizon.model.soc_percent(reached) if is_other else None
        yield OtherCurrent(amps, found.cost, percent)


def _at_rates_accepted(horizon: Horizon, night: PlanningProblem, plan: Solution) -> Deadline:
    """Return the deadline for the same charge; beyond the need no rate may be dearer."""
    first, reached = horizon.problem.deadlines[0], night.deadlines[0].need_kwh
    rate = first.max_rate_per_kwh
    if len(horizon.problem.deadlines) > 1:  # what it saves on later nights is worth more
        rate = max(rate, float(night.rates_per_kwh[plan.on].max()))
    need = max(night.stored_kwh, min(first.need_kwh, reached))
    return Deadline(night.ticks, need, reached, rate)


def _highest_at(amps: float, night: PlanningProblem) -> NDArray[np.float64]:
    """Return the highest currents that a charge point of `amps` would have had."""
    full = night.highest_amps >= night.model.amps - LEAST_AMPS
    limited = np.minimum(night.highest_amps, amps)
    if night.min_amps is None:
        return np.where(night.highest_amps > 0, amps, 0.0)
    return np.where(full, amps, np.where(limited >= night.min_amps, limited, 0.0))


def _for_later(horizon: Horizon, solution: Solution) -> tuple[float, float | None]:
    """Compare with a plan for the next departure alone: energy and savings."""
    problem, departure = horizon.problem, horizon.situation.departure
    if len(problem.deadlines) == 1 or horizon.kept is not None:
        return 0.0, None
    need = kwh_at_any_price(horizon.model, departure)
    want = horizon.model.stored_kwh(departure.want_percent)
    first = replace(problem.deadlines[0], need_kwh=need, want_kwh=want)
    alone = solve(_alone(problem, first)).reaches_kwh[0]
    more = solution.reaches_kwh[0] - alone
    if abs(more) < MENTIONED_KWH:
        return 0.0, None
    if horizon.prepares_for is not None:
        return more, None
    no_more = replace(first, need_kwh=alone, want_kwh=max(alone, problem.stored_kwh))
    otherwise = solve(replace(problem, deadlines=(no_more, *problem.deadlines[1:])))
    if abs(otherwise.reaches_kwh[-1] - solution.reaches_kwh[-1]) > MENTIONED_KWH:
        return more, None
    return more, otherwise.cost - solution.cost
