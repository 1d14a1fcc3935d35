"""Put a price on what is shared: it bounds the cost of every plan, and leads to better ones.

With a price ``q[r, i] >= 0`` on limit ``r`` in tick ``i``, each vehicle is planned alone, at its
rates and what its current then costs. The sum of what these plans cost, less ``sum q x left``, is
at most what any plan costs that keeps the limits (weak duality). The prices rise where the plans
take more than is left and fall where they take less, by Polyak's step. They are the same in all
ticks of a group in which nothing changes, neither a rate, nor what may be drawn, nor who is there:
but for runs and starts such ticks can be exchanged, and so can their prices.

The first prices come from vehicles without runs, rests, start costs and lowest currents. Each of
these takes its cheapest ticks, which costs no more than sorting them, so that some hundred rounds
are a matter of milliseconds; and their prices are nearly those of the real vehicles.

A tick's current is charged by its energy, ``metered kWh / (kW per ampere x hours)``. With a taper,
or in a tick cut short, that is less than the current, so the bound stays one.

A surplus that vehicles share is one more thing with a price, charged to the energy that each takes
from it; where export pays more, see `planners.joint.surplus`.

The bound is as exact as each vehicle's plan: see `planners.solver.exact.solve`. With a taper, or
where there would be too many levels, a vehicle's plan may cost a tick's energy more than the
cheapest, and the bound may be too high by as much for each vehicle.

Source: M. L. Fisher, "The Lagrangian Relaxation Method for Solving Integer Programming Problems",
Management Science 27 (1981), for bound and step (from memory).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from planners.joint.plans import beside, limit_left
from planners.joint.surplus import alone_at_best, at_surplus_prices, is_shared, pays_to_export
from planners.solver.exact import solve
from planners.solver.problem import PlanningProblem
from planners.solver.solution import objective

if TYPE_CHECKING:
    from planners.joint.problem import JointProblem

PATIENCE = 3
"""After so many rounds without a better bound the steps become shorter."""

SHORTER = 0.6
"""The part of a step that is left then."""

FREE_ROUNDS = 200
"""Rounds with vehicles that are free of rules."""

FREE_PATIENCE = 10
"""After so many of them without a better bound, the best prices are taken again."""

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
        self._joint, self._hours = joint, joint.vehicles[0].tick_hours
        # No vehicle alone may take more than all that is left.
        at_best = replace(joint, vehicles=tuple(alone_at_best(joint)))
        self._alone = [beside(at_best, vehicle, nobody) for vehicle in range(len(joint.vehicles))]
        self._surplus_kw = _surplus_with_price(joint)
        self._groups = _groups_of(joint)
        self._sizes = np.bincount(self._groups)
        self._left = [limit_left(limit.left) for limit in joint.limits]
        # The last row is of the surplus: in amperes of a vehicle, as the others are.
        self._unit_kw = min(problem.model.kw_per_amp for problem in joint.vehicles)
        rows = len(joint.limits) + (self._surplus_kw is not None)
        self._prices = np.zeros((rows, len(self._sizes)))
        self._step, self._waited = 1.0, 0
        self.bound = -np.inf
        self.is_settled = False

    @property
    def surcharges(self) -> list[NDArray[np.float64]]:
        """What each vehicle's current costs on top, shape (its ticks,) [currency per kWh]."""
        per_tick = self._prices[: len(self._left), self._groups]
        found = []
        for vehicle, problem in enumerate(self._joint.vehicles):
            weights = np.array([limit.weights[vehicle] for limit in self._joint.limits])
            per_amp = (weights @ per_tick)[: problem.ticks]
            found.append(per_amp / (problem.model.kw_per_amp * problem.tick_hours))
        return found

    @property
    def surplus_prices(self) -> NDArray[np.float64] | None:
        """What energy from the surplus costs on top, shape (ticks,) [currency per kWh]."""
        if self._surplus_kw is None:
            return None
        found: NDArray[np.float64] = self._prices[-1, self._groups] / (self._hours * self._unit_kw)
        return found

    def next_round(self, best_money: float) -> None:
        """Plan each vehicle alone at the prices, raise the bound and adjust the prices.

        Parameters
        ----------
        best_money : float
            What the best plan so far costs [currency].
        """
        if np.isinf(self.bound):
            self._find_first_prices(best_money)
        value, over = self._answered(_planned)
        self._raise(value)
        self._adjust(over, best_money - value, self._step)

    def _find_first_prices(self, best_money: float) -> None:
        """Adjust the prices to vehicles that are free of rules."""
        if any(len(problem.deadlines) > 1 for problem in self._alone):
            return  # what a later departure needs is not bought in the cheapest ticks of all
        best, kept, step, waited = -np.inf, self._prices, 1.0, 0
        for _ in range(FREE_ROUNDS):
            value, over = self._answered(_taken_freely)
            if value > best:
                best, kept, waited = value, self._prices, 0
            waited += 1
            if waited > FREE_PATIENCE:
                self._prices, step, waited = kept, step * SHORTER, 0
            elif not self._adjust(over, best_money - value, step):
                break
        self._prices, self.is_settled = kept, False

    def _answered(self, answer: _Answer) -> tuple[float, NDArray[np.float64]]:
        """Let each vehicle answer the prices: the bound, and what is taken too much of."""
        taken = [np.zeros(self._joint.ticks) for _ in self._left]
        from_roof_kw = np.zeros(self._joint.ticks)
        value, prices = 0.0, self.surplus_prices
        for vehicle, (problem, surcharges) in enumerate(
            zip(self._alone, self.surcharges, strict=True)
        ):
            priced = replace(problem, surcharges_per_kwh=surcharges)
            if prices is not None:
                priced = at_surplus_prices(priced, prices)
            metered_kwh, roof_kwh, cost = answer(priced)
            value += cost
            if priced.export_rates_per_kwh is not None:  # at the import rate it leaves the surplus
                roof_kwh = roof_kwh * (priced.export_rates_per_kwh < priced.rates_per_kwh)
            from_roof_kw[: problem.ticks] += roof_kwh / self._hours
            amps = metered_kwh / (problem.model.kw_per_amp * problem.tick_hours)
            for used, limit in zip(taken, self._joint.limits, strict=True):
                used[: problem.ticks] += limit.weights[vehicle] * amps
        left_of, per_tick, unit = self._left, self._prices[:, self._groups], self._unit_kw
        if self._surplus_kw is not None:
            taken, left_of = [*taken, from_roof_kw / unit], [*left_of, self._surplus_kw / unit]
        value -= sum(float(q @ left) for q, left in zip(per_tick, left_of, strict=True))
        over = [
            np.bincount(self._groups, used - left)
            for used, left in zip(taken, left_of, strict=True)
        ]
        return value, np.array(over)

    def _raise(self, value: float) -> None:
        self._waited = 0 if value > self.bound else self._waited + 1
        self.bound = max(self.bound, value)
        if self._waited == PATIENCE:
            self._step, self._waited = self._step * SHORTER, 0

    def _adjust(self, over: NDArray[np.float64], missing: float, step: float) -> bool:
        """Raise the prices of what is taken too much of; False if nothing would change."""
        moves = np.where((self._prices <= 0) & (over < 0), 0.0, over) / self._sizes
        square = float((moves**2 * self._sizes).sum())
        self.is_settled = missing <= 0 or square < TINY
        if not self.is_settled:
            self._prices = np.maximum(0.0, self._prices + step * missing / square * moves)
        return not self.is_settled


