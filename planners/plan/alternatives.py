"""Ask the solver what a plan would have cost if it were different."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.plan.horizon import kwh_at_any_price, without_margin
from planners.power.phases import most_amps_alone
from planners.solver.exact import solve
from planners.solver.problem import (
    LEAST_AMPS,
    NEED_TOLERANCE_KWH,
    Deadline,
    PlanningProblem,
)
from planners.solver.solution import Solution, paid_per_kwh, solution_of

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from planners.plan.horizon import Horizon
    from planners.plan.window import Slot

OTHER_AMPS = (16.0, 32.0)
"""Currents that a reader may consider instead: the usual sizes of charge points."""

MENTIONED_KWH = 0.05
"""Battery energies that differ by less are not mentioned [kWh]."""

HALVINGS = 6
"""Steps of the bisection that finds the price of a start at which there is one start fewer."""


@dataclass(frozen=True, slots=True)
class OtherCurrent:
    """The cost at another current [currency], and how much more energy that is for [kWh].

    `reaches_percent` is None if it reaches as much.
    """

    amps: float
    cost: float
    reaches_percent: float | None
    more_kwh: float = 0.0


class CarriedOut(NamedTuple):
    """A night as it is carried out, to the second: its cost [currency] and energies [kWh]."""

    cost: float
    energy_kwh: float
    reaches_kwh: float


CarryOut = Callable[["Horizon", Solution], CarriedOut]
"""Carries out what was solved for the next departure."""


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


def alternatives_to(
    horizon: Horizon, solution: Solution, carry_out: CarryOut
) -> Alternatives | None:
    """Price other ways to make the next departure's charge.

    Parameters
    ----------
    horizon : Horizon
        What was solved.
    solution : Solution
        Its cheapest plan.
    carry_out : callable
        How plans are carried out.

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
        cost=horizon.money_of(plan),
        beyond_need=_beyond_need(horizon, night, plan),
        earlier=_shifted(horizon, night, plan, -round(1 / problem.tick_hours)),
        later=_shifted(horizon, night, plan, round(1 / problem.tick_hours)),
        fewer_starts=_fewer_starts(horizon, night, plan),
        currents=tuple(_other_currents(horizon, solution, night, carry_out)),
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
    return horizon.money_of(plan) - horizon.money_of(only)


def _alone(problem: PlanningProblem, deadline: Deadline) -> PlanningProblem:
    """Return the problem without the later departures."""
    return problem.during(0, deadline.end, deadlines=(deadline,))


def _shifted(horizon: Horizon, night: PlanningProblem, plan: Solution, ticks: int) -> float | None:
    """Price the same currents some ticks later; None if they don't fit."""
    lost = plan.on[-ticks:] if ticks > 0 else plan.on[:-ticks]
    if abs(ticks) >= night.ticks or lost.any():
        return None
    amps, share = np.roll(plan.amps, ticks), np.roll(plan.share, ticks)
    if (amps > night.highest_amps + LEAST_AMPS).any() or (share[: night.rest_left] > 0).any():
        return None
    return horizon.money_of(solution_of(night, amps, share))


def _fewer_starts(horizon: Horizon, night: PlanningProblem, plan: Solution) -> FewerStarts | None:
    """Find the cheapest plan with fewer starts, by raising the price of a start."""
    if plan.starts < 2:  # noqa: PLR2004 - without a start there is no charge
        return None
    most = 2 * night.dearest * float(plan.metered_kwh.sum())
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
    return FewerStarts(fewest.starts, horizon.money_of(fewest), less_kwh)


def _other_currents(
    horizon: Horizon, solution: Solution, night: PlanningProblem, carry_out: CarryOut
) -> Iterator[OtherCurrent]:
    """Price the charge at other currents, by all the rules of the plan itself."""
    plan = carry_out(horizon, solution)
    used = solution.amps[: night.ticks][solution.on[: night.ticks]]
    for amps in _amps_worth_trying(horizon):
        # A plan may be below its highest current while the rest of the home needs it.
        if np.isclose(used, amps).all() or np.isclose(night.model.amps, amps):
            continue
        found = _found_at(amps, horizon, solution, plan, carry_out)
        is_other = abs(plan.reaches_kwh - found.reaches_kwh) > MENTIONED_KWH
        percent = horizon.model.soc_percent(found.reaches_kwh) if is_other else None
        yield OtherCurrent(amps, found.cost, percent, found.energy_kwh - plan.energy_kwh)


