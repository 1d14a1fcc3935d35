"""Find the power that the vehicles of a home should draw together, where a capacity charge counts.

The vehicles' joint problem gets one limit more: in every tick whose power the tariff counts, what
they draw together is at most a cap, less what the rest of the home is expected to draw. The cap is
found that minimises, with ``f(cap)`` the sum of the vehicles' objectives under it ::

    nights x f(cap)  +  charge(cap)

as `planners.capacity.statement` has it for one vehicle; the surplus of the home's own generation is
on top of the cap, since it is not imported. A lower cap never makes charging cheaper, and the
charge never falls with it: so ``f`` of the next higher cap that was tried bounds the totals
of all caps between. Caps are tried, the one in the middle of the most promising range first, until
no range promises anything. As far as the joint plans are the cheapest, the cap is the best of all
candidates.

It is one cap for all days and months that the ticks touch, and it holds in each tick, not on
average of a counting interval. No need is missed for its sake, and no run in progress is cut short
of its shortest length. A vehicle that a person lets charge at once does not keep to it, and one
whose charge point has a meter of its own does not count.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from heapq import heappop, heappush
from typing import TYPE_CHECKING

import numpy as np

from planners.capacity.tonight import NightTicks, stated_charge
from planners.capacity.words import LEAST_SPARED, kept_together_sentence
from planners.joint.joint import ever_better
from planners.joint.plans import SAME_SHORTAGE_KWH, currents_of
from planners.joint.problem import SharedLimit
from planners.solver.problem import ROUNDING_AMPS

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from planners.capacity.statement import CapacityProblem
    from planners.capacity.tonight import ChargedPeriods
    from planners.joint.joint import JointPlan
    from planners.joint.problem import JointProblem
    from planners.plan.horizon import Horizon
    from planners.rates.prices import Prices

    Array = NDArray[np.float64]

MOST_TRIED = 40
"""The search ends after so many caps."""

WORTH = 1e-3
"""A range of caps is left untried if it promises less than this part of what all nights' energy
costs."""

SAME_KW = 1e-6
"""Caps nearer than this are one [kW]."""

TENTHS = 10
"""Equipment takes currents to a tenth of an ampere."""

HALVINGS = 40
"""How often a range is halved to find where a step of the charge ends."""


@dataclass(frozen=True, slots=True)
class KeptTogether:
    """The cap that the vehicles of a home keep to together.

    Attributes
    ----------
    cap_kw : float
        Highest power of the whole home in the hours that count [kW].
    spared : float
        How much more the charge would be with the cheapest energy [currency].
    charged : ChargedPeriods
        The bills that the peak counts in.
    """

    cap_kw: float
    spared: float
    charged: ChargedPeriods

    def sentence(self, currency: str) -> str:
        """Say to what the home is kept, and why; `currency` is an ISO 4217 code."""
        return kept_together_sentence(self.cap_kw, self.spared, self.charged, currency)


@dataclass(frozen=True, slots=True, eq=False)
class WithCap:
    """A joint problem under a cap.

    Attributes
    ----------
    joint : JointProblem
        The problem, with the cap as its last limit.
    kw_per_amp : mapping of str to float
        What each charge point draws for each ampere per phase [kW].
    left_kw : ndarray of float, shape (ticks,)
        What they may draw together in each tick [kW].
    kept : KeptTogether or None
        None if the cheapest energy has no higher peak than this one.
    """

    joint: JointProblem
    kw_per_amp: dict[str, float]
    left_kw: Array
    kept: KeptTogether | None


def with_best_cap(
    prices: Prices,
    horizons: Sequence[Horizon],
    joint: JointProblem,
    is_enough: Callable[[], bool] = lambda: False,
) -> WithCap | None:
    """Find the best cap for vehicles that are planned together.

    Parameters
    ----------
    prices : Prices
        The household's rates.
    horizons : sequence of Horizon
        Of the vehicles, in ticks of one length.
    joint : JointProblem
        Their problem, in the same order.
    is_enough : callable
        Whether to take the best so far; asked before each cap is tried.

    Returns
    -------
    WithCap or None
        None if no capacity charge is in force. If no cap is worth its while, with the cap that the
        cheapest plans do not exceed: the vehicles must not use all that the fuse leaves.
    """
    counted = [each for each in horizons if each.point.tariff is None]
    if not counted or not any(tariff.capacity_charge for tariff in prices.tariffs):
        return None
    longest = max(counted, key=lambda each: each.problem.ticks)
    tonight = min(counted, key=lambda each: each.situation.departure.instant)
    stated = stated_charge(
        NightTicks(
            file=longest.file,
            vehicle=tonight.situation.departure.vehicle,
            tariff_on=prices.tariff_on,
            now=tonight.situation.now,
            begins=longest.window.ticks[0].start,
            tick_minutes=longest.window.tick_minutes,
            problem=longest.problem,
            peaks=tonight.situation.peaks,
            sun=prices.sun,
        )
    )
    if stated is None:
        return None
    capacity, charged = stated
    search = CapSearch(joint, capacity, [each.point.tariff is None for each in horizons])
    cap = search.best(is_enough)
    is_told = search.spared >= LEAST_SPARED
    points = [each.charge_point for each in horizons]
    limit = search.limit(cap)
    return WithCap(
        joint=search.limited(cap),
        kw_per_amp={name: kw for name, kw in zip(points, limit.weights, strict=True) if kw},
        left_kw=limit.left,
        kept=KeptTogether(cap, search.spared, charged) if is_told else None,
    )


class CapSearch:
    """Tries caps; see the module.

    Parameters
    ----------
    joint : JointProblem
        The vehicles.
    capacity : CapacityProblem
        The charge, its intervals in the ticks of the longest problem that counts.
    counts : sequence of bool
        Whether each vehicle is on the home's meter.

    Attributes
    ----------
    spared : float
        How much lower the charge is under the best cap than with the cheapest energy [currency].
    """

    def __init__(
        self, joint: JointProblem, capacity: CapacityProblem, counts: Sequence[bool]
    ) -> None:
        self._joint, self._capacity, self._counts = joint, capacity, counts
        self._kw_per_amp = tuple(
            each.model.kw_per_amp if is_counted else 0.0
            for each, is_counted in zip(joint.vehicles, counts, strict=True)
        )
        most = [
            float(each.highest_amps.max(initial=0.0)) * kw
            for each, kw in zip(joint.vehicles, self._kw_per_amp, strict=True)
        ]
        self._most_kw = sum(most)
        departures = max(len(each.deadlines) for each in joint.vehicles)
        self._nights = sum(each.nights for each in capacity.like_nights) / departures
        self._cheapest = _first_plan(joint)
        self._uncapped_charge = self.charge_with(self._cheapest)
        self.spared = 0.0

    def best(self, is_enough: Callable[[], bool] = lambda: False) -> float:
        """Return the best cap, or the power that the cheapest plans do not exceed [kW]."""
        nights, cheapest = self._nights, self._cheapest
        caps = self._candidates()
        charges = self._charges(caps)
        best_total = nights * cheapest.money + self._uncapped_charge
        worth = WORTH * nights * sum(abs(plan.cost) for plan in cheapest.plans)
        free = caps[charges <= self._uncapped_charge]
        best = max(self._highest_kw(cheapest), float(free.max(initial=0.0)))
        # A cap at which the charge is no lower than with the cheapest plans changes nothing.
        lower = int((charges < self._uncapped_charge).sum())
        # The least total of a range, its first and last candidate, and the money above it.
        whole = (nights * cheapest.money + float(charges[0]), 0, lower, cheapest.money)
        ranges, tried = [whole] if lower else [], 0
        while ranges and tried < MOST_TRIED and not is_enough():
            least, first, end, money_above = heappop(ranges)
            if least >= best_total - worth:
                break
            tried, middle = tried + 1, (first + end) // 2
            plan = _first_plan(self.limited(float(caps[middle])))
            money, lowest = money_above, middle + 1
            if not self._misses_more(plan):
                charge = self.charge_with(plan)
                total = nights * plan.money + charge
                if total < best_total - worth:
                    best, best_total = float(caps[middle]), total
                    self.spared = self._uncapped_charge - charge
                if first < middle:
                    below = nights * max(plan.money, money) + float(charges[first])
                    heappush(ranges, (below, first, middle, max(plan.money, money)))
            if lowest < end:
                above = nights * money + float(charges[lowest])
                heappush(ranges, (above, lowest, end, money))
        return best

    def limit(self, cap_kw: float) -> SharedLimit:
        """Return a cap as something that the vehicles share."""
        left = np.full(self._joint.ticks, self._most_kw)
        for each in self._capacity.intervals:
            left[each.start : each.end] = self._in_tenths(max(0.0, cap_kw - each.base_kw))
        left += self._joint.surplus_kw
        left[: self._owed_ticks()] = self._most_kw
        return SharedLimit(self._kw_per_amp, left)

    def _in_tenths(self, kw: float) -> float:
        """Round a power down to a tenth of an ampere."""
        tenth = min(kw for kw in self._kw_per_amp if kw) / TENTHS
        return tenth * int(kw / tenth + ROUNDING_AMPS)

    def limited(self, cap_kw: float) -> JointProblem:
        """Return the joint problem under a cap."""
        limits = (*self._joint.limits, self.limit(cap_kw))
        return replace(self._joint, limits=limits, safe_amps=())

    def _owed_ticks(self) -> int:
        """Return the ticks that runs in progress must still last."""
        pairs = zip(self._joint.vehicles, self._counts, strict=True)
        owed = [
            each.min_run - each.before.ticks
            for each, is_counted in pairs
            if is_counted and each.before.on
        ]
        return max(0, *owed, 0)

    def _misses_more(self, plan: JointPlan) -> bool:
        """Whether a need is missed by more than without a cap."""
        pairs = zip(plan.shortages_kwh, self._cheapest.shortages_kwh, strict=True)
        return any(
            mine > its + SAME_SHORTAGE_KWH
            for own, other in pairs
            for mine, its in zip(own, other, strict=True)
        )

    def _charges(self, caps_kw: Array) -> Array:
        """Return the charge by the cap, shape (caps,) [currency]."""
        return self._capacity.charge(np.repeat(caps_kw[:, None], self._capacity.peaks, axis=1))

    def charge_with(self, plan: JointPlan) -> float:
        """Return the charge with the peaks that plans reach [currency]."""
        metered = np.zeros(self._joint.ticks)
        for solution, is_counted in zip(plan.plans, self._counts, strict=True):
            if is_counted:
                metered[: len(solution.metered_kwh)] += solution.metered_kwh - solution.roof_kwh
        reached = [0.0] * self._capacity.peaks
        for each in self._capacity.intervals:
            kwh = float(metered[each.start : each.end].sum())
            if kwh > 0:
                kw = each.base_kw + kwh / each.hours
                reached[each.peak] = max(reached[each.peak], kw)
        return float(self._capacity.charge(np.array([reached]))[0])

    def _highest_kw(self, plan: JointPlan) -> float:
        """Return the highest power of the home in a tick that counts [kW]."""
        kw = np.array(self._kw_per_amp) @ currents_of(self._joint, plan.plans)
        kw = np.maximum(0.0, kw - self._joint.surplus_kw)
        intervals = self._capacity.intervals
        return max(each.base_kw + float(kw[each.start : each.end].max()) for each in intervals)

    def _candidates(self) -> Array:
        """List caps, ascending, from the one up to which nothing is charged for."""
        free = min(
            period.free_kw(cap)
            for period in self._capacity.periods
            for cap in range(self._capacity.peaks)
        )
        bases = np.unique([each.base_kw for each in self._capacity.intervals])
        most = self._most_kw + float(bases.max())
        first = free if np.isfinite(free) else float(bases.min())
        powers = np.unique(np.add.outer(bases, self._sums_kw()))
        found = np.unique([first, *powers[(powers > first) & (powers < most)].tolist(), most])
        found = found[np.concatenate(([True], np.diff(found) > SAME_KW))]
        charges = self._charges(found)
        ends = np.flatnonzero(np.diff(charges) > 0)
        if len(ends) == len(found) - 1:  # by the kilowatt
            return found
        tops = [self._end_of_step(*found[place : place + 2].tolist()) for place in ends]
        return np.array([*tops, float(found[-1])])

    def _end_of_step(self, low_kw: float, high_kw: float) -> float:
        """Return the highest power that costs as much as the lower one."""
        charge = self._charges(np.array([low_kw]))[0]
        for _ in range(HALVINGS):
            middle = (low_kw + high_kw) / 2
            if self._charges(np.array([middle]))[0] > charge:
                high_kw = middle
            else:
                low_kw = middle
        return low_kw

    def _sums_kw(self) -> Array:
        """List the powers that the vehicles can have together, to an ampere where it can be set."""
        sums = {0.0}
        for each, kw in zip(self._joint.vehicles, self._kw_per_amp, strict=True):
            if not kw:
                continue
            options = _options_amps(float(each.highest_amps.max(initial=0.0)), each.min_amps)
            sums = {round(one + kw * amps, 6) for one in sums for amps in (0.0, *options)}
        return np.array(sorted(sums))


def _options_amps(most: float, least: float | None) -> Iterable[float]:
    return (most,) if least is None else (*np.arange(least, most).tolist(), most)


def _first_plan(joint: JointProblem) -> JointPlan:
    return next(ever_better(joint))
