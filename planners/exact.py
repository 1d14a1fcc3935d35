"""The cheapest ticks to charge in, exactly: a dynamic programme over time and ticks bought.

Objective and constraints are those of `planners.problem`. Since charging runs at one current, the
battery after `c` ticks of charging is the same whichever ticks they were, so the state before
tick ``i`` is (``i``, ``c``, on or off), and what a further tick buys is rung ``c`` of a ladder,
``E[c]`` at the meter. With ``U`` the shortest run, ``R`` the shortest rest, both whole ticks, and
``cost(i, c, U)`` the price of ticks ``i .. i+U-1`` buying rungs ``c .. c+U-1``::

    on[i, c]  = min( p[i] E[c] + on[i+1, c+1] ,            go on
                     off[i+R, c] )                         stop, and rest
    off[i, c] = min( off[i+1, c] ,                         wait
                     s + cost(i, c, U) + on[i+U, c+U] )    start, and run

    on[N, c] = off[N, c] = -max_rate x (metered kWh of c rungs past the need), or infinity where
    fewer rungs than can be had, and than the need wants, were bought.

``i+U`` and ``i+R`` end at ``N``. A ladder ends exactly at its target, which cuts the last tick
short; the target is the need or the want, so both ladders are solved and the better one is taken:
between them the objective is a straight line in the length of the last tick, and an end of the
line is optimal. Ticks ``N`` x rungs ``K`` bound the time and the memory.

Ties: a start costs `TIE` more than it says, so that of plans within `TIE` the one with fewer
starts wins; what is then left equal is decided by preferring, forwards in time, to be on (early)
or off (late). A kWh past the need that costs just ``max_rate`` is bought.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planners.charging import REACHED_KWH
from planners.problem import Problem, Solution, solution_of

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.charging import Ladder

TIE = 1e-9
"""Plans whose costs differ by less cost the same [currency]."""


@dataclass(frozen=True, slots=True, eq=False)
class _Tables:
    """Cost to go and the decision in each state; arrays of shape (ticks + 1, rungs + 1)."""

    on: NDArray[np.float64]
    off: NDArray[np.float64]
    stop: NDArray[np.bool_]
    start: NDArray[np.bool_]
    diagonal: NDArray[np.float64]


def solve(problem: Problem) -> Solution:
    """Find the cheapest plan.

    Parameters
    ----------
    problem : Problem
        See `planners.problem`; rates of shape (ticks,), none of them infinite or nan.

    Returns
    -------
    Solution
        Optimal in the sense of the module's first lines. Where the need can't be met it buys as
        much as can be had.
    """
    need_kwh = float(problem.to_need.metered_kwh.sum())
    best = _solve_ladder(problem, problem.to_need, need_kwh)
    if problem.to_want is problem.to_need:
        return best
    rival = _solve_ladder(problem, problem.to_want, need_kwh)
    gain = objective(problem, best) - objective(problem, rival)
    tie = _tie(problem, problem.to_want)
    return rival if gain > tie or (gain > -tie and rival.starts <= best.starts) else best


def objective(problem: Problem, solution: Solution) -> float:
    """Give what is minimised [currency]: energy and starts, less the worth of kWh past the need."""
    need_kwh = problem.to_need.metered_kwh.sum()
    past_need_kwh = max(0.0, float(solution.metered_kwh.sum() - need_kwh))
    return (
        solution.cost
        + problem.start_cost * solution.starts
        - problem.max_rate_per_kwh * past_need_kwh
    )


def _solve_ladder(problem: Problem, steps: Ladder, need_kwh: float) -> Solution:
    ticks = len(problem.rates_per_kwh)
    most = min(steps.rungs, max(0, ticks - problem.rest_left))
    bought_kwh = np.concatenate(([0.0], np.cumsum(steps.metered_kwh)))
    enough = int(np.searchsorted(bought_kwh, need_kwh - REACHED_KWH))
    end = -problem.max_rate_per_kwh * np.maximum(0.0, bought_kwh - need_kwh)
    end -= 0.1 * _tie(problem, steps) * np.arange(len(end))  # at just max_rate, buy
    end[: min(most, enough)] = np.inf
    min_run = max(1, min(problem.min_run, steps.rungs))
    tables = _tables(problem, steps, end, min_run)
    on = _follow(tables, problem, steps.rungs, min_run)
    return solution_of(on, steps, problem.rates_per_kwh, running=problem.before.on)


def _tie(problem: Problem, steps: Ladder) -> float:
    """Widen `TIE` where sums of money are so large that rounding would reach it."""
    total = float(np.abs(problem.rates_per_kwh).max(initial=0.0) * steps.metered_kwh.sum())
    return max(TIE, 1e-12 * (total + problem.start_cost * len(problem.rates_per_kwh)))


def _tables(problem: Problem, steps: Ladder, end: NDArray[np.float64], min_run: int) -> _Tables:
    rates, energy = problem.rates_per_kwh, steps.metered_kwh
    ticks, rungs = len(rates), steps.rungs
    tie = _tie(problem, steps)
    # Equal but for rounding: to be on, or off, gets the benefit of the doubt.
    early_bonus = 0.01 * tie * (-1 if problem.prefer_late else 1)
    start_cost = problem.start_cost + tie
    on = np.full((ticks + 1, rungs + 1), np.inf)
    off = np.full((ticks + 1, rungs + 1), np.inf)
    stop = np.ones((ticks + 1, rungs + 1), dtype=bool)
    start = np.zeros((ticks + 1, rungs + 1), dtype=bool)
    diagonal = _diagonal_sums(rates, energy)
    on[ticks] = off[ticks] = end
    begin = np.empty(rungs + 1)
    go_on = np.full(rungs + 1, np.inf)
    for i in range(ticks - 1, -1, -1):
        run = min(min_run, ticks - i)
        begin[:] = np.inf
        fits = max(0, rungs + 1 - run)
        begin[:fits] = (
            start_cost
            + (diagonal[i + run, run:] - diagonal[i, :fits])
            + on[i + run, run : run + fits]
        )
        start[i] = begin < off[i + 1] + early_bonus
        np.minimum(begin, off[i + 1], out=off[i])
        go_on[:rungs] = rates[i] * energy + on[i + 1, 1:]
        rested = off[min(i + problem.min_rest, ticks)]
        stop[i] = go_on >= rested + early_bonus
        np.minimum(go_on, rested, out=on[i])
    return _Tables(on, off, stop, start, diagonal)


def _diagonal_sums(rates: NDArray[np.float64], energy: NDArray[np.float64]) -> NDArray[np.float64]:
    """Price buying rungs ``c-i .. c-1`` in ticks ``0 .. i-1``, shape (ticks + 1, rungs + 1)."""
    # The difference of two entries on one diagonal is the price of the run between them.
    sums = np.zeros((len(rates) + 1, len(energy) + 1))
    prices = np.multiply.outer(rates, energy)
    for i in range(len(rates)):
        np.add(sums[i, :-1], prices[i], out=sums[i + 1, 1:])
    return sums


def _follow(tables: _Tables, problem: Problem, rungs: int, min_run: int) -> NDArray[np.bool_]:
    """Walk forwards through the decisions."""
    ticks = len(problem.rates_per_kwh)
    on = np.zeros(ticks, dtype=bool)
    if problem.before.on:
        running = True
        i = bought = min(max(0, problem.min_run - problem.before.ticks), rungs, ticks)
        on[:i] = True
    else:
        running = False
        i, bought = min(problem.rest_left, ticks), 0
    while i < ticks:
        if running and tables.stop[i, bought]:
            running = False
            i += problem.min_rest
        elif running:
            on[i] = True
            i, bought = i + 1, bought + 1
        elif tables.start[i, bought]:
            run = min(min_run, ticks - i)
            on[i : i + run] = True
            running = True
            i, bought = i + run, bought + run
        else:
            i += 1
    return on
