"""How an empty battery fills over time, at one current: read either way, without going by ticks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.power.charging import ChargeModel

STEPS = 1000
"""Parts into which the battery is cut."""

LEAST_KW = 1e-6
"""Where standby takes all of a tapered power the battery stays as it is: as good as this [kW]."""


@dataclass(frozen=True, slots=True, eq=False)
class ChargingCurve:
    """Battery energy over the hours of charging from empty.

    Attributes
    ----------
    stored_kwh : ndarray of float, shape (steps + 1,)
        From nothing to full [kWh].
    hours : ndarray of float, shape (steps + 1,)
        When each is reached [h].
    """

    stored_kwh: NDArray[np.float64]
    hours: NDArray[np.float64]

    @classmethod
    def of(cls, model: ChargeModel) -> ChargingCurve:
        """Fill a vehicle's battery."""
        stored = np.linspace(0.0, model.usable_kwh, STEPS + 1)
        metered_kw = model.full_kw * model.taper_shares(stored[:-1] + stored[1] / 2)
        gained_kw = np.maximum(model.efficiency * metered_kw - model.standby_kw, LEAST_KW)
        return cls(stored, np.concatenate(([0.0], np.cumsum(stored[1] / gained_kw))))

    def after(self, stored_kwh: NDArray[np.float64], hours: float) -> NDArray[np.float64]:
        """Battery energy so many hours after it was `stored_kwh`; before it, where negative."""
        at = np.interp(stored_kwh, self.stored_kwh, self.hours)
        return np.interp(at + hours, self.hours, self.stored_kwh)
