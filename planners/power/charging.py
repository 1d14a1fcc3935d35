"""Model how a vehicle charges at one current: power, losses, taper, ladder.

Knows no rates and no instants.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from itertools import repeat
from math import inf
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterable

    from numpy.typing import NDArray

SAME_KWH = 1e-9
"""Battery energies nearer than this are the same [kWh]."""

NEED_TOLERANCE_PERCENT = 0.5
"""A need missed by less counts as met: vehicles report whole percents [percent]."""

TAPER_STEPS = 1000
"""Parts of the battery over which the metered energy of a taper with standby is integrated."""


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
        Power lost while charging, before the battery gains any [kW].
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
    def kw_per_amp(self) -> float:
        """Metered power of each ampere per phase before any taper [kW per A]."""
        return self.phases * self.volts / 1000

    @property
    def full_kw(self) -> float:
        """Metered power before any taper [kW]."""
        return self.amps * self.kw_per_amp

    def metered_kw(self, stored_kwh: float, amps: float | None = None) -> float:
        """Return the metered power [kW] at a battery energy, and at `amps` if given."""
        full_kw = self.full_kw if amps is None else amps * self.kw_per_amp
        return full_kw * self.taper_share(100 * stored_kwh / self.usable_kwh)

    def gained_kw(self, metered_kw: float) -> float:
        """Power that reaches the battery [kW] when `metered_kw` passes the meter."""
        return max(0.0, self.efficiency * metered_kw - self.standby_kw)

    def gained_kw_of(self, metered_kw: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return `gained_kw` of each of many metered powers [kW]."""
        gained: NDArray[np.float64] = self.efficiency * metered_kw - self.standby_kw
        return np.maximum(0.0, gained)

    def stored_kwh(self, soc_percent: float) -> float:
        """Energy in the battery [kWh] at a state of charge [percent]."""
        return self.usable_kwh * soc_percent / 100

    def soc_percent(self, stored_kwh: float) -> float:
        """State of charge [percent] with `stored_kwh` in the battery."""
        return 100 * stored_kwh / self.usable_kwh

    def taper_share(self, soc_percent: float) -> float:
        """Return the share of full power, 0 to 1, at a state of charge [percent]."""
        if not self.taper:
            return 1.0
        after = bisect_right(self.taper, (soc_percent, inf))
        if after == 0:
            return self.taper[0][1] / 100
        if after == len(self.taper):
            return self.taper[-1][1] / 100
        (soc0, share0), (soc1, share1) = self.taper[after - 1], self.taper[after]
        return (share0 + (share1 - share0) * (soc_percent - soc0) / (soc1 - soc0)) / 100

    def taper_shares(self, stored_kwh: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the share of full power, 0 to 1, at each of many battery energies [kWh]."""
        if not self.taper:
            return np.ones_like(stored_kwh)
        soc_percent, shares = _taper_columns(self.taper)
        found: NDArray[np.float64] = np.interp(
            100 * stored_kwh / self.usable_kwh, soc_percent, shares
        )
        return found

    @property
    def full_power_efficiency(self) -> float:
        """Battery energy gained per metered energy at full power, standby included.

        Without any power, as where nothing is left under the main fuse, standby can't be included.
        """
        return self.gained_kw(self.full_kw) / self.full_kw if self.full_kw else self.efficiency

    @property
    def metered_per_gained(self) -> float | None:
        """Metered energy per battery energy gained; None if it varies."""
        if self.taper and self.standby_kw > 0:
            return None
        gained_kw = self.gained_kw(self.full_kw)
        return self.full_kw / gained_kw if gained_kw > 0 and not self.taper else 1 / self.efficiency


@lru_cache(maxsize=32)
def _taper_columns(
    taper: tuple[tuple[float, float], ...],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return the states of charge of a taper [percent], and the shares of full power, 0 to 1."""
    soc_percent, percent = np.array(taper, dtype=np.float64).T
    return soc_percent, percent / 100


def metered_to(model: ChargeModel, stored_kwh: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the metered energy of a charge from empty, at the model's current.

    Parameters
    ----------
    model : ChargeModel
        The vehicle and the current.
    stored_kwh : ndarray of float
        Battery energies [kWh].

    Returns
    -------
    ndarray of float
        Energy through the meter up to each of them [kWh]; only differences mean anything.
    """
    ratio = model.metered_per_gained
    if ratio is not None:
        return ratio * stored_kwh
    grid = np.linspace(0.0, model.usable_kwh, TAPER_STEPS + 1)
    kw = model.full_kw * model.taper_shares(grid[:-1] + grid[1] / 2)
    # Where standby takes all power, nothing charges: a small gain stands in for none.
    gained_kw = np.maximum(model.efficiency * kw - model.standby_kw, 1e-3 * kw)
    metered = np.concatenate(([0.0], np.cumsum(grid[1] * kw / gained_kw)))
    return np.interp(stored_kwh, grid, metered)


@dataclass(frozen=True, slots=True, eq=False)
class Ladder:
    """Successive stretches of charging, from one state of charge to a target.

    Attributes
    ----------
    share : ndarray of float, shape (rungs,)
        Used share of each stretch: 1 for all but the last, which ends at the target.
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
        """Number of stretches."""
        return len(self.share)


def climb(
    model: ChargeModel,
    from_kwh: float,
    to_kwh: float,
    hours: Iterable[float],
    amps: Iterable[float] | None = None,
) -> Ladder:
    """Charge through stretches of time until the battery holds `to_kwh`.

    The taper's share is taken at the start of each stretch, as in the planning problem (design,
    section 4).

    Parameters
    ----------
    model : ChargeModel
        The vehicle and the current.
    from_kwh, to_kwh : float
        Battery energy at the start and at the target [kWh].
    hours : iterable of float
        Length of each stretch in which the vehicle may charge [h].
    amps : iterable of float, optional
        Current of each stretch, instead of the model's [A per phase].

    Returns
    -------
    Ladder
        The stretches used; the last may be cut short at the target.
    """
    rows: list[tuple[float, float, float]] = []
    stored = from_kwh
    reached = stored >= to_kwh - SAME_KWH
    currents = repeat(model.amps) if amps is None else amps
    kw_per_amp, usable_kwh = model.kw_per_amp, model.usable_kwh
    level_to, level = model.taper[0] if model.taper else (inf, 100.0)
    efficiency, standby_kw = model.efficiency, model.standby_kw
    # As `metered_kw` and `gained_kw` do, but the daemon climbs thousands of stretches an hour.
    for stretch, current in () if reached else zip(hours, currents, strict=False):
        soc_percent = 100 * stored / usable_kwh
        taper_share = level / 100 if soc_percent < level_to else model.taper_share(soc_percent)
        metered_kw = current * kw_per_amp * taper_share
        gained_kw = efficiency * metered_kw - standby_kw
        if gained_kw <= 0:
            break
        left_kwh, full_kwh = to_kwh - stored, gained_kw * stretch
        share = 1.0 if left_kwh >= full_kwh else left_kwh / full_kwh
        used = share * stretch
        gained_kwh = used * gained_kw
        rows.append((share, used * metered_kw, gained_kwh))
        stored += gained_kwh
        if stored >= to_kwh - SAME_KWH:
            reached = True
            break
    columns = np.array(rows, dtype=np.float64).reshape(-1, 3).T
    return Ladder(columns[0], columns[1], columns[2], reaches_target=reached)


def ladder(
    model: ChargeModel, from_kwh: float, to_kwh: float, tick_hours: float, ticks: int
) -> Ladder:
    """Return the ladder of at most `ticks` equal ticks: see `climb`."""
    return climb(model, from_kwh, to_kwh, repeat(tick_hours, ticks))
