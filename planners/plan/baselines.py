"""What charging by a plain rule would take and cost, for comparison (design, section 4)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from planners.plan.plan import Outcome
from planners.power.charging import ChargeModel, climb, ladder
from planners.rates.series_rates import BAND

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.plan.window import Stretch, Window


def at_once(slots: Window, model: ChargeModel, from_kwh: float, to_kwh: float) -> Outcome:
    """Charge from now until the battery holds `to_kwh`, or the window ends.

    Parameters
    ----------
    slots : Window
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
    return _charge_through(slots.stretches, model, from_kwh, to_kwh)


def timer(slots: Window, model: ChargeModel, from_kwh: float, to_kwh: float) -> Outcome:
    """Charge as a timer would: in the cheapest band, from its first instant.

    A price series has no bands: there the timer is set to the uninterrupted run that costs least,
    as one would set it each evening with the prices in hand.

    Parameters
    ----------
    slots : Window
        The time there is.
    model : ChargeModel
        The vehicle and the current.
    from_kwh, to_kwh : float
        Battery energy now and at the target [kWh].

    Returns
    -------
    Outcome
        Energy and cost at the meter; less energy than is wanted where those hours do not suffice.
    """
    if any(stretch.span.band == BAND for stretch in slots.stretches):
        return _cheapest_run(slots, model, from_kwh, to_kwh)
    lowest = min((stretch.span.rate for stretch in slots.stretches), default=None)
    cheapest = [stretch for stretch in slots.stretches if stretch.span.rate == lowest]
    return _charge_through(cheapest, model, from_kwh, to_kwh)


def _cheapest_run(slots: Window, model: ChargeModel, from_kwh: float, to_kwh: float) -> Outcome:
    if any(tick.amps != model.amps for tick in slots.ticks):
        runs = (
            _charge_through(slots.ticks[i:], model, from_kwh, to_kwh)
            for i in range(len(slots.ticks))
        )
        return max(runs, key=lambda run: (round(run.energy_kwh, 9), -run.cost))
    steps = ladder(model, from_kwh, to_kwh, slots.tick_hours, len(slots.ticks))
    if steps.rungs == 0:
        return Outcome(0.0, 0.0)
    costs = np.correlate(slots.rates_per_kwh, steps.metered_kwh, mode="valid")
    return Outcome(energy_kwh=float(steps.metered_kwh.sum()), cost=float(costs.min()))


def _charge_through(
    stretches: Sequence[Stretch], model: ChargeModel, from_kwh: float, to_kwh: float
) -> Outcome:
    # Where the rest of the home needs the current, every rule waits.
    stretches = [stretch for stretch in stretches if stretch.amps > 0]
    hours = (stretch.hours for stretch in stretches)
    bought = climb(model, from_kwh, to_kwh, hours, (stretch.amps for stretch in stretches))
    cost = sum(
        float(stretch.span.rate) * float(kwh)
        for stretch, kwh in zip(stretches, bought.metered_kwh, strict=False)
    )
    return Outcome(energy_kwh=float(bought.metered_kwh.sum()), cost=cost)
