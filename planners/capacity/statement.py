"""State a night's planning problem with a capacity charge.

A supplier's meter averages the home's power over counting intervals of 15, 30 or 60 minutes. The
power of interval ``I`` is ``power[I] = base[I] + metered[I] / hours[I]``: what the rest of the home
is expected to draw, and tonight's charging in it. Each interval belongs to one of the night's
peaks: a night touches two days, and sometimes two months. The mean of several highest days has a
peak for each day; the highest power of a month has one for each month. With ``f(caps)`` the least
objective of `planners.solver.problem` whose plan keeps ``power[I] <= caps[peak of I]``, find the
caps that minimise ::

    sum over kinds of nights of  nights x f(the caps of such a night)  +  charge(caps)

The charge is summed over every bill in which the peaks count. The nights of the period that remain
are taken to be like tonight, so that a peak is bought once and used on all of them: there is one
kind of night, with tonight's own caps. (Where rates differ from night to night, each of them counts
as a part of a night: see `tonight`.) A night from one month to the next is itself, once, and as
many nights as the next month has, of which all hours are under the next month's cap. A need is
never missed for the sake of a peak: only caps count under which tonight's plan reaches as much as
without any.

Equipment that is only switched on and off keeps a cap exactly: `UseLimit` says how many ticks of an
interval it may be on, the last one in part if it ends the charge. A current that can be set is held
to whole amperes, the same limit in all usable ticks of an interval; where the cap leaves less than
the lowest current, as many ticks are used as there can be, at the current that they can then have.
Where the rate changes inside an interval, that may cost more than other currents with the same mean
would. Of an interval that is only partly in the night, the same share of its energy may be used.
Power that falls with a taper counts as if it did not fall.

A surplus of the home's own generation is not imported, and counts in no peak: ``metered`` is then
the part from the grid alone. Under a cap every tick may draw its surplus and, on top, up to one
power for the whole interval, with which the grid's part is just what the cap leaves. Equipment that
is only switched on and off may be on for so many ticks of an interval that even those with the
least sun together keep the cap.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.solver.problem import ROUNDING_AMPS, UseLimit

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from planners.capacity.charge import PeriodPeaks
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution

NO_CAP = float("inf")

HALVINGS = 40
"""How often a range of powers is halved to find the highest that keeps to a cap."""


class CountingInterval(NamedTuple):
    """The ticks of an interval whose mean power the supplier counts.

    Attributes
    ----------
    start, end : int
        Its first tick, and the first after it.
    hours : float
        Its length, or that of the part that is in the night [h].
    base_kw : float
        Mean power of the rest of the home in it [kW].
    peak : int
        The peak that it belongs to.
    """

    start: int
    end: int
    hours: float
    base_kw: float
    peak: int


class LikeNights(NamedTuple):
    """Nights that are planned alike: how many, and for each peak the cap that holds in them."""

    nights: float
    caps: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class CapacityProblem:
    """A night with a capacity charge; see the module.

    Attributes
    ----------
    problem : PlanningProblem
        The night, with one departure.
    intervals : tuple of CountingInterval
        In order of time and apart; ticks outside them count in no peak.
    periods : tuple of PeriodPeaks
        What each month, or year, costs by the caps.
    like_nights : tuple of LikeNights
        The nights that the caps hold for; tonight is the first kind.
    """

    problem: PlanningProblem
    intervals: tuple[CountingInterval, ...]
    periods: tuple[PeriodPeaks, ...]
    like_nights: tuple[LikeNights, ...]

    @property
    def peaks(self) -> int:
        """Number of peaks, and of caps."""
        return len(self.like_nights[0].caps)

    def charge(self, caps_kw: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the charge by the caps, shape (choices, caps) to (choices,) [currency]."""
        found: NDArray[np.float64] = np.zeros(len(caps_kw))
        for period in self.periods:
            found = found + period.charge(caps_kw)
        return found

    def powers_kw(self, solution: Solution) -> list[float]:
        """Return the mean power that is imported in each interval under a plan [kW]."""
        metered = solution.metered_kwh - solution.roof_kwh
        return [
            each.base_kw + float(metered[each.start : each.end].sum()) / each.hours
            for each in self.intervals
        ]

    def reached_kw(self, solution: Solution) -> list[float]:
        """Return each peak of the intervals in which a plan charges; 0 without any [kW]."""
        reached = [0.0] * self.peaks
        for each, kw in zip(self.intervals, self.powers_kw(solution), strict=True):
            if solution.on[each.start : each.end].any():
                reached[each.peak] = max(reached[each.peak], kw)
        return reached

    def budgets_kwh(self, caps_kw: Sequence[float]) -> list[float]:
        """Return what each interval may import under caps, one for each peak [kWh]."""
        return [
            max(0.0, (caps_kw[each.peak] - each.base_kw) * each.hours) for each in self.intervals
        ]

    def limited(self, caps_kw: Sequence[float]) -> PlanningProblem:
        """Return the night's problem under caps, one for each peak [kW]."""
        budgets = zip(self.intervals, self.budgets_kwh(caps_kw), strict=True)
        return with_budgets(
            self.problem, [(each.start, each.end, kwh) for each, kwh in budgets if kwh < NO_CAP]
        )


