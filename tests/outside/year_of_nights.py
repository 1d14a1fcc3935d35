"""Compute what each way of choosing hours would have cost over the nights of 2018.

The prices are published ones, the car and its use are our own. Prices change on the hour, so a
tick is an hour, and the current can be set.
"""

from __future__ import annotations

from dataclasses import dataclass

import highspy
import numpy as np
from numpy.typing import NDArray

from planners.power.charging import ChargeModel
from planners.solver.exact import solve
from planners.solver.problem import Deadline, PlanningProblem
from planners.solver.solution import Solution
from tests.outside.day_ahead_2018 import NIGHTS, ExpectedRates, Night, price_points, true_rates
from tests.planners.solver.linear_model import LinearModel


@dataclass(frozen=True)
class Car:
    """One car at one charge point, used alike every day.

    Attributes
    ----------
    amps, min_amps : float
        Highest and lowest current, one phase at 230 V [A].
    usable_kwh : float
        Usable battery energy [kWh].
    efficiency : float
        Battery energy gained per metered energy.
    need_kwh, want_kwh : float
        Battery energy needed at 07:00 at any price, and the everyday limit [kWh].
    uses_kwh : float
        Battery energy used each day [kWh].
    """

    amps: float = 32.0
    min_amps: float = 6.0
    usable_kwh: float = 52.0
    efficiency: float = 0.9
    need_kwh: float = 0.4 * 52
    want_kwh: float = 0.8 * 52
    uses_kwh: float = 15.0

    @property
    def model(self) -> ChargeModel:
        """The car's charge model."""
        return ChargeModel(
            amps=self.amps,
            phases=1,
            volts=230.0,
            usable_kwh=self.usable_kwh,
            efficiency=self.efficiency,
        )


@dataclass(frozen=True)
class Account:
    """A year's charging.

    Attributes
    ----------
    cost : float
        Of the energy [EUR].
    metered_kwh : float
        Energy through the meter [kWh].
    leaves_kwh : tuple of float
        Battery energy at each 07:00 [kWh].
    """

    cost: float
    metered_kwh: float
    leaves_kwh: tuple[float, ...]


def plan(
    car: Car, rates: NDArray[np.float64], stored_kwh: float, nights: tuple[Night, ...]
) -> Solution:
    """Plan through one or more nights, the first hour of the first being tick 0."""
    first = nights[0].start
    returns = [night.start for night in nights[1:]] + [nights[-1].end]
    deadlines = tuple(
        Deadline(
            end=night.end - first,
            need_kwh=car.need_kwh,
            want_kwh=car.want_kwh,
            max_rate_per_kwh=0.0,  # past the need only what saves later, or costs nothing
            return_tick=back - first,
            trip_kwh=car.uses_kwh,
        )
        for night, back in zip(nights, returns, strict=True)
    )
    amps = np.full(len(rates), car.amps)
    problem = PlanningProblem(
        rates, amps, 1.0, car.model, stored_kwh, deadlines, min_amps=car.min_amps
    )
    return solve(problem)


def rolling(car: Car, horizon: int, seen: ExpectedRates, surcharge: float = 0.0) -> Account:
    """Plan at each return through `horizon` nights, and carry out the first.

    Parameters
    ----------
    car : Car
        The car and its use.
    horizon : int
        Nights that each plan sees.
    seen : ExpectedRates
        What rates each plan expects.
    surcharge : float
        On top of every price, and so of every estimate [EUR/kWh].

    Returns
    -------
    Account
        At the true rates. The car first returns with what a day leaves of the need. No plan sees
        beyond the year's last departure, and before that one prices are positive, so that the need
        is met just so: all rules begin and end with the same energy in the battery.
    """
    stored, leaves = car.need_kwh - car.uses_kwh, []
    metered = np.zeros(len(price_points()))
    for i, night in enumerate(NIGHTS):
        ahead = NIGHTS[i : i + horizon]
        solution = plan(car, seen(i, ahead[-1].end) + surcharge, stored, ahead)
        tonight = solution.metered_kwh[: night.end - night.start]
        metered[night.start : night.end] = tonight
        stored += car.efficiency * float(tonight.sum())
        leaves.append(stored)
        stored -= car.uses_kwh
    cost = float((true_rates() + surcharge) @ metered)
    return Account(cost, float(metered.sum()), tuple(leaves))


def at_once(kwh: float, kw: float, rates: NDArray[np.float64]) -> float:
    """Return the cost of buying `kwh` at the meter each night from 18:00 on [EUR]."""
    hours = int(np.ceil(kwh / kw))
    bought = np.minimum(kw, kwh - kw * np.arange(hours))
    return float(sum(rates[night.start : night.start + hours] @ bought for night in NIGHTS))


def cheapest(kwh: float, kw: float, rates: NDArray[np.float64]) -> float:
    """Return the least cost of `kwh` at the meter each night, in the order of price [EUR]."""
    hours = int(np.ceil(kwh / kw))
    bought = np.minimum(kw, kwh - kw * np.arange(hours))
    return float(sum(np.sort(rates[n.start : n.end])[:hours] @ bought for n in NIGHTS))


def whole_year(car: Car, rates: NDArray[np.float64]) -> float:
    """Find the least cost of a whole year known in advance, with HiGHS.

    Parameters
    ----------
    car : Car
        The car and its use.
    rates : ndarray of float, shape (hours,)
        Of the year [EUR/kWh].

    Returns
    -------
    float
        Cost [EUR]. The linear programme knows no lowest current: no choice of hours costs less.
    """
    lp = LinearModel()
    before = lp.column(upper=car.need_kwh, lower=car.need_kwh)
    for night in NIGHTS:
        bought = [
            (lp.column(upper=car.model.full_kw), rates[i]) for i in range(night.start, night.end)
        ]
        lp.charge(bought)
        leaves = lp.column(upper=car.want_kwh, lower=car.need_kwh)
        gains = [(column, -car.efficiency) for column, _ in bought]
        lp.equal([(leaves, 1.0), (before, -1.0), *gains], -car.uses_kwh)
        before = leaves
    highs = lp.highs()
    highs.run()
    assert highs.getModelStatus() == highspy.HighsModelStatus.kOptimal
    return float(highs.getInfo().objective_function_value)
