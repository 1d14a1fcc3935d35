"""Charge many nights by one rule: the cheapest ticks, at once, or a timer's.

`planners.plan.baselines` has the last two for a single night, to compare with a plan.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

import numpy as np

from planners.many_nights.arrays import Nights
from planners.many_nights.ladders import climb_whole, cut_at
from planners.many_nights.many_nights import solve_nights
from planners.plan.planning import CERTAIN_PERCENT, not_by_sun_alone
from planners.solver.exact import solve
from planners.solver.problem import Deadline, PlanningProblem

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.many_nights.ladders import Ladders
    from planners.power.charging import ChargeModel
    from planners.solver.solution import Solution
    from planners.year.sun import NightsSun


@dataclass(frozen=True, slots=True)
class ChargingRule:
    """How one choice charges.

    Attributes
    ----------
    planner : {"exact", "at_once", "timer"}
        Which ticks: the cheapest plan; all from the first on; those of the cheapest band.
    model : ChargeModel
        Vehicle and current.
    need_kwh, want_kwh : float
        Battery energy needed, and wanted [kWh].
    max_rate : float or None
        Highest rate for energy past the need [currency per kWh]; None for no limit.
    tick_hours : float
        Length of a tick [h].
    is_series : bool
        Whether rates are a price series, in which a timer takes the uninterrupted run that costs
        least.
    start_cost : float
        Cost that avoiding one start is worth [currency].
    min_run, min_rest : int
        Shortest run and rest [ticks].
    prefer_late : bool
        Whether to take the later of plans that cost the same.
    min_amps : float or None
        The lowest current, where it can be set [A]; it matters beside the sun only.
    tops_up : bool
        Whether what is missing from the need at a departure is charged elsewhere at once.
    minds_age : bool
        Whether the mean energy in the battery is found.
    """

    planner: Literal["exact", "at_once", "timer"]
    model: ChargeModel
    need_kwh: float
    want_kwh: float
    max_rate: float | None
    tick_hours: float
    is_series: bool
    start_cost: float = 0.0
    min_run: int = 1
    min_rest: int = 0
    prefer_late: bool = False
    min_amps: float | None = None
    tops_up: bool = False
    minds_age: bool = False

    @property
    def must_kwh(self) -> float:
        """Battery energy to reach whatever it costs [kWh]."""
        return self.want_kwh if self.max_rate is None else self.need_kwh

    def usable(
        self, rates: NDArray[np.float64], may_charge: NDArray[np.bool_]
    ) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Return the ticks that may be used to reach `must_kwh`, and for the want."""
        if self.planner == "exact":
            cheap = may_charge if self.max_rate is None else may_charge & (rates <= self.max_rate)
            return may_charge, cheap
        if self.planner == "at_once" or self.is_series:
            return may_charge, may_charge
        lowest = np.where(may_charge, rates, np.inf).min(axis=1, keepdims=True)
        band = may_charge & (rates == lowest)
        return band, band

    def charge(
        self,
        rates: NDArray[np.float64],
        may_charge: NDArray[np.bool_],
        stored_kwh: NDArray[np.float64],
        sun: NightsSun | None = None,
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Choose the ticks of many nights.

        Parameters
        ----------
        rates : ndarray of float, shape (nights, ticks)
            Expected rates [currency per kWh].
        may_charge : ndarray of bool, shape (nights, ticks)
            Whether the vehicle may charge.
        stored_kwh : ndarray of float, shape (nights,)
            Battery energy before the night [kWh].
        sun : NightsSun, optional
            What the home's own roofs leave.

        Returns
        -------
        tuple of ndarray of float, each of shape (nights, ticks)
            Used share of each tick, and energy through the meter in it [kWh].
        """
        if self.planner == "exact":
            if sun is None:
                return self._cheapest(rates, may_charge, stored_kwh)
            return self._cheapest_beside(sun, rates, may_charge, stored_kwh)
        used, _ = self.usable(rates, may_charge)
        most = int(np.count_nonzero(used, axis=1).max(initial=0))
        want = np.maximum(stored_kwh, self.want_kwh)
        ladders = cut_at(climb_whole(self.model, stored_kwh, want, self.tick_hours, most), want)
        if self.planner == "timer" and self.is_series:
            used = _cheapest_runs(rates, used, ladders)
        rung = np.cumsum(used, axis=1) - 1
        used &= rung < ladders.rungs[:, None]
        nights, ticks = np.nonzero(used)
        share, metered = np.zeros((2, *used.shape))
        share[nights, ticks] = ladders.share[rung[nights, ticks], nights]
        metered[nights, ticks] = ladders.metered_kwh[rung[nights, ticks], nights]
        return share, metered

    def _cheapest_beside(
        self,
        sun: NightsSun,
        rates: NDArray[np.float64],
        may_charge: NDArray[np.bool_],
        stored_kwh: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Solve the dull nights in one call, and those with sun one by one."""
        share, metered = np.zeros((2, *rates.shape))
        sunny = sun.shines(may_charge)
        dull = ~sunny
        if dull.any():
            share[dull], metered[dull] = self._cheapest(
                rates[dull], may_charge[dull], stored_kwh[dull]
            )
        for night in map(int, np.flatnonzero(sunny)):
            ticks = _span(may_charge[night])
            row = rates[night, ticks], may_charge[night, ticks], float(stored_kwh[night])
            solution = self._beside_sun(*row, sun.of_night(night, ticks))
            share[night, ticks], metered[night, ticks] = solution.share, solution.metered_kwh
        return share, metered

    def _beside_sun(
        self,
        rates: NDArray[np.float64],
        may_charge: NDArray[np.bool_],
        stored_kwh: float,
        sun: NightsSun,
    ) -> Solution:
        """Solve one night as the daemon would plan it."""
        deadline = Deadline(
            end=len(rates),
            need_kwh=self.must_kwh,
            want_kwh=max(self.must_kwh, self.want_kwh),
            max_rate_per_kwh=self.max_rate or 0.0,
        )
        problem = PlanningProblem(
            rates_per_kwh=rates,
            highest_amps=np.where(may_charge, self.model.amps, 0.0),
            tick_hours=self.tick_hours,
            model=self.model,
            stored_kwh=stored_kwh,
            deadlines=(deadline,),
            min_amps=self.min_amps,
            start_cost=self.start_cost,
            min_run=self.min_run,
            min_rest=self.min_rest,
            prefer_late=self.prefer_late,
            surplus_kw=sun.counted_kw,
            export_rates_per_kwh=sun.export_rates,
        )
        is_certain = sun.trust_percent >= CERTAIN_PERCENT
        return solve(problem if is_certain else not_by_sun_alone(problem))

    def _cheapest(
        self,
        rates: NDArray[np.float64],
        may_charge: NDArray[np.bool_],
        stored_kwh: NDArray[np.float64],
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        every = np.ones_like(stored_kwh)
        solution = solve_nights(
            Nights(
                rates_per_kwh=rates,
                may_charge=may_charge,
                stored_kwh=stored_kwh,
                need_kwh=self.must_kwh * every,
                want_kwh=max(self.must_kwh, self.want_kwh) * every,
                max_rate_per_kwh=(self.max_rate or 0.0) * every,
                model=self.model,
                tick_hours=self.tick_hours,
                start_cost=self.start_cost,
                min_run=self.min_run,
                min_rest=self.min_rest,
                prefer_late=self.prefer_late,
            )
        )
        return solution.share, solution.metered_kwh


def _span(may_charge: NDArray[np.bool_]) -> slice:
    """Return the ticks of a night from the first to the last in which it may charge."""
    places = np.flatnonzero(may_charge)
    return slice(int(places[0]), int(places[-1]) + 1)


def _cheapest_runs(
    rates: NDArray[np.float64], may_charge: NDArray[np.bool_], ladders: Ladders
) -> NDArray[np.bool_]:
    """Allow each night only its cheapest run of as many ticks as it needs."""
    run = np.zeros_like(may_charge)
    for night, rungs in enumerate(ladders.rungs.tolist()):
        ticks = np.flatnonzero(may_charge[night])
        if rungs == 0 or len(ticks) == 0:
            continue
        steps = ladders.metered_kwh[: min(rungs, len(ticks)), night]
        costs = np.correlate(rates[night, ticks], steps, mode="valid")
        start = int(costs.argmin())
        run[night, ticks[start : start + len(steps)]] = True
    return run
