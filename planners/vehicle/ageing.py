"""Estimate how much capacity a battery of nickel, manganese and cobalt (NMC) loses with the years.

The model is that of Schmalstieg, Käbitz, Ecker and Sauer, A holistic aging model for Li(NiMnCo)O2
based 18650 lithium-ion batteries, Journal of Power Sources 257 (2014), pages 325 to 334: a loss by
time, ``(7.543 V - 23.75) 10^6 exp(-6976 / T) days^0.75``, and one by use, ``(7.348e-3 (V - 3.667)^2
+ 7.6e-4 + 4.081e-3 depth) sqrt(Ah)``, of a cell of 2.05 Ah. Its mean voltage follows from the mean
state of charge, by the open-circuit voltages that public code gives for this cell. It was fitted to
one cell, tested at 35 to 50 °C: today's cells mostly last longer, so that only the comparison of
choices says something.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, sqrt
from typing import TYPE_CHECKING, Final

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

VOLTS: Final = (3.331, 3.491, 3.581, 3.627, 3.655, 3.697, 3.775, 3.869, 3.965, 4.073, 4.162)
"""Open-circuit voltage of the cell at 0, 10, ... 100 percent [V]."""
CELL_AH: Final = 2.05
"""Charge of the cell [Ah]."""
DAYS_OF_YEAR: Final = 365.25
ZERO_CELSIUS: Final = 273.15


@dataclass(frozen=True, slots=True)
class BatteryUse:
    """How a battery is used, on average.

    Attributes
    ----------
    mean_percent : float
        State of charge over all the time [percent].
    depth_percent : float
        How much of the battery a usual trip takes [percent].
    cycles_per_year : float
        Whole batteries charged in a year.
    """

    mean_percent: float
    depth_percent: float
    cycles_per_year: float


@dataclass(frozen=True, slots=True)
class CapacityLoss:
    """What a battery has lost, as shares of its capacity: by time, and by use."""

    by_time: float
    by_use: float

    @property
    def whole(self) -> float:
        """Both together, at most 1."""
        return min(1.0, self.by_time + self.by_use)


def capacity_loss(use: BatteryUse, years: float, celsius: Sequence[float]) -> CapacityLoss:
    """Estimate the loss of a new battery after some years.

    Parameters
    ----------
    use : BatteryUse
        How it is used.
    years : float
        For how long.
    celsius : sequence of float
        Its temperatures in equal parts of the year [°C].

    Returns
    -------
    CapacityLoss
        By time, and by use.
    """
    volts = float(np.interp(use.mean_percent, np.linspace(0, 100, len(VOLTS)), VOLTS))
    speeds = [exp(-6976 / (each + ZERO_CELSIUS)) for each in celsius]
    by_day = (7.543 * volts - 23.75) * 1e6 * sum(speeds) / len(speeds)
    depth = use.depth_percent / 100
    by_charge = 7.348e-3 * (volts - 3.667) ** 2 + 7.6e-4 + 4.081e-3 * depth
    through_ah = 2 * CELL_AH * use.cycles_per_year * years
    return CapacityLoss(by_day * (DAYS_OF_YEAR * years) ** 0.75, by_charge * sqrt(through_ah))
