"""Find the least shortages that are possible, whatever the energy costs, as a linear programme.

With ``y[w]`` the ticks that vehicles share in way ``w`` of group ``g(w)`` (`shared_ticks`), and
``gain[v, w]`` what vehicle ``v`` gains in one of them::

    sum over w of gain[v, w] y[w] + short[v] >= missing[v]        each vehicle
    sum over w with g(w) = g of y[w] <= size[g]                   each group of ticks
    short[v] <= largest[r]                                        each vehicle of priority r

Minimise, priority by priority, ``largest[r]`` and then the sum of ``short[v]``. Needs of later
departures than the first are not minded, nor are runs, rests and what a vehicle may hold at most.

No plan is short of less: at constant power, up to `planners.joint.shared_ticks.ALL_CORNERS`
vehicles, this is a bound. Few groups have ticks in more than one way, so whole ticks come near to
it. A taper is straightened: ``z(e)``, the energy that full power would give in the time that a
charge up to ``e`` takes, grows by the current alone. A kWh of ``z`` counts as what it adds on
average between the energy that is reached and the need, found in some rounds.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planners.joint.plans import by_priority
from planners.joint.shared_ticks import currents_of_ticks, shared_ticks
from planners.joint.simplex import least_in_order
from planners.power.charging import TAPER_STEPS

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.joint.plans import Shortages
    from planners.joint.problem import JointProblem
    from planners.joint.shared_ticks import SharedTicks
    from planners.solver.problem import PlanningProblem

    Array = NDArray[np.float64]

TAPER_ROUNDS = 4
"""How often the worth of a kWh at full power is found again."""

LEAST_TAPER_SHARE = 1e-3
"""Less of full power than this counts as this."""

SAME_KWH = 1e-7
"""Less is rounding [kWh]."""

DIGITS = 6
"""Shortages are compared to so many digits [kWh]."""


@dataclass(frozen=True, slots=True, eq=False)
class LeastShortages:
    """The least shortages of the first departures, and currents that come near to them.

    Attributes
    ----------
    short_kwh : ndarray of float, shape (vehicles,)
        Battery energy [kWh].
    currents : ndarray of float, shape (vehicles, ticks)
        Currents that keep every limit [A per phase].
    """

    short_kwh: Array
    currents: Array


def least_shortages(joint: JointProblem, spare_ticks: int | None = None) -> LeastShortages:
    """Find the least shortages of the first departures.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    spare_ticks : int, optional
        For how many ticks at its highest current each vehicle charges more than it needs. If it is
        given, a vehicle whose current can't be set takes whole ticks.

    Returns
    -------
    LeastShortages
        In order of priority, and among equals the largest first.
    """
    shared = shared_ticks(joint)
    straight = [_Straight(problem) for problem in joint.vehicles]
    gains = np.column_stack(
        [each.gains_kwh(amps) for each, amps in zip(straight, shared.amps.T, strict=True)]
    )
    missing = np.array([each.missing_kwh for each in straight])
    if spare_ticks is not None:
        tick_kwh = np.maximum(SAME_KWH, gains.max(axis=0, initial=0.0))
        is_whole = [problem.min_amps is None for problem in joint.vehicles]
        whole_kwh = np.ceil((missing - SAME_KWH) / tick_kwh) * tick_kwh
        missing = np.where(is_whole, whole_kwh, missing)
        missing += np.where(missing > 0, spare_ticks * tick_kwh, 0.0)
    worth = np.array([each.worth(0.0) for each in straight])
    ticks = _ticks_of_ways(joint, shared, gains * worth, missing * worth)
    for _ in range(TAPER_ROUNDS if any(each.is_curved for each in straight) else 0):
        worth = np.array(
            [each.worth(kwh) for each, kwh in zip(straight, ticks @ gains, strict=True)]
        )
        ticks = _ticks_of_ways(joint, shared, gains * worth, missing * worth)
    worth = np.array([each.worth(kwh) for each, kwh in zip(straight, ticks @ gains, strict=True)])

    def shortages(currents: Array) -> Shortages:
        pairs = zip(straight, currents, strict=True)
        gained = np.array([each.gains_kwh(amps).sum() for each, amps in pairs])
        short = np.maximum(0.0, missing - gained) * worth
        return by_priority(joint, short.round(DIGITS).tolist())

    short = np.maximum(0.0, missing - ticks @ gains) * worth
    return LeastShortages(short, currents_of_ticks(joint, shared, ticks, shortages))


class _Straight:
    """A vehicle's energies up to its need, as full power would give them.

    Parameters
    ----------
    problem : PlanningProblem
        The vehicle's.
    """

    def __init__(self, problem: PlanningProblem) -> None:
        self._problem, model = problem, problem.model
        self._kwh = np.linspace(0.0, max(model.usable_kwh, problem.stored_kwh), TAPER_STEPS + 1)
        middle = (self._kwh[:-1] + self._kwh[1:]) / 2
        shares = np.maximum(LEAST_TAPER_SHARE, model.taper_shares(middle))
        self._straight = np.concatenate(([0.0], np.cumsum(np.diff(self._kwh) / shares)))
        deadline = problem.deadlines[0]
        self._need = max(problem.stored_kwh, min(deadline.need_kwh, deadline.want_kwh))
        self.is_curved = bool(model.taper)
        self.missing_kwh = self._at(self._need) - self._at(problem.stored_kwh)

    def _at(self, kwh: float) -> float:
        return float(np.interp(kwh, self._kwh, self._straight)) if self.is_curved else kwh

    def gains_kwh(self, amps: Array) -> Array:
        """Return what currents add in a tick, at full power."""
        model = self._problem.model
        return model.gained_kw_of(amps * model.kw_per_amp) * self._problem.tick_hours

    def worth(self, gained_kwh: float) -> float:
        """Return what is missing after a gain, as a part of what is missing at full power."""
        missing = self.missing_kwh - gained_kwh
        if not self.is_curved or missing <= SAME_KWH:
            return 1.0
        at = self._at(self._problem.stored_kwh) + gained_kwh
        return (self._need - float(np.interp(at, self._straight, self._kwh))) / missing


def _ticks_of_ways(joint: JointProblem, shared: SharedTicks, gains: Array, missing: Array) -> Array:
    """Return how many ticks are shared in each way, shape (ways,)."""
    count, ways, groups = len(missing), len(gains), len(shared.sizes)
    ranks = np.array(joint.ranks)
    tops = [float(missing[ranks == rank].max()) for rank in sorted(set(joint.ranks))]
    # Columns: ways, too much, short, unused ticks, less than the largest shortage, and by how much
    # the largest shortage of each priority is less than if nothing were charged.
    too_much, short, unused = ways, ways + count, ways + 2 * count
    less, lowered = unused + groups, unused + groups + count
    rows = np.zeros((2 * count + groups, lowered + len(tops)))
    rows[:count, :ways] = rows[count : 2 * count, :ways] = gains.T
    each = np.arange(count)
    rows[each, too_much + each] = rows[count + each, too_much + each] = -1.0
    rows[count : 2 * count] *= -1.0
    rows[each, short + each] = rows[count + each, less + each] = 1.0
    rows[2 * count + shared.group, np.arange(ways)] = 1.0
    rows[2 * count + np.arange(groups), unused + np.arange(groups)] = 1.0
    costs: list[Array] = []
    right = np.concatenate((missing, missing, shared.sizes.astype(np.float64)))
    for place, (rank, top) in enumerate(zip(sorted(set(joint.ranks)), tops, strict=True)):
        equals = np.flatnonzero(ranks == rank)
        rows[count + equals, lowered + place] = 1.0
        right[count + equals] = top - missing[equals]
        largest, total = np.zeros((2, rows.shape[1]))
        largest[lowered + place] = -1.0
        total[short + equals] = 1.0
        costs += [largest, total]
    basis = [*(short + each), *(less + each), *(unused + np.arange(groups))]
    return least_in_order(rows, right, np.array(costs), basis)[:ways]
