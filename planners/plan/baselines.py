"""Price charging by two plain rules, to compare with a plan (design, section 4)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.plan.plan import Outcome
from planners.power.charging import ChargeModel, climb, ladder
from planners.rates.series_rates import BAND

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.plan.window import Slot, Window


def at_once(window: Window, model: ChargeModel, from_kwh: float, to_kwh: float) -> Outcome:
    """Charge from now until the battery holds `to_kwh`, or the window ends.

    Parameters
    ----------
    window : Window
        The time there is.
    model : ChargeModel
        The vehicle and the current.
    from_kwh, to_kwh : float
        Battery energy now and at the target [kWh].

    Returns
    -------
    Outcome
        Energy and cost at the meter.
    """
    return _charge_through(window.slots, model, from_kwh, to_kwh)


def timer(window: Window, model: ChargeModel, from_kwh: float, to_kwh: float) -> Outcome:
    """Charge as a timer would: in the cheapest band, from its first instant.

    A price series has no bands: for it the timer is set to the uninterrupted run that costs least,
    as a person would set it each evening from the known prices.

    Parameters
    ----------
    window : Window
        The time there is.
    model : ChargeModel
        The vehicle and the current.
    from_kwh, to_kwh : float
        Battery energy now and at the target [kWh].

    Returns
    -------
    Outcome
        Energy and cost at the meter; less energy than wanted if those hours are too few.
    """
    usable = [slot for slot in window.slots if slot.amps > 0]
    if any(slot.span.band == BAND for slot in usable):
        return _cheapest_run(window, model, from_kwh, to_kwh)
    lowest = min((slot.span.rate for slot in usable), default=None)
    cheapest = [slot for slot in usable if slot.span.rate == lowest]
    return _charge_through(cheapest, model, from_kwh, to_kwh)


def _cheapest_run(window: Window, model: ChargeModel, from_kwh: float, to_kwh: float) -> Outcome:
    ticks = [tick for tick in window.ticks if tick.amps > 0]
    if any(tick.amps != model.amps or tick.surplus_kw for tick in ticks):
        runs = (_charge_through(ticks[i:], model, from_kwh, to_kwh) for i in range(len(ticks)))
        return max(runs, key=lambda run: (round(run.energy_kwh, 9), -run.cost))
    steps = ladder(model, from_kwh, to_kwh, window.tick_hours, len(ticks))
    if steps.rungs == 0:
        return Outcome(0.0, 0.0)
    rates = np.array([float(tick.span.rate) for tick in ticks])
    costs = np.correlate(rates, steps.metered_kwh, mode="valid")
    return Outcome(energy_kwh=float(steps.metered_kwh.sum()), cost=float(costs.min()))


def _charge_through(
    slots: Sequence[Slot], model: ChargeModel, from_kwh: float, to_kwh: float
) -> Outcome:
    # Every rule waits while the vehicle can't charge.
    slots = [slot for slot in slots if slot.amps > 0]
    hours = (slot.hours for slot in slots)
    bought = climb(model, from_kwh, to_kwh, hours, (slot.amps for slot in slots))
    cost = sum(
        slot.cost(kwh, share)
        for slot, kwh, share in zip(
            slots, bought.metered_kwh.tolist(), bought.share.tolist(), strict=False
        )
    )
    return Outcome(energy_kwh=float(bought.metered_kwh.sum()), cost=cost)
