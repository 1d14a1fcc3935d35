"""Charge in one night for another: a need too far for its own night, or cheaper hours."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from planners.solver.exact import solve
from planners.solver.problem import LONG_AT_REST, NEED_TOLERANCE_KWH, PlanningProblem
from planners.solver.reach import needs_with_later
from planners.solver.solution import objective, solution_of

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.local_time.departures import DepartureAt
    from planners.plan.horizon import Horizon
    from planners.solver.problem import Deadline
    from planners.solver.solution import Solution

WORTH_MEETING_KWH = 0.05
"""A want missed by less counts as met [kWh]."""

SAME_COST = 1e-6
"""Costs that differ by less are the same: less than any coin [currency]."""

AHEAD = 1e-6
"""What a kWh counts dearer for each night that it is bought ahead [currency]."""


def prepared_for_later(horizon: Horizon, solution: Solution) -> Horizon:
    """Raise needs so that a later one is met that its own night is too short for.

    Parameters
    ----------
    horizon : Horizon
        What was solved.
    solution : Solution
        Its cheapest plan.

    Returns
    -------
    Horizon
        The same if no later need is missed. Before any departure but its own, the battery is
        charged for a need to the vehicle's everyday limit at most.
    """
    problem, departures = horizon.problem, horizon.situation.departures
    pairs = zip(problem.deadlines, solution.reaches_kwh, strict=True)
    missed = [k for k, (each, kwh) in enumerate(pairs) if kwh < each.need_kwh - NEED_TOLERANCE_KWH]
    if not missed or missed[-1] == 0:
        return horizon
    needs = needs_with_later(problem, _most_ahead(horizon))
    deadlines = tuple(
        replace(each, need_kwh=need, want_kwh=max(each.want_kwh, need))
        for each, need in zip(problem.deadlines, needs, strict=True)
    )
    if deadlines == problem.deadlines:
        return horizon
    return replace(
        horizon,
        problem=replace(problem, deadlines=deadlines),
        prepares_for=departures[missed[-1]],
    )


def bought_ahead(horizon: Horizon, solution: Solution) -> tuple[Horizon, Solution]:
    """Buy for later departures where that costs less, if no highest rate says how much to buy.

    A departure without `max_rate` is charged to its target whatever that costs, and no further for
    its own sake. But what a later departure needs may cost less in the hours before it.

    Parameters
    ----------
    horizon : Horizon
        What was solved.
    solution : Solution
        Its cheapest plan, in which each such night stops at its target.

    Returns
    -------
    tuple of Horizon and Solution
        The same if nothing is saved. Before any departure but its own, the battery is charged to
        the vehicle's everyday limit at most, and never to more than later departures use.
    """
    problem, departures = horizon.problem, horizon.situation.departures
    deadlines = _open_to_later(problem.deadlines, departures, _most_ahead(horizon))
    if deadlines == problem.deadlines or not solution.on[problem.deadlines[0].end :].any():
        return horizon, solution
    ahead = np.zeros(problem.ticks)
    for deadline in deadlines[:-1]:
        ahead[: deadline.end] += AHEAD
    pairs = zip(problem.deadlines, deadlines, strict=True)
    for (start, end), (deadline, other) in zip(problem.segments(), pairs, strict=True):
        if other == deadline:  # what this departure wants at its rate is no purchase ahead
            is_wanted = problem.least_rates_per_kwh[start:end] <= deadline.max_rate_per_kwh
            ahead[start:end][is_wanted] = 0.0
    opened = replace(problem, deadlines=deadlines)
    export_rates = problem.export_rates_per_kwh
    dearer = replace(
        opened,
        rates_per_kwh=problem.rates_per_kwh + ahead,
        export_rates_per_kwh=None if export_rates is None else export_rates + ahead,
    )
    found = solve(dearer)
    found = solution_of(opened, found.amps, found.share)
    saved = solution.cost - solution.worth - (found.cost - found.worth)
    more_starts = found.starts - solution.starts
    # A start that is saved is no reason to fill the battery a night early.
    if saved <= SAME_COST or saved <= problem.start_cost * more_starts:
        return horizon, solution
    return replace(horizon, problem=opened), found


def _most_ahead(horizon: Horizon) -> list[float]:
    """List the most to charge before each departure for a later one [kWh]."""
    departures, deadlines = horizon.situation.departures, horizon.problem.deadlines
    limit_kwh = horizon.model.stored_kwh(horizon.file.vehicles[departures[0].vehicle].limit_percent)
    most = [limit_kwh] * len(deadlines)
    for k in reversed(range(len(deadlines) - 1)):
        if departures[k].returns is None:  # it counts as there: this is the next one's own time
            most[k] = max(most[k + 1], deadlines[k + 1].want_kwh)
    return most


def _open_to_later(
    deadlines: Sequence[Deadline], departures: Sequence[DepartureAt], most_kwh: Sequence[float]
) -> tuple[Deadline, ...]:
    """Raise wants to what the later departures use, where no highest rate limits them."""
    opened = list(deadlines)
    for k in reversed(range(len(opened) - 1)):
        deadline, after = opened[k], opened[k + 1]
        used_kwh = min(most_kwh[k], deadline.trip_kwh + after.want_kwh)
        # Without a return the vehicle stays: this time is that of the next departure, too.
        is_limited = departures[k].max_rate is not None and departures[k].returns is not None
        if used_kwh > deadline.want_kwh and not is_limited:
            opened[k] = replace(deadline, want_kwh=used_kwh)
    return tuple(opened)


def met_before(problem: PlanningProblem, solution: Solution) -> tuple[PlanningProblem, Solution]:
    """Meet wants that the solver left for a later night only because that saves a start.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    solution : Solution
        Its cheapest plan.

    Returns
    -------
    tuple of PlanningProblem and Solution
        The same, or with such wants as needs, and a plan that costs no more than a start for each
        night that has one. Each is worth its start by itself.
    """
    left = [
        k
        for k, deadline in enumerate(problem.deadlines[:-1])
        if solution.reaches_kwh[k] < deadline.want_kwh - WORTH_MEETING_KWH
    ]
    if not left or not problem.start_cost:
        return problem, solution
    wanted = [deadline.want_kwh for deadline in problem.deadlines]
    met, other = _met_alone(problem, solution, left, wanted)
    if met is problem:
        return problem, solution
    # Mostly the nights cost the same, and only starts are saved by leaving a want to a later one.
    if not _costs_only_starts(problem, solution, other):
        without_starts = solve(replace(problem, start_cost=0.0)).reaches_kwh
        met, other = _met_alone(problem, solution, left, without_starts)
    more = _money(problem, other) - _money(problem, solution)
    if more > problem.start_cost * _nights_more(solution, other) + SAME_COST:
        return problem, solution
    return met, other


def _met_alone(
    problem: PlanningProblem, solution: Solution, left: Sequence[int], most_kwh: Sequence[float]
) -> tuple[PlanningProblem, Solution]:
    """Need in some nights what each is worth alone, up to an energy; the same if that is none."""
    reached = list(solution.reaches_kwh)
    for k in left:
        alone_kwh = min(solve(_night_alone(problem, reached, k)).reaches_kwh[0], most_kwh[k])
        if alone_kwh > reached[k] + WORTH_MEETING_KWH:
            reached[k] = alone_kwh
    if reached == list(solution.reaches_kwh):
        return problem, solution
    deadlines = tuple(
        replace(each, need_kwh=max(each.need_kwh, min(kwh, each.want_kwh)))
        for each, kwh in zip(problem.deadlines[:-1], reached, strict=False)
    )
    met = replace(problem, deadlines=(*deadlines, problem.deadlines[-1]))
    return met, solve(met)


def _costs_only_starts(problem: PlanningProblem, solution: Solution, other: Solution) -> bool:
    """Tell whether a plan that reaches more costs nothing more but a start in each such night."""
    starts = other.starts - solution.starts
    more = _money(problem, other) - _money(problem, solution) - starts * problem.start_cost
    return more <= SAME_COST and starts <= _nights_more(solution, other)


def _nights_more(solution: Solution, other: Solution) -> int:
    pairs = zip(other.reaches_kwh, solution.reaches_kwh, strict=True)
    return sum(now > then + WORTH_MEETING_KWH for now, then in pairs)


def _money(problem: PlanningProblem, solution: Solution) -> float:
    """Return what the solver would minimise if no want counted as a need [currency]."""
    return objective(problem, solution_of(problem, solution.amps, solution.share))


def _night_alone(problem: PlanningProblem, reached_kwh: Sequence[float], k: int) -> PlanningProblem:
    """Return the problem of one night, from what the nights before it leave."""
    start, end = problem.segments()[k]
    stored, before = problem.stored_kwh, problem.before
    if k > 0:
        trip_kwh = problem.deadlines[k - 1].trip_kwh
        stored, before = max(0.0, reached_kwh[k - 1] - trip_kwh), LONG_AT_REST
    night = replace(problem.deadlines[k], end=end - start, return_tick=0)
    return problem.during(start, end, stored_kwh=stored, before=before, deadlines=(night,))
