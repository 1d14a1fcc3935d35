"""Hold what the home's own roofs leave for charging, for a year and for its nights."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np

from planners.surplus.two_rates import roof_kwh

if TYPE_CHECKING:
    from numpy.typing import NDArray

    Table = NDArray[np.float64]

LEAST_SUN_KW: Final = 0.05
"""With less surplus than this in all of its ticks, a night is planned as one without sun [kW]."""


@dataclass(frozen=True, slots=True, eq=False)
class YearSun:
    """What the home's own roofs leave for charging, tick by tick.

    Attributes
    ----------
    surplus_kw : ndarray of float, shape (ticks,)
        Power beyond the home's own use [kW].
    export_rates : ndarray of float, shape (ticks,)
        What a kWh earns that goes to the grid [currency per kWh].
    trust_percent : float
        So much of the surplus is what plans count on [percent].
    """

    surplus_kw: NDArray[np.float64]
    export_rates: NDArray[np.float64]
    trust_percent: float

    def at(self, ticks: NDArray[np.intp]) -> NightsSun:
        """Return that of some nights, given the ticks of each in shape (nights, ticks)."""
        return NightsSun(self.surplus_kw[ticks], self.export_rates[ticks], self.trust_percent)


@dataclass(frozen=True, slots=True, eq=False)
class NightsSun:
    """The same as `YearSun` for many nights, in arrays of shape (nights, ticks)."""

    surplus_kw: Table
    export_rates: Table
    trust_percent: float

    @property
    def counted_kw(self) -> Table:
        """What plans count on [kW]."""
        return self.surplus_kw * (self.trust_percent / 100)

    def shines(self, may_charge: NDArray[np.bool_]) -> NDArray[np.bool_]:
        """Whether plans can count on any sun, shape (nights,)."""
        return np.asarray((may_charge & (self.counted_kw > LEAST_SUN_KW)).any(axis=1), np.bool_)

    def only(self, nights: NDArray[np.generic]) -> NightsSun:
        """Return that of some of the nights."""
        return NightsSun(self.surplus_kw[nights], self.export_rates[nights], self.trust_percent)

    def of_night(self, night: int, ticks: slice) -> NightsSun:
        """Return that of some ticks of one night, without an axis of nights."""
        return NightsSun(
            self.surplus_kw[night, ticks], self.export_rates[night, ticks], self.trust_percent
        )

    def roof_kwh(self, metered_kwh: Table, share: Table, tick_hours: float) -> Table:
        """Return the part of each tick's energy that is from the roofs [kWh]."""
        return roof_kwh(metered_kwh, share, self.surplus_kw, tick_hours)
