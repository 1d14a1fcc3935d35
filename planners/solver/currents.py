"""Find the best currents of a plan with a surplus, whose ticks are chosen.

The levels of `planners.solver.levels` do not hold every energy that the surpluses of several ticks
lead to together. So the plan that was found on them only says which ticks charge. What is left is a
chain of convex costs, which `planners.surplus.amounts` solves exactly. Each tick gains between what
its lowest and its highest current do, at the export rate up to the surplus and at the import rate
beyond it.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.solver.problem import NEED_TOLERANCE_KWH, ROUNDING_AMPS
from planners.solver.solution import objective, solution_of
from planners.solver.worth import worth_pieces
from planners.surplus.amounts import Slope, Stage, cheapest_amounts
from planners.surplus.two_rates import price_at

if TYPE_CHECKING:
    from planners.solver.problem import Floor, PlanningProblem
    from planners.solver.solution import Solution

LEAST_GAIN = 1e-6
"""A tick that is cut short stays at least this long [ticks]."""

WHOLE = 1 - 1e-9
"""A tick of which more is used is whole."""


class _Tick(NamedTuple):
    """What a chosen tick may gain: from `least` on, at the prices of its slopes.

    `cut_amps` is the current at which it gains less than a whole tick at that current; 0 if none.
    """

    i: int
    least_kwh: float
    slopes: list[Slope]
    cut_amps: float = 0.0


def with_best_currents(problem: PlanningProblem, solution: Solution) -> Solution:
    """Find the best currents of the same ticks.

    Parameters
    ----------
    problem : PlanningProblem
        With a surplus.
    solution : Solution
        A plan for it.

    Returns
    -------
    Solution
        The same one, if the current can't be set, if power tapers, or if none is cheaper.
    """
    if problem.min_amps is None or problem.model.taper or not solution.share.any():
        return solution
    amps, share = solution.amps.copy(), solution.share.copy()
    begin, chain = problem.stored_kwh, list[tuple[list[_Tick], Stage]]()
    first = 0
    for k, deadline in enumerate(problem.deadlines):
        on = np.flatnonzero(solution.share[first : deadline.end]) + first
        ticks = [_tick(problem, solution, int(i)) for i in on]
        if problem.prefer_late:
            ticks.reverse()
        stage = _stage(problem, solution, k, ticks)
        if k == 0 and problem.floor is not None:
            early = [each for each in ticks if each.i < problem.floor.tick]
            ticks = [each for each in ticks if each.i >= problem.floor.tick]
            chain.append((early, _until_floor(problem, solution, problem.floor, early)))
            stage = replace(stage, fixed=_fixed(ticks), slopes=_slopes(ticks))
        chain.append((ticks, stage))
        first = deadline.end
        left = solution.reaches_kwh[k] - deadline.trip_kwh
        if left <= 0 or k + 1 == len(problem.deadlines):
            _set(problem, chain, begin, amps, share)
            begin, chain = max(0.0, left), []
    found = solution_of(problem, amps, share)
    pairs = zip(problem.deadlines, solution.reaches_kwh, found.reaches_kwh, strict=True)
    is_short = any(new < min(each.need_kwh, old) - NEED_TOLERANCE_KWH for each, old, new in pairs)
    is_worse = objective(problem, found) > objective(problem, solution)
    return solution if is_short or is_worse else found


def _set(
    problem: PlanningProblem,
    chain: list[tuple[list[_Tick], Stage]],
    begin: float,
    amps: np.ndarray[tuple[int], np.dtype[np.float64]],
    share: np.ndarray[tuple[int], np.dtype[np.float64]],
) -> None:
    """Find the cheapest gains of a chain of departures, and write them down as currents."""
    model, hours = problem.model, problem.tick_hours
    found = cheapest_amounts(begin, [stage for _, stage in chain])
    for (ticks, _), more in zip(chain, found, strict=True):
        for tick in ticks:
            gain = tick.least_kwh + more.get(tick.i, 0.0)
            highest = float(problem.highest_amps[tick.i])
            whole = _gain(problem, tick.cut_amps)
            if share[tick.i] < WHOLE and not tick.cut_amps:
                continue
            share[tick.i] = min(1.0, gain / whole) if tick.cut_amps else 1.0
            if share[tick.i] < WHOLE:
                amps[tick.i] = tick.cut_amps
                continue
            share[tick.i] = 1.0
            kw = (gain / hours + model.standby_kw) / model.efficiency
            set_to = max(problem.min_amps or 0.0, min(highest, kw / model.kw_per_amp))
            amps[tick.i] = highest if set_to > highest - 1e-6 else set_to


def _gain(problem: PlanningProblem, amps: float) -> float:
    """Return what a whole tick gains at a current [kWh]."""
    model = problem.model
    return problem.tick_hours * model.gained_kw(amps * model.kw_per_amp)


def _tick(problem: PlanningProblem, solution: Solution, i: int) -> _Tick:
    """Say what a chosen tick may gain at which prices."""
    model, highest = problem.model, float(problem.highest_amps[i])
    low, high = float(problem.export_prices_per_kwh[i]), float(problem.prices_per_kwh[i])
    surplus_kw = 0.0 if problem.surplus_kw is None else float(problem.surplus_kw[i])
    most = _gain(problem, highest)
    per_kwh = 1 / model.efficiency
    if solution.share[i] < WHOLE and problem.use_limits:
        return _Tick(i, _gain(problem, float(solution.amps[i])) * float(solution.share[i]), [], 0.0)
    if solution.share[i] < WHOLE:
        # Cut short, it draws the surplus, or the current next to it, for as long as it takes.
        kw_per_amp = model.kw_per_amp
        drawn = min(max(surplus_kw / kw_per_amp, problem.min_amps or 0.0), highest)
        drawn = drawn if low <= high and surplus_kw > 0 else highest
        whole, least = _gain(problem, drawn), LEAST_GAIN * most
        price = price_at(drawn * kw_per_amp, surplus_kw, high, low)
        price *= drawn * kw_per_amp * problem.tick_hours / whole
        more = Slope(high * per_kwh, most - whole, i)
        return _Tick(i, least, [Slope(price, whole - least, i), more], drawn)
    least = _gain(problem, problem.min_amps or 0.0)
    at_surplus = problem.tick_hours * (model.efficiency * surplus_kw - model.standby_kw)
    middle = min(max(at_surplus, least), most)
    cheap, dear = Slope(low * per_kwh, middle - least, i), Slope(high * per_kwh, most - middle, i)
    if low <= high:
        return _Tick(i, least, [each for each in (cheap, dear) if each.most > 0])
    # A current on the other side of the surplus may be cheaper, but that is no convex choice.
    if float(solution.amps[i]) * model.kw_per_amp < surplus_kw - ROUNDING_AMPS:
        return _Tick(i, least, [cheap])
    return _Tick(i, middle, [dear])


def _stage(problem: PlanningProblem, solution: Solution, k: int, ticks: list[_Tick]) -> Stage:
    """Bound the battery energy at a departure, and say what it is worth there."""
    deadline, reached = problem.deadlines[k], solution.reaches_kwh[k]
    least, most = min(deadline.need_kwh, reached), max(deadline.want_kwh, reached)
    if _is_held(problem, solution, k, ticks):
        near = [t for t in problem.targets_kwh(k) if abs(t - reached) <= 2 * NEED_TOLERANCE_KWH]
        least = most = near[0] if near else reached
    if k + 1 < len(problem.deadlines):
        if reached > deadline.trip_kwh:
            least = max(least, deadline.trip_kwh)
        else:
            most = min(most, deadline.trip_kwh)
    least, most, worth = _convex_part(*_worths(problem, k, least, most), reached)
    return Stage(
        fixed=_fixed(ticks),
        slopes=_slopes(ticks),
        least=least,
        most=most,
        worth=worth,
        lost=deadline.trip_kwh,
    )


def _until_floor(
    problem: PlanningProblem, solution: Solution, floor: Floor, ticks: list[_Tick]
) -> Stage:
    """Bound the battery energy at the floor, where it is worth nothing by itself."""
    hours = solution.share[: floor.tick] * problem.tick_hours
    kw = np.divide(solution.metered_kwh[: floor.tick], hours, where=hours > 0, out=hours * 0)
    held = problem.stored_kwh + float((problem.model.gained_kw_of(kw) * hours).sum())
    least, most = min(floor.kwh, held), max(problem.deadlines[0].want_kwh, held)
    return Stage(_fixed(ticks), _slopes(ticks), least, most, [Slope(0.0, most - least)])


def _fixed(ticks: list[_Tick]) -> float:
    return sum(each.least_kwh for each in ticks)


def _slopes(ticks: list[_Tick]) -> list[Slope]:
    return [slope for each in ticks for slope in each.slopes]


def _is_held(problem: PlanningProblem, solution: Solution, k: int, ticks: list[_Tick]) -> bool:
    """Tell whether the plan must end where it does: at a target that it was cut short at."""
    if any(solution.share[tick.i] < WHOLE for tick in ticks):
        return True
    first = problem.deadlines[k - 1].end if k else 0
    on = solution.share[first : problem.deadlines[k].end] > 0
    return len(ticks) < problem.min_run and bool(np.diff(on.nonzero()[0]).max(initial=1) == 1)


def _worths(
    problem: PlanningProblem, k: int, least: float, most: float
) -> tuple[list[float], list[float]]:
    """List the energies between which what is held has one worth, and its price in each part."""
    ratio, count = problem.model.metered_per_gained or 1.0, len(problem.deadlines)
    trip = problem.deadlines[k].trip_kwh
    parts: list[tuple[float, float, float]] = []  # from, to, and the price of one kWh more
    for place, sign, lost in ((k, -1.0, 0.0), (k + 1, 1.0, trip)):
        if place == count:
            break
        for low, high, rate in worth_pieces(problem.deadlines[place:]):
            parts.append((low + lost, high + lost, sign * ratio * rate))
        need = problem.deadlines[place].need_kwh + lost
        parts.append((need, float("inf"), sign * ratio * problem.least_worth * (count - place)))
    inside = {each for low, high, _ in parts for each in (low, high) if least < each < most}
    edges = [least, *sorted(inside), most]
    prices = [
        sum(price for start, end, price in parts if start <= (low + high) / 2 < end)
        for low, high in pairwise(edges)
    ]
    return edges, prices


def _convex_part(
    edges: list[float], prices: list[float], reached: float
) -> tuple[float, float, list[Slope]]:
    """Keep the parts around an energy over which the price never falls."""
    count = len(prices)
    inside = (n for n in range(count) if reached <= edges[n + 1])
    first = last = next(inside, max(0, count - 1))
    while first > 0 and prices[first - 1] <= prices[first]:
        first -= 1
    while last + 1 < count and prices[last + 1] >= prices[last]:
        last += 1
    worth = [Slope(prices[n], edges[n + 1] - edges[n]) for n in range(first, last + 1)]
    return edges[first], edges[last + 1], worth
