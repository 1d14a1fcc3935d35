"""Carry out chosen currents on the charge model, and price them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planners.solver.problem import NEED_TOLERANCE_KWH, ROUNDING_TICKS
from planners.solver.worth import worth_at, worth_pieces
from planners.surplus.two_rates import roof_kwh

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.solver.problem import PlanningProblem


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """An optimal plan of a `PlanningProblem`.

    Attributes
    ----------
    amps : ndarray of float, shape (ticks,)
        Current of each tick [A per phase]; 0 in ticks that don't charge.
    share : ndarray of float, shape (ticks,)
        Used share of each tick: 0, 1, or less than 1 in a tick cut short.
    metered_kwh : ndarray of float, shape (ticks,)
        Energy through the meter [kWh].
    roof_kwh : ndarray of float, shape (ticks,)
        The part of it that is from the surplus [kWh].
    reaches_kwh : tuple of float
        Battery energy at each departure [kWh].
    worth : float
        What the energy is worth that no departure needs [currency].
    cost : float
        Sum of rate x energy [currency], without start costs; energy from the surplus at the export
        rate, and energy from the grid at the import rate.
    starts : int
        Number of starts; continuing a run in progress is none.
    short_runs : int
        Number of runs that end with the time before a departure and are too short.
    """

    amps: NDArray[np.float64]
    share: NDArray[np.float64]
    metered_kwh: NDArray[np.float64]
    roof_kwh: NDArray[np.float64]
    reaches_kwh: tuple[float, ...]
    worth: float
    cost: float
    starts: int
    short_runs: int

    @property
    def on(self) -> NDArray[np.bool_]:
        """Whether each tick charges, shape (ticks,)."""
        return self.share > 0


def solution_of(
    problem: PlanningProblem, amps: NDArray[np.float64], share: NDArray[np.float64]
) -> Solution:
    """Carry out chosen currents on the charge model, and price them.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    amps : ndarray of float, shape (ticks,)
        Current of each tick [A per phase].
    share : ndarray of float, shape (ticks,)
        Used share of each tick.

    Returns
    -------
    Solution
        The chosen currents with their energy and cost.
    """
    model = problem.model
    metered = np.zeros(problem.ticks)
    stored = problem.stored_kwh
    begin = 0
    reaches: list[float] = []
    currents, shares = amps.tolist(), share.tolist()
    worth, short_runs = 0.0, 0
    for k, deadline in enumerate(problem.deadlines):
        begun_kwh = stored
        for i in (np.flatnonzero(share[begin : deadline.end]) + begin).tolist():
            kw = model.metered_kw(stored, currents[i])
            hours = problem.tick_hours * shares[i]
            metered[i] = kw * hours
            stored += model.gained_kw(kw) * hours
        reaches.append(stored)
        pieces = worth_pieces(problem.deadlines[k:])
        low, high = worth_at(model, pieces, np.array([begun_kwh, stored]))
        worth += float(high - low)
        short_runs += _ends_short(problem, k, share[begin : deadline.end], stored)
        stored = max(0.0, stored - deadline.trip_kwh)
        begin = deadline.end
    on = share > 0
    before = np.concatenate(([problem.before.on], on[:-1]))
    before[[d.end for d in problem.deadlines[:-1]]] = False
    roof = np.zeros(problem.ticks)
    cost = float(problem.rates_per_kwh @ metered)
    if problem.surplus_kw is not None and problem.export_rates_per_kwh is not None:
        roof = roof_kwh(metered, share, problem.surplus_kw, problem.tick_hours)
        cost += float((problem.export_rates_per_kwh - problem.rates_per_kwh) @ roof)
    return Solution(
        amps=amps,
        share=share,
        metered_kwh=metered,
        roof_kwh=roof,
        reaches_kwh=tuple(reaches),
        worth=worth,
        cost=cost,
        starts=int((on & ~before).sum()),
        short_runs=short_runs,
    )


def paid_per_kwh(problem: PlanningProblem, solution: Solution) -> NDArray[np.float64]:
    """Return what the dearest kWh of each tick costs a plan [currency per kWh], shape (ticks,)."""
    if problem.export_rates_per_kwh is None:
        return problem.rates_per_kwh
    roof, grid = solution.roof_kwh > 0, solution.metered_kwh > solution.roof_kwh
    export_rates = np.where(roof, problem.export_rates_per_kwh, -np.inf)
    rates = np.where(grid | ~roof, problem.rates_per_kwh, -np.inf)
    return np.maximum(rates, export_rates)


def _ends_short(
    problem: PlanningProblem, k: int, share: NDArray[np.float64], reached_kwh: float
) -> bool:
    """Tell whether the last run before departure `k` goes on to its end and is too short."""
    if not len(share) or share[-1] <= 0:
        return False
    off = np.flatnonzero(share <= 0)
    run = len(share) - 1 - int(off[-1]) if len(off) else len(share)
    if run == len(share) and k == 0 and problem.before.on:
        return False
    is_all = not share[: len(share) - run].any()
    run -= bool(share[-1] < problem.part_that_counts - ROUNDING_TICKS)
    if run >= problem.min_run:
        return False
    at_target = any(abs(reached_kwh - t) <= NEED_TOLERANCE_KWH for t in problem.targets_kwh(k))
    return not (is_all and at_target)


def objective(problem: PlanningProblem, solution: Solution) -> float:
    """Return the objective, which the solver minimises [currency].

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    solution : Solution
        A plan for it.

    Returns
    -------
    float
        Cost of energy, starts and short runs, minus the worth of the kWh that no departure needs.
    """
    extra = problem.start_cost * solution.starts + problem.short_run_cost * solution.short_runs
    return solution.cost + extra - solution.worth
