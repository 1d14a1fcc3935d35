"""Find the caps that minimise energy and capacity charge together, among all caps.

All caps that a plan can reach exactly are candidates. `planners.capacity.bound` bounds the total of
each from below. The exact solver then solves the night under one candidate after another, the least
bound first, until no bound is below the best total found: it is the least of all. A plan found
under some caps also bounds the cost under all lower caps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from planners.capacity.bound import night_bound
from planners.capacity.statement import NO_CAP
from planners.solver.exact import solve, solve_for_needs
from planners.solver.problem import LEAST_AMPS, ROUNDING_AMPS
from planners.solver.solution import objective

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from planners.capacity.statement import CapacityProblem, CountingInterval, LikeNights
    from planners.solver.solution import Solution

    Array = NDArray[np.float64]

SAME_CAP_KW = 1e-6
"""Candidates nearer than this are one [kW]."""


MOST_SOLVED = 60
"""The search ends after so many solved nights. Where the rest of the home draws the same at all
hours, two or three prove the best; where it draws another power in each, a dozen."""


@dataclass(frozen=True, slots=True, eq=False)
class BestCaps:
    """The caps found.

    Attributes
    ----------
    caps_kw : tuple of float
        For each peak the highest power [kW]; infinite if no cap is worth its while.
    solution : Solution
        Tonight's plan under them.
    total : float
        What is minimised: energy of all nights, and the charge [currency].
    charge : float
        The charge with that plan's peaks [currency].
    uncapped : Solution
        The cheapest plan without caps.
    uncapped_charge : float
        The charge with that plan's peaks [currency].
    gap : float
        No caps have a total that is lower by more; 0 unless the search ended early [currency].
    solved : int
        How often a night was solved.
    """

    caps_kw: tuple[float, ...]
    solution: Solution
    total: float
    charge: float
    uncapped: Solution
    uncapped_charge: float
    gap: float = 0.0
    solved: int = 1

    @property
    def is_capped(self) -> bool:
        """Whether any cap was found worth its while."""
        return min(self.caps_kw) < NO_CAP


def best_caps(capacity: CapacityProblem, uncapped: Solution | None = None) -> BestCaps:
    """Find the best caps for a night.

    Parameters
    ----------
    capacity : CapacityProblem
        The night and the charge.
    uncapped : Solution, optional
        The night's cheapest plan without caps, if it is known already.

    Returns
    -------
    BestCaps
        Proven to be the best of all candidates, or within its `gap` of them, as far as the solver
        is exact.
    """
    return _Search(capacity, uncapped).run()


class _Search:
    def __init__(self, capacity: CapacityProblem, uncapped: Solution | None) -> None:
        self._capacity = capacity
        problem = capacity.problem
        self._uncapped = solve(problem) if uncapped is None else uncapped
        self._need_kwh = min(problem.deadlines[0].need_kwh, self._uncapped.reaches_kwh[0])
        self._found: dict[tuple[float, ...], Solution | None] = {}
        self._best: BestCaps | None = None

    def run(self) -> BestCaps:
        capacity = self._capacity
        best = self._valued(
            (NO_CAP,) * capacity.peaks, dict.fromkeys(capacity.like_nights, self._uncapped)
        )
        if not self._uncapped.on.any() or best.charge <= self._lowest_charge():
            return best
        caps = self._candidates()
        charges = capacity.charge(caps)
        kept = _undominated(caps, charges)
        caps, charges = caps[kept], charges[kept]
        bounds = self._bounds(caps)
        nights = np.array([each.nights for each in capacity.like_nights])
        open_to_try = np.ones(len(caps), dtype=bool)
        tie, gap = capacity.problem.tie * float(nights.sum()), 0.0
        while open_to_try.any():
            totals = np.where(open_to_try, nights @ bounds + charges, np.inf)
            choice = int(totals.argmin())
            gap = best.total - float(totals[choice])
            if gap <= tie or len(self._found) >= MOST_SOLVED:
                break
            open_to_try[choice] = False
            solutions = self._solutions(caps[choice], bounds, caps)
            if solutions is not None:
                tried = self._valued(tuple(caps[choice].tolist()), solutions)
                best = tried if tried.total < best.total - tie else best
        else:
            gap = 0.0
        return replace(best, gap=gap if gap > tie else 0.0, solved=1 + len(self._found))

    def _lowest_charge(self) -> float:
        """Return the charge if nothing were charged."""
        return float(self._capacity.charge(np.zeros((1, self._capacity.peaks)))[0])

    def _valued(
        self, caps_kw: tuple[float, ...], solutions: dict[LikeNights, Solution]
    ) -> BestCaps:
        """Price plans at the peaks that they reach."""
        capacity = self._capacity
        reached = [0.0] * capacity.peaks
        energy = 0.0
        for like, solution in solutions.items():
            energy += like.nights * objective(capacity.problem, solution)
            for cap, kw in zip(like.caps, capacity.reached_kw(solution), strict=True):
                reached[cap] = max(reached[cap], kw)
        charge = float(capacity.charge(np.array([reached]))[0])
        uncapped = capacity.reached_kw(self._uncapped)
        return BestCaps(
            caps_kw=caps_kw,
            solution=solutions[capacity.like_nights[0]],
            total=energy + charge,
            charge=charge,
            uncapped=self._uncapped,
            uncapped_charge=float(capacity.charge(np.array([uncapped]))[0]),
        )

    def _solutions(
        self, caps_kw: Array, bounds: Array, all_caps: Array
    ) -> dict[LikeNights, Solution] | None:
        """Solve each kind of night under caps, and raise the bounds of all lower caps."""
        capacity, solutions = self._capacity, {}
        for row, like in enumerate(capacity.like_nights):
            of_night = caps_kw[list(like.caps)]
            solution = self._solved(tuple(of_night.tolist()))
            least = np.inf if solution is None else objective(capacity.problem, solution)
            lower = (all_caps[:, list(like.caps)] <= of_night + SAME_CAP_KW).all(axis=1)
            bounds[row, lower] = np.maximum(bounds[row, lower], least)
            if solution is None:
                return None
            solutions[like] = solution
        return solutions

    def _solved(self, caps_kw: tuple[float, ...]) -> Solution | None:
        if caps_kw not in self._found:
            limited = self._capacity.limited(caps_kw)
            self._found[caps_kw] = solve_for_needs(limited, [self._need_kwh])
        return self._found[caps_kw]

    def _bounds(self, caps_kw: Array) -> Array:
        """Bound the objective of each kind of night, shape (kinds, choices)."""
        capacity = self._capacity
        bound = night_bound(capacity, self._need_kwh)
        intervals = capacity.intervals
        peaks = [each.peak for each in intervals]
        base = np.array([each.base_kw for each in intervals])
        hours = np.array([each.hours for each in intervals])
        forced = self._forced_kwh()
        rows = []
        for like in capacity.like_nights:
            of_intervals = caps_kw[:, [like.caps[peak] for peak in peaks]]
            budgets = np.maximum(forced, np.maximum(0.0, (of_intervals - base) * hours))
            rows.append(bound.least(*self._with_surplus(budgets, *self._in_whole_ticks(budgets))))
        return np.array(rows)

    def _in_whole_ticks(self, budgets_kwh: Array) -> tuple[Array, Array]:
        """Return what whole ticks take of each interval's budget, and the most that is left."""
        problem = self._capacity.problem
        unit = problem.tick_hours * problem.model.kw_per_amp
        highest = [problem.highest_amps[each.start : each.end] for each in self._capacity.intervals]
        most = np.array([max(LEAST_AMPS, float(each.max())) for each in highest])
        count = np.array([int((each >= problem.least_amps).sum()) for each in highest])
        amps = most
        ticks = np.minimum(count, np.floor(budgets_kwh / (unit * most) + ROUNDING_AMPS))
        if problem.min_amps is not None:
            ticks = np.minimum(
                count, np.floor(budgets_kwh / (unit * problem.min_amps) + ROUNDING_AMPS)
            )
            whole = np.floor(budgets_kwh / (unit * np.maximum(1, ticks)) + ROUNDING_AMPS)
            amps = np.minimum(most, np.maximum(problem.min_amps, whole))
        whole_kwh = unit * amps * ticks
        # A current that can be set is no higher in a tick cut short, unless no whole tick fits.
        more = np.where((ticks < count) & ((ticks == 0) | (problem.min_amps is None)), 1.0, 0.0)
        left = np.clip(budgets_kwh - whole_kwh, 0.0, unit * most) * more
        return whole_kwh, left.max(axis=1, initial=0.0)

    def _with_surplus(
        self, budgets_kwh: Array, whole_kwh: Array, more_kwh: Array
    ) -> tuple[Array, Array]:
        """Let each interval with a surplus take that, and all that it may import."""
        problem = self._capacity.problem
        if problem.surplus_kw is None:
            return whole_kwh, more_kwh
        surplus = problem.surplus_kw * problem.tick_hours
        roof = np.array([surplus[e.start : e.end].sum() for e in self._capacity.intervals])
        return np.where(roof > 0, budgets_kwh + roof, whole_kwh), more_kwh

    def _forced_kwh(self) -> Array:
        """Return what each interval may draw for a run in progress that must last."""
        problem = self._capacity.problem
        forced = max(0, problem.min_run - problem.before.ticks) if problem.before.on else 0
        kwh = problem.highest_amps * problem.model.kw_per_amp * problem.tick_hours
        return np.array(
            [
                float(kwh[each.start : each.end].sum()) if each.start < forced else 0.0
                for each in self._capacity.intervals
            ]
        )

    def _candidates(self) -> Array:
        """List all caps that a plan can reach exactly, shape (choices, caps)."""
        capacity = self._capacity
        columns = []
        for cap in range(capacity.peaks):
            peaks = {
                peak
                for like in capacity.like_nights
                for peak, its_cap in enumerate(like.caps)
                if its_cap == cap
            }
            powers = np.sort(
                np.concatenate(
                    [
                        np.array([*self._powers_kw(each), *self._beside_surplus(each)])
                        for each in capacity.intervals
                        if each.peak in peaks
                    ]
                    or [np.zeros(1)]
                )
            )
            free = min(period.free_kw(cap) for period in capacity.periods)
            # Nothing is gained by less than what is free.
            first = max(0, int(np.searchsorted(powers, free + SAME_CAP_KW)) - 1)
            powers = powers[first:]
            columns.append(powers[np.concatenate(([True], np.diff(powers) > SAME_CAP_KW))].tolist())
        return np.array(list(product(*columns)))

    def _powers_kw(self, interval: CountingInterval) -> Iterator[float]:
        """List the powers that an interval can have, with nothing charged, and with all of it."""
        problem = self._capacity.problem
        highest = problem.highest_amps[interval.start : interval.end]
        highest = highest[highest >= problem.least_amps]
        yield interval.base_kw
        if not len(highest):
            return
        kw_per_amp = problem.model.kw_per_amp * problem.tick_hours / interval.hours
        most, count = float(highest.max()), len(highest)
        for share in {0.0, *self._cut_shares(most)}:
            for ticks in range(count if problem.min_amps is None else 1):
                yield interval.base_kw + (ticks + share) * kw_per_amp * most
        if problem.min_amps is not None:
            for ticks in range(1, count + 1):
                for amps in range(int(np.ceil(problem.min_amps)), int(np.ceil(most)) + 1):
                    if ticks < count and ticks * amps >= (ticks + 1) * problem.min_amps:
                        break  # there is time for a tick more
                    yield interval.base_kw + min(amps, most) * kw_per_amp * ticks
        yield interval.base_kw + count * kw_per_amp * most

    def _beside_surplus(self, interval: CountingInterval) -> Iterator[float]:
        """List the powers that an interval with a surplus can import."""
        problem, ticks = self._capacity.problem, slice(interval.start, interval.end)
        highest = problem.highest_amps[ticks]
        most = float(highest.max(initial=0.0))
        if problem.surplus_kw is None or most < problem.least_amps:
            return
        surplus_kw = problem.surplus_kw[ticks][highest >= problem.least_amps]
        options, shares = [most], {0.0, *self._cut_shares(most)}
        if problem.min_amps is not None:
            options = [*np.arange(np.ceil(problem.min_amps), most).tolist(), most]
            shares = {0.0}
        for amps in options if surplus_kw.any() else ():
            kw = np.sort(np.maximum(0.0, amps * problem.model.kw_per_amp - surplus_kw))[::-1]
            before = np.concatenate(([0.0], np.cumsum(kw)))
            for share in shares:
                imported = before[:-1] + (share or 1.0) * kw
                yield from (interval.base_kw + imported * problem.tick_hours / interval.hours)

    def _cut_shares(self, amps: float) -> Iterator[float]:
        """Return the shares of a tick that are left over if targets are reached in whole ticks."""
        problem = self._capacity.problem
        model = problem.model
        gain = model.gained_kw(amps * model.kw_per_amp) * problem.tick_hours
        if gain > 0:
            for target in (*problem.targets_kwh(0), self._need_kwh):
                yield max(0.0, (target - problem.stored_kwh) / gain) % 1.0


def _undominated(caps_kw: Array, charges: Array) -> NDArray[np.bool_]:
    """Tell which choices of caps have no higher caps at the same charge, shape (choices,)."""
    # The product of the candidates is in order: a choice's neighbour has the next higher last cap.
    kept = np.ones(len(caps_kw), dtype=bool)
    for cap in range(caps_kw.shape[1]):
        others = np.delete(caps_kw, cap, axis=1)
        order = np.lexsort((caps_kw[:, cap], *others.T))
        one, next_higher = order[:-1], order[1:]
        same = (others[one] == others[next_higher]).all(axis=1)
        kept[one[same & (charges[next_higher] <= charges[one])]] = False
    return kept
