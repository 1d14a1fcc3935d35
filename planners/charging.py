"""How a vehicle takes energy at one current: power, losses, taper, and the ladder of ticks.

Knows nothing of rates or instants.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from itertools import repeat
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

REACHED_KWH = 1e-9
"""Battery energy [kWh] that counts as nothing: a target this near is reached."""


@dataclass(frozen=True, slots=True)
class ChargeModel:
    """One vehicle at one charge point, drawing one current while it charges.

    Attributes
    ----------
    amps : float
        Current per phase [A].
    phases : int
        Phases that carry it.
    volts : float
        Line to neutral [V].
    usable_kwh : float
        Energy between 0 and 100 percent state of charge [kWh].
    efficiency : float
        Battery energy gained per metered energy, in (0, 1].
    standby_kw : float
        Lost while charging, before the battery gains anything [kW].
    taper : tuple of (float, float)
        Points of (state of charge [percent], share of full power [percent]), linear between
        them and level outside; empty for full power throughout.
    """

    amps: float
    phases: int
    volts: float
    usable_kwh: float
    efficiency: float
    standby_kw: float = 0.0
    taper: tuple[tuple[float, float], ...] = ()

    @property
    def full_kw(self) -> float:
        """Metered power before any taper [kW]."""
        return self.amps * self.phases * self.volts / 1000

    def metered_kw(self, stored_kwh: float) -> float:
        """Metered power [kW] with `stored_kwh` in the battery (design, section 4)."""
        return self.full_kw * self._taper_share(100 * stored_kwh / self.usable_kwh)

    def gained_kw(self, metered_kw: float) -> float:
        """Power that reaches the battery [kW] when `metered_kw` passes the meter."""
        return max(0.0, self.efficiency * metered_kw - self.standby_kw)

    def stored_kwh(self, soc_percent: float) -> float:
        """Energy in the battery [kWh] at a state of charge [percent]."""
        return self.usable_kwh * soc_percent / 100

    def soc_percent(self, stored_kwh: float) -> float:
        """State of charge [percent] with `stored_kwh` in the battery."""
        return 100 * stored_kwh / self.usable_kwh

    def _taper_share(self, soc_percent: float) -> float:
        if not self.taper:
            return 1.0
        after = bisect_right(self.taper, soc_percent, key=lambda point: point[0])
        if after == 0:
            return self.taper[0][1] / 100
        if after == len(self.taper):
            return self.taper[-1][1] / 100
        (soc0, share0), (soc1, share1) = self.taper[after - 1], self.taper[after]
        return (share0 + (share1 - share0) * (soc_percent - soc0) / (soc1 - soc0)) / 100


@dataclass(frozen=True, slots=True, eq=False)
class Ladder:
    """What each further stretch of charging buys, from one state of charge up to a target.

    Attributes
    ----------
    share : ndarray of float, shape (rungs,)
        Part of each stretch that is used: 1 for all but the last, which ends at the target.
    metered_kwh : ndarray of float, shape (rungs,)
        Energy through the meter in each stretch [kWh].
    gained_kwh : ndarray of float, shape (rungs,)
        Energy that reaches the battery in each stretch [kWh].
    reaches_target : bool
        False if the stretches ended, or the battery gained no more, before the target.
    """

    share: NDArray[np.float64]
    metered_kwh: NDArray[np.float64]
    gained_kwh: NDArray[np.float64]
    reaches_target: bool

    @property
    def rungs(self) -> int:
        """How many stretches the ladder has."""
        return len(self.share)


def climb(model: ChargeModel, from_kwh: float, to_kwh: float, hours: Iterable[float]) -> Ladder:
    """Charge through stretches of time until the battery holds `to_kwh`.

    The taper is read at the start of each stretch, as the planning problem has it (design,
    section 4).

    Parameters
    ----------
    model : ChargeModel
        The vehicle and the current.
    from_kwh, to_kwh : float
        Battery energy at the start and at the target [kWh].
    hours : iterable of float
        Length of each stretch in which it may charge [h].

    Returns
    -------
    Ladder
        The stretches that were used; the last may be cut short by the target.
    """
    rows: list[tuple[float, float, float]] = []
    stored = from_kwh
    reached = stored >= to_kwh - REACHED_KWH
    for stretch in () if reached else hours:
        metered_kw = model.metered_kw(stored)
        gained_kw = model.gained_kw(metered_kw)
        if gained_kw <= 0:
            break
        share = min(1.0, (to_kwh - stored) / (gained_kw * stretch))
        rows.append((share, share * stretch * metered_kw, share * stretch * gained_kw))
        stored += rows[-1][2]
        if stored >= to_kwh - REACHED_KWH:
            reached = True
            break
    columns = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    return Ladder(columns[0], columns[1], columns[2], reaches_target=reached)


def ladder(
    model: ChargeModel, from_kwh: float, to_kwh: float, tick_hours: float, ticks: int
) -> Ladder:
    """Give the ladder of at most `ticks` equal ticks of `tick_hours` [h]: see `climb`."""
    return climb(model, from_kwh, to_kwh, repeat(tick_hours, ticks))
