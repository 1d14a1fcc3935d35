"""Find how a battery fills over time at one current, without ticks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.power.charging import ChargeModel

STEPS = 1000
"""Parts of the battery over which time is integrated."""

LEAST_KW = 1e-6
"""Stands in for no power at all, where standby takes all that the taper leaves [kW]."""


@dataclass(frozen=True, slots=True, eq=False)
class ChargingCurve:
    """Battery energy over the hours of charging from empty.

    Attributes
    ----------
    stored_kwh : ndarray of float, shape (steps + 1,)
        From empty to full [kWh].
    hours : ndarray of float, shape (steps + 1,)
        Time until each is reached [h].
    """

    stored_kwh: NDArray[np.float64]
    hours: NDArray[np.float64]

    @classmethod
    def of(cls, model: ChargeModel) -> ChargingCurve:
        """Compute the curve of a vehicle."""
        stored = np.linspace(0.0, model.usable_kwh, STEPS + 1)
        metered_kw = model.full_kw * model.taper_shares(stored[:-1] + stored[1] / 2)
        gained_kw = np.maximum(model.efficiency * metered_kw - model.standby_kw, LEAST_KW)
        return cls(stored, np.concatenate(([0.0], np.cumsum(stored[1] / gained_kw))))

    def after(self, stored_kwh: NDArray[np.float64], hours: float) -> NDArray[np.float64]:
        """Return the battery energy so many hours later, or earlier if negative."""
        at = np.interp(stored_kwh, self.stored_kwh, self.hours)
        return np.interp(at + hours, self.hours, self.stored_kwh)
