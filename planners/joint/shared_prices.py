"""Put a price on what is shared: it bounds the cost of every plan, and leads to better ones.

With a price ``q[r, i] >= 0`` on limit ``r`` in tick ``i``, each vehicle is planned alone, at its
rates and what its current then costs. The sum of what these plans cost, less ``sum q x left``, is
at most what any plan costs that keeps the limits (weak duality). The prices rise where the plans
take more than is left and fall where they take less, by Polyak's step. They are the same in all
ticks of a group in which nothing changes, neither a rate, nor what may be drawn, nor who is there:
but for runs and starts such ticks can be exchanged, and so can their prices.

A tick's current is charged by its energy, ``metered kWh / (kW per ampere x hours)``. With a taper,
or in a tick cut short, that is less than the current, so the bound stays one.

The bound is as exact as each vehicle's plan: see `planners.solver.exact.solve`. With a taper, or
where there would be too many levels, a vehicle's plan may cost a tick's energy more than the
cheapest, and the bound may be too high by as much for each vehicle.

Source: M. L. Fisher, "The Lagrangian Relaxation Method for Solving Integer Programming Problems",
Management Science 27 (1981), for bound and step (from memory).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from planners.joint.plans import beside, limit_left
from planners.solver.exact import solve
from planners.solver.solution import objective

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.joint.problem import JointProblem

PATIENCE = 3
"""After so many rounds without a better bound the steps become shorter."""

SHORTER = 0.6
"""The part of a step that is left then."""

TINY = 1e-12
"""Squares of currents that are smaller are rounding [A2]."""


class SharedPrices:
    """Prices of all limits, adjusted round by round.

    Parameters
    ----------
    joint : JointProblem
        The problem; its needs can be met.

    Attributes
    ----------
    bound : float
        No plan with every need met costs less [currency].
    is_settled : bool
        Whether another round would change nothing.
    """

    def __init__(self, joint: JointProblem) -> None:
        nobody = np.zeros((len(joint.vehicles), joint.ticks))
        self._joint = joint
        # No vehicle alone may take more than all that is left.
        self._alone = [beside(joint, vehicle, nobody) for vehicle in range(len(joint.vehicles))]
        self._groups = _groups_of(joint)
        self._sizes = np.bincount(self._groups)
        self._left = [limit_left(limit.left) for limit in joint.limits]
        self._prices = np.zeros((len(joint.limits), len(self._sizes)))
        self._step, self._waited = 1.0, 0
        self.bound = -np.inf
        self.is_settled = False

    @property
    def surcharges(self) -> list[NDArray[np.float64]]:
        """What each vehicle's current costs on top, shape (its ticks,) [currency per kWh]."""
        per_tick = self._prices[:, self._groups]
        found = []
        for vehicle, problem in enumerate(self._joint.vehicles):
            weights = np.array([limit.weights[vehicle] for limit in self._joint.limits])
            per_amp = (weights @ per_tick)[: problem.ticks]
            found.append(per_amp / (problem.model.kw_per_amp * problem.tick_hours))
        return found

    def next_round(self, best_money: float) -> None:
        """Plan each vehicle alone at the prices, raise the bound and adjust the prices.

        Parameters
        ----------
        best_money : float
            What the best plan so far costs [currency].
        """
        taken = [np.zeros(self._joint.ticks) for _ in self._left]
        value = 0.0
        for vehicle, (problem, surcharges) in enumerate(
            zip(self._alone, self.surcharges, strict=True)
        ):
            plan = solve(replace(problem, surcharges_per_kwh=surcharges))
            value += objective(problem, plan) + float(surcharges @ plan.metered_kwh)
            amps = plan.metered_kwh / (problem.model.kw_per_amp * problem.tick_hours)
            for used, limit in zip(taken, self._joint.limits, strict=True):
                used[: problem.ticks] += limit.weights[vehicle] * amps
        per_tick = self._prices[:, self._groups]
        value -= sum(float(q @ left) for q, left in zip(per_tick, self._left, strict=True))
        self._raise(value)
        over = np.array(
            [
                np.bincount(self._groups, used - left)
                for used, left in zip(taken, self._left, strict=True)
            ]
        )
        self._adjust(over, best_money - value)

    def _raise(self, value: float) -> None:
        self._waited = 0 if value > self.bound else self._waited + 1
        self.bound = max(self.bound, value)
        if self._waited == PATIENCE:
            self._step, self._waited = self._step * SHORTER, 0

    def _adjust(self, over: NDArray[np.float64], missing: float) -> None:
        moves = np.where((self._prices <= 0) & (over < 0), 0.0, over) / self._sizes
        square = float((moves**2 * self._sizes).sum())
        self.is_settled = missing <= 0 or square < TINY
        if not self.is_settled:
            step = self._step * missing / square
            self._prices = np.maximum(0.0, self._prices + step * moves)


def _groups_of(joint: JointProblem) -> NDArray[np.intp]:
    """Give neighbouring ticks that are alike the same number, shape (ticks,)."""
    rows = [limit.left for limit in joint.limits]
    changes = np.zeros(joint.ticks, dtype=np.bool_)
    for problem in joint.vehicles:
        gone = np.full(joint.ticks - problem.ticks, -np.inf)
        rows += [np.concatenate((of, gone)) for of in (problem.rates_per_kwh, problem.highest_amps)]
        edges = [edge for d in problem.deadlines for edge in (d.end, d.return_tick)]
        changes[[edge for edge in edges if edge < joint.ticks]] = True
    for row in rows:
        changes[1:] |= row[1:] != row[:-1]
    changes[0] = False
    return np.cumsum(changes)
