"""State the planning problem of several vehicles: each one's own, and what they share."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution


SAME_SUN = 1e-6
"""Surpluses [kW] and rates [currency per kWh] nearer than this are the same."""

SolvedKey = tuple[int, bytes, bytes, bytes, bytes]
"""A vehicle's place, and its currents, surcharges, surplus and export rates."""


@dataclass(frozen=True, slots=True, eq=False)
class SharedLimit:
    """Something of which the vehicles together may take only so much.

    Attributes
    ----------
    weights : tuple of float
        What each vehicle takes of it for each ampere that it draws per phase: on one phase of the
        fuse 1 or 0; of the home's power its kilowatts per ampere.
    left : ndarray of float, shape (ticks,)
        What they may take together in each tick.
    """

    weights: tuple[float, ...]
    left: NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class JointProblem:
    """The choice of a current for each vehicle in each tick.

    The vehicles share the surplus: in each tick it covers what they draw together up to it, whoever
    draws it, and the sum of their costs is that of the whole: see `planners.joint.surplus`.

    In every tick and for every limit, the sum over the vehicles of weight times current is at most
    what is left; a tick that is cut short counts as whole. Of such plans, take the one with the
    least shortages, and of those the one with the least sum of the vehicles' objectives: see
    `planners.solver.problem`. Shortages count in the order of the vehicles' priorities; among
    equals the largest counts first, then their sum [battery kWh].

    Attributes
    ----------
    vehicles : tuple of PlanningProblem
        One for each vehicle. Tick `i` is the same time for all; a vehicle that leaves earlier has
        fewer ticks. Each has all of the surplus, or none: one without (its charge point has a meter
        of its own, or it leaves before the sun rises) shares none.
    limits : tuple of SharedLimit
        What they share; each has as many ticks as the longest problem.
    priorities : tuple of int
        One for each vehicle; the lowest number counts first. Empty if all are equals.
    safe_amps : tuple of ndarray of float, each of shape (ticks of the vehicle,), or empty
        Currents that the vehicles may all draw at a time, whatever the others do. If they are
        given, no plan is worse than the best within them.
    solutions : dict
        Of problems of one vehicle that were solved before: see `planners.joint.plans.solved`. The
        same for all limits, so that problems with other limits may share it.
    """

    vehicles: tuple[PlanningProblem, ...]
    limits: tuple[SharedLimit, ...]
    priorities: tuple[int, ...] = ()
    safe_amps: tuple[NDArray[np.float64], ...] = ()
    solutions: dict[tuple[int, bytes, bytes, bytes, bytes], Solution] = field(
        default_factory=dict, repr=False
    )

    @property
    def ticks(self) -> int:
        """Number of ticks of the longest problem."""
        return max(problem.ticks for problem in self.vehicles)

    @property
    def sunniest(self) -> PlanningProblem | None:
        """The longest problem with a surplus, which has all of it; None if there is none."""
        sharing = (each for each in self.vehicles if each.surplus_kw is not None)
        return max(sharing, key=lambda problem: problem.ticks, default=None)

    @property
    def surplus_kw(self) -> NDArray[np.float64]:
        """The surplus in all ticks [kW], shape (ticks,)."""
        surplus, sunniest = np.zeros(self.ticks), self.sunniest
        if sunniest is not None and sunniest.surplus_kw is not None:
            surplus[: sunniest.ticks] = sunniest.surplus_kw
        return surplus

    @property
    def ranks(self) -> tuple[int, ...]:
        """Priority of each vehicle."""
        return self.priorities or (0,) * len(self.vehicles)

    def check(self) -> None:
        """Refuse a problem that is not as described above.

        Raises
        ------
        ValueError
            If a shape or a value is wrong; names the field.
        """
        if not self.vehicles:
            raise ValueError("vehicles: expected at least one")
        for problem in self.vehicles:
            problem.check()
        if len({problem.tick_hours for problem in self.vehicles}) > 1:
            raise ValueError("vehicles: expected ticks of one length")
        self._check_surplus()
        if len(self.ranks) != len(self.vehicles):
            raise ValueError("priorities: expected one for each vehicle, or none")
        for limit in self.limits:
            self._check_limit(limit)
        expected = [(problem.ticks,) for problem in self.vehicles]
        if self.safe_amps and [amps.shape for amps in self.safe_amps] != expected:
            raise ValueError("safe_amps: expected the ticks of each vehicle, or nothing")

    def _check_surplus(self) -> None:
        sunniest = self.sunniest
        if sunniest is None:
            return
        for problem in self.vehicles:
            pairs = (
                (problem.surplus_kw, sunniest.surplus_kw),
                (problem.export_rates_per_kwh, sunniest.export_rates_per_kwh),
                (problem.rates_per_kwh, sunniest.rates_per_kwh),
            )
            if problem.surplus_kw is None:
                continue
            for one, other in pairs:
                if one is None or other is None:
                    continue
                if float(np.abs(one - other[: len(one)]).max(initial=0.0)) > SAME_SUN:
                    raise ValueError("vehicles: expected one surplus and one export rate for all")

    def _check_limit(self, limit: SharedLimit) -> None:
        if len(limit.weights) != len(self.vehicles) or min(limit.weights) < 0:
            raise ValueError("limits: expected a weight of 0 or more for each vehicle")
        if limit.left.shape != (self.ticks,) or not np.isfinite(limit.left).all():
            raise ValueError(f"limits: expected {self.ticks} finite numbers left")