_Answer = Callable[[PlanningProblem], tuple[NDArray[np.float64], NDArray[np.float64], float]]
"""From a vehicle's problem to its metered energy in each tick, the part of it that is from the
surplus, and its objective at the prices."""


def _surplus_with_price(joint: JointProblem) -> NDArray[np.float64] | None:
    """Return the surplus that a price shares [kW]; infinite where nobody shares it."""
    is_priced = is_shared(joint) & ~pays_to_export(joint)
    return np.where(is_priced, joint.surplus_kw, 1e6) if is_priced.any() else None


def _planned(problem: PlanningProblem) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Take what the cheapest plan takes."""
    plan = solve(problem)
    surcharges = problem.prices_per_kwh - problem.rates_per_kwh
    cost = objective(problem, plan) + float(surcharges @ plan.metered_kwh)
    return plan.metered_kwh, plan.roof_kwh, cost


def _taken_freely(
    problem: PlanningProblem,
) -> tuple[NDArray[np.float64], NDArray[np.float64], float]:
    """Take the cheapest ticks up to the need, and on to the want at the highest rate or less."""
    deadline, model, prices = problem.deadlines[0], problem.model, problem.prices_per_kwh
    usable = problem.highest_amps >= problem.least_amps
    most = np.where(usable, problem.highest_amps, 0.0) * model.kw_per_amp * problem.tick_hours
    ticks = problem.ticks
    if problem.surplus_kw is not None:  # the two parts of a tick, as if each were one
        roof = np.minimum(most, problem.surplus_kw * problem.tick_hours)
        prices = np.concatenate((problem.export_prices_per_kwh, prices))
        most = np.concatenate((roof, most - roof))
    need, want = (
        max(0.0, kwh - problem.stored_kwh) / model.efficiency
        for kwh in (deadline.need_kwh, deadline.want_kwh)
    )
    order = np.argsort(prices, kind="stable")
    until = np.cumsum(most[order])
    target = np.where(prices[order] < deadline.max_rate_per_kwh, want, need)
    metered = np.zeros(len(most))
    metered[order] = np.maximum(0.0, np.minimum(until, target) - (until - most[order]))
    past = max(0.0, float(metered.sum()) - need)
    cost = float(prices @ metered) - deadline.max_rate_per_kwh * past
    if problem.surplus_kw is None:
        return metered, np.zeros(ticks), cost
    return metered[:ticks] + metered[ticks:], metered[:ticks], cost


def _groups_of(joint: JointProblem) -> NDArray[np.intp]:
    """Give neighbouring ticks that are alike the same number, shape (ticks,)."""
    rows = [limit.left for limit in joint.limits]
    changes = np.zeros(joint.ticks, dtype=np.bool_)
    for problem in joint.vehicles:
        gone = np.full(joint.ticks - problem.ticks, -np.inf)
        own = [problem.rates_per_kwh, problem.highest_amps]
        more = problem.surplus_kw, problem.export_rates_per_kwh
        own += [each for each in more if each is not None]
        rows += [np.concatenate((of, gone)) for of in own]
        edges = [edge for d in problem.deadlines for edge in (d.end, d.return_tick)]
        changes[[edge for edge in edges if edge < joint.ticks]] = True
    for row in rows:
        changes[1:] |= row[1:] != row[:-1]
    changes[0] = False
    return np.cumsum(changes)