def with_budgets(
    problem: PlanningProblem, budgets: Sequence[tuple[int, int, float]]
) -> PlanningProblem:
    """Limit the energy of stretches of ticks.

    Parameters
    ----------
    problem : PlanningProblem
        Without limits of use.
    budgets : sequence of (int, int, float)
        First tick of a stretch, the first after it, and the most energy of it that is imported
        [metered kWh].

    Returns
    -------
    PlanningProblem
        With lower currents, and limits of use; the ticks that a run in progress must last are left
        to it, at the lowest current if it can be set.
    """
    highest, limits = problem.highest_amps.copy(), []
    forced = max(0, problem.min_run - problem.before.ticks) if problem.before.on else 0
    for start, end, kwh in budgets:
        usable = np.flatnonzero(highest[start:end] >= problem.least_amps) + start
        if not len(usable):
            continue
        if problem.surplus_kw is not None and problem.surplus_kw[usable].any():
            most = _beside_surplus(problem, problem.surplus_kw[usable], highest, usable, kwh)
            held = int((usable < forced).sum())
            if most < len(usable):
                limits.append(UseLimit(start, end, max(most, held)))
            continue
        amp_ticks = kwh / (problem.tick_hours * problem.model.kw_per_amp)
        most = amp_ticks / float(highest[usable].max())
        held = int((usable < forced).sum())
        if problem.min_amps is not None:
            ticks = min(len(usable), int(amp_ticks / problem.min_amps + ROUNDING_AMPS))
            ticks = max(ticks, held)
            if ticks:
                amps = max(problem.min_amps, int(amp_ticks / ticks + ROUNDING_AMPS))
                highest[usable] = np.minimum(highest[usable], amps)
                most = ticks
        if most < len(usable):
            limits.append(UseLimit(start, end, max(most, held)))
    return replace(problem, highest_amps=highest, use_limits=tuple(limits))


def _beside_surplus(
    problem: PlanningProblem,
    surplus_kw: NDArray[np.float64],
    highest: NDArray[np.float64],
    usable: NDArray[np.intp],
    kwh: float,
) -> float:
    """Lower the currents of ticks with a surplus; return how many of the ticks may be used."""
    kw_per_amp = problem.model.kw_per_amp
    if problem.min_amps is not None:
        # The power at which what is beyond the surplus of each tick adds up to the energy.
        least, most = 0.0, float(highest[usable].max()) * kw_per_amp
        for _ in range(HALVINGS):
            middle = (least + most) / 2
            imported = float(np.maximum(0.0, middle - surplus_kw).sum()) * problem.tick_hours
            least, most = (middle, most) if imported <= kwh else (least, middle)
        amps = np.maximum(least, surplus_kw) / kw_per_amp
        lowered = np.where(amps >= problem.min_amps, amps, problem.min_amps)
        highest[usable] = np.minimum(highest[usable], lowered)
    drawn = np.maximum(0.0, highest[usable] * kw_per_amp - surplus_kw) * problem.tick_hours
    return _most_ticks(np.sort(drawn)[::-1], kwh)


def _most_ticks(imported_kwh: NDArray[np.float64], kwh: float) -> float:
    """Return how many ticks keep to an energy, whichever they are; the dearest come first."""
    upto = np.cumsum(imported_kwh)
    whole = int((upto <= kwh + 1e-9).sum())
    if whole == len(upto):
        return float(whole)
    before = float(upto[whole - 1]) if whole else 0.0
    return whole + (kwh - before) / float(imported_kwh[whole])