def _found_at(
    amps: float, horizon: Horizon, solution: Solution, plan: CarriedOut, carry_out: CarryOut
) -> CarriedOut:
    """Find the cheapest charge at another current; a margin is given up only if it must be."""
    is_more = amps > horizon.model.amps
    deadline = _at_rates_accepted(horizon, solution, plan, is_more=is_more)
    need_kwh = horizon.problem.deadlines[0].need_kwh - NEED_TOLERANCE_KWH
    in_time, ready_by = deadline, None
    if horizon.given_up:
        ready_by = horizon.situation.departure.instant - horizon.given_up
        ticks = horizon.window.ticks[: deadline.end]
        in_time = replace(deadline, end=sum(tick.end() <= ready_by for tick in ticks))
    if is_more or not horizon.given_up:
        changed = _with_amps(horizon, amps, in_time, ready_by)
        found = carry_out(changed, solve(changed.problem))
        if found.reaches_kwh >= need_kwh:
            return found
    late = horizon
    if not horizon.given_up:
        late = without_margin(horizon.file, horizon.prices, horizon.situation)
    changed = _with_amps(late, amps, replace(deadline, end=late.problem.deadlines[0].end))
    return carry_out(changed, solve(changed.problem))


def _amps_worth_trying(horizon: Horizon) -> Iterator[float]:
    """List the currents that the vehicle could have had."""
    if horizon.kept is not None:
        return  # the capacity charge would change with the current
    car = horizon.file.vehicles[horizon.situation.departure.vehicle]
    shared = most_amps_alone(horizon.file, horizon.situation.departure.vehicle)
    most = min(shared, car.max_amps or shared)
    for amps in OTHER_AMPS:
        # Other vehicles have what an allotment leaves out.
        is_allotted = amps > horizon.model.amps and bool(horizon.situation.allotted)
        if (horizon.problem.min_amps or 0.0) <= amps <= most and not is_allotted:
            yield amps


def _with_amps(
    horizon: Horizon, amps: float, deadline: Deadline, ready_by: datetime | None = None
) -> Horizon:
    """Return the time until the next departure with another highest current."""
    ticks, problem = deadline.end, horizon.problem
    departure = replace(
        horizon.situation.departure,
        want_percent=horizon.model.soc_percent(deadline.want_kwh),
        ready_by=ready_by or horizon.situation.departure.ready_by,
    )

    def at(slot: Slot) -> Slot:
        return slot._replace(amps=_highest_at(amps, slot.amps, problem))

    window = horizon.window
    window = replace(
        window,
        fragment=window.fragment and at(window.fragment),
        ticks=tuple(map(at, window.ticks)),
        rest=window.rest and at(window.rest),
    )
    model = replace(horizon.model, amps=amps)
    return replace(
        horizon,
        situation=replace(horizon.situation, departure=departure, later=()),
        model=model,
        window=window,
        tail=() if ready_by else tuple(map(at, horizon.tail)),
        problem=replace(
            _alone(problem, deadline), model=model, highest_amps=window.highest_amps[:ticks]
        ),
    )


def _at_rates_accepted(
    horizon: Horizon, solution: Solution, plan: CarriedOut, *, is_more: bool
) -> Deadline:
    """Return the deadline for the same charge; beyond the need no rate may be dearer."""
    problem = horizon.problem
    first, reached = problem.deadlines[0], plan.reaches_kwh
    if is_more and len(problem.deadlines) == 1:
        return first  # with more current there is time for more of what is wanted
    rate = first.max_rate_per_kwh
    if len(problem.deadlines) > 1:  # what it saves on later nights is worth more
        rates = paid_per_kwh(problem, solution)[: first.end]
        rate = max(rate, float(rates[solution.on[: first.end]].max()))
    need = max(problem.stored_kwh, min(first.need_kwh, reached))
    return Deadline(first.end, need, max(need, reached), rate)


def _highest_at(amps: float, allowed: float, problem: PlanningProblem) -> float:
    """Return the highest current that a charge point of `amps` would have had in some time."""
    if problem.min_amps is None:
        return amps if allowed > 0 else 0.0
    if allowed >= problem.model.amps - LEAST_AMPS:
        return amps
    limited = min(allowed, amps)
    return limited if limited >= problem.min_amps else 0.0


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
    return more, horizon.money_of(otherwise) - horizon.money_of(solution)
