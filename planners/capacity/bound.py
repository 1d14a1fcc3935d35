"""Bound the cost of a night under caps from below, for many choices of caps at once.

The bound sets aside the shortest run and rest, and all starts but the first: the energy is bought
from the cheapest ticks, of each interval as much as whole ticks, or whole amperes, take under its
cap. Only one tick may be cut short, so that only one interval can have a part of a tick more. That
part costs the lowest rate at least. No plan under the caps costs less. With a surplus each tick is
two, one at the export rate and one at the import rate, and an interval has its surplus on top of
what it may import.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planners.power.charging import SAME_KWH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.capacity.statement import CapacityProblem
    from planners.solver.problem import PlanningProblem

    Array = NDArray[np.float64]

MOST_AT_ONCE = 200_000
"""Choices times ticks that are computed at once: some megabytes."""


@dataclass(frozen=True, slots=True, eq=False)
class NightBound:
    """The ticks of a night in order of their rates, made by `night_bound`.

    Attributes
    ----------
    rates : ndarray of float, shape (ticks,)
        Rate of each tick, ascending [currency per kWh].
    kwh : ndarray of float, shape (ticks,)
        The most energy of each [kWh].
    before_kwh : ndarray of float, shape (ticks,)
        The most energy of the cheaper ticks of its interval [kWh].
    interval : ndarray of int, shape (ticks,)
        The interval of each; the number of intervals if it is in none.
    need_kwh, want_kwh : float
        Least and most energy to buy [metered kWh].
    max_rate : float
        Worth of a kWh past the need [currency per kWh].
    fixed : float
        What every plan costs: the first start [currency].
    """

    rates: Array
    kwh: Array
    before_kwh: Array
    interval: NDArray[np.intp]
    need_kwh: float
    want_kwh: float
    max_rate: float
    fixed: float

    def least(self, budgets_kwh: Array, more_kwh: Array) -> Array:
        """Bound the objective from below.

        Parameters
        ----------
        budgets_kwh : ndarray of float, shape (choices, intervals)
            The most energy of each interval in whole ticks [kWh].
        more_kwh : ndarray of float, shape (choices,)
            The most that a tick cut short may add in one of them [kWh].

        Returns
        -------
        ndarray of float, shape (choices,)
            A bound below the objective of every plan; infinity if the need can't be met.
        """
        rows = max(1, MOST_AT_ONCE // max(1, len(self.rates)))
        return np.concatenate(
            [
                self._least(budgets_kwh[i : i + rows], more_kwh[i : i + rows, None])
                for i in range(0, len(budgets_kwh), rows)
            ]
        )

    def _least(self, budgets_kwh: Array, more_kwh: Array) -> Array:
        unlimited = np.full((len(budgets_kwh), 1), np.inf)
        left = np.hstack([budgets_kwh, unlimited])[:, self.interval] - self.before_kwh
        usable = np.clip(left, 0.0, self.kwh)
        upto = np.cumsum(usable, axis=1)
        before = upto - usable
        need = np.maximum(0.0, self.need_kwh - more_kwh)
        needed = np.clip(need - before, 0.0, usable)
        wanted = np.clip(self.want_kwh - before, 0.0, usable) - needed
        cost: Array = needed @ self.rates
        cost += wanted @ np.minimum(0.0, self.rates - self.max_rate)
        lowest = self.rates.min(initial=0.0)
        added = np.minimum(self.need_kwh, more_kwh) * lowest
        added += more_kwh * min(0.0, lowest - self.max_rate)
        met = upto.max(axis=1, initial=0.0) >= need[:, 0] - SAME_KWH * (1 + self.need_kwh)
        return np.where(met, cost + added[:, 0], np.inf) + self.fixed


def night_bound(capacity: CapacityProblem, need_kwh: float) -> NightBound:
    """Prepare the bound of a night.

    Parameters
    ----------
    capacity : CapacityProblem
        The night.
    need_kwh : float
        Battery energy that must be reached [kWh].

    Returns
    -------
    NightBound
        The night's ticks in order of their rates.
    """
    problem = capacity.problem
    model, deadline = problem.model, problem.deadlines[0]
    per_gained = model.metered_per_gained or 1 / model.efficiency
    usable = problem.highest_amps >= problem.least_amps
    usable[: problem.rest_left] = False
    kwh = np.where(usable, problem.highest_amps, 0.0) * model.kw_per_amp * problem.tick_hours
    interval = np.full(problem.ticks, len(capacity.intervals))
    for number, each in enumerate(capacity.intervals):
        interval[each.start : each.end] = number
    prices = problem.prices_per_kwh
    if problem.surplus_kw is not None:
        prices, kwh = _with_surplus(problem, problem.surplus_kw, kwh)
        interval = np.concatenate((interval, interval))
    order = np.argsort(prices, kind="stable")
    before = np.zeros(len(prices))
    for number in range(len(capacity.intervals)):
        here = order[interval[order] == number]
        before[here] = np.cumsum(kwh[here]) - kwh[here]
    need = per_gained * max(0.0, need_kwh - problem.stored_kwh)
    want = per_gained * max(0.0, deadline.want_kwh - problem.stored_kwh)
    starts = need > SAME_KWH and not problem.before.on
    return NightBound(
        rates=prices[order],
        kwh=kwh[order],
        before_kwh=before[order],
        interval=interval[order],
        need_kwh=need,
        want_kwh=max(need, want),
        max_rate=deadline.max_rate_per_kwh,
        fixed=problem.start_cost if starts else 0.0,
    )


def _with_surplus(problem: PlanningProblem, surplus_kw: Array, kwh: Array) -> tuple[Array, Array]:
    """Return the prices and energies of both parts of each tick; none costs more than it may."""
    roof = np.minimum(kwh, surplus_kw * problem.tick_hours)
    exported, imported = problem.export_prices_per_kwh, problem.prices_per_kwh
    part = roof / np.maximum(kwh, SAME_KWH)
    # Where export pays more, the mean rate of the whole tick is the lowest.
    mean = imported + np.maximum(0.0, exported - imported) * part
    return np.concatenate((np.minimum(exported, mean), mean)), np.concatenate((roof, kwh - roof))
