"""Define the planning problem of many nights, and its solution, in arrays only."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planners.power.charging import ChargeModel
from planners.solver.problem import SHORT_RUN_COST


@dataclass(frozen=True, slots=True, eq=False)
class Nights:
    """The planning problem of many nights; all begin long at rest.

    Attributes
    ----------
    rates_per_kwh : ndarray of float, shape (nights, ticks)
        Rate of each tick, tax included [currency per kWh]; may be negative.
    may_charge : ndarray of bool, shape (nights, ticks)
        Whether the vehicle may charge: not before it is plugged in, nor after it must be ready. A
        night ends with the last of these ticks.
    stored_kwh, need_kwh, want_kwh : ndarray of float, shape (nights,)
        Energy in the battery at the start, needed, and wanted (no less than needed) [kWh].
    max_rate_per_kwh : ndarray of float, shape (nights,)
        Worth of a metered kWh past the need [currency per kWh].
    model : ChargeModel
        The vehicle, and the one current at which it charges.
    tick_hours : float
        Length of a tick [h].
    start_cost : float
        Cost that avoiding one start is worth [currency]; not negative.
    min_run, min_rest : int
        Shortest run (at least 1) and shortest rest between runs [ticks]. A rest ends where the
        night ends; so does a run that is too short, at `short_run_cost`. A run may end early once
        it has charged all that is needed, or wanted.
    prefer_late : bool
        Whether to take the later, not the earlier, of plans that cost the same and start as often.

    Raises
    ------
    ValueError
        If an array has another shape, or holds nan or infinity, or a value is out of range.
    """

    rates_per_kwh: NDArray[np.float64]
    may_charge: NDArray[np.bool_]
    stored_kwh: NDArray[np.float64]
    need_kwh: NDArray[np.float64]
    want_kwh: NDArray[np.float64]
    max_rate_per_kwh: NDArray[np.float64]
    model: ChargeModel
    tick_hours: float
    start_cost: float = 0.0
    min_run: int = 1
    min_rest: int = 0
    prefer_late: bool = False

    def __post_init__(self) -> None:
        shape = np.shape(self.rates_per_kwh)
        if len(shape) != 2:  # noqa: PLR2004 - nights and ticks
            raise ValueError(f"rates_per_kwh: expected shape (nights, ticks), got {shape}")
        _check_shape("may_charge", self.may_charge, shape)
        if self.may_charge.dtype != np.bool_:
            raise ValueError(f"may_charge: expected bool, got {self.may_charge.dtype}")
        _check_finite("rates_per_kwh", self.rates_per_kwh)
        for name in ("stored_kwh", "need_kwh", "want_kwh", "max_rate_per_kwh"):
            _check_shape(name, getattr(self, name), shape[:1])
            _check_finite(name, getattr(self, name))
        self._check_ranges()

    @property
    def short_run_cost(self) -> NDArray[np.float64]:
        """Cost of a run that is too short at the end of each night: more than it can save."""
        run_kwh = self.min_run * self.tick_hours * self.model.full_kw
        dearest = np.abs(self.rates_per_kwh).max(axis=1, initial=0.0, where=self.may_charge)
        dearest = np.maximum(dearest, self.max_rate_per_kwh)
        cost: NDArray[np.float64] = 2 * (run_kwh * dearest + self.start_cost) + SHORT_RUN_COST
        return cost

    def _check_ranges(self) -> None:
        if np.any(self.want_kwh < self.need_kwh):
            raise ValueError("want_kwh: expected no less than need_kwh in every night")
        if not 0 < self.tick_hours < np.inf:
            raise ValueError(f"tick_hours: expected more than 0, got {self.tick_hours}")
        if not 0 <= self.start_cost < np.inf:
            raise ValueError(f"start_cost: expected 0 or more, got {self.start_cost}")
        if self.min_run < 1 or self.min_rest < 0:
            raise ValueError(
                "min_run, min_rest: expected at least 1 and 0 ticks, "
                f"got {self.min_run} and {self.min_rest}"
            )


@dataclass(frozen=True, slots=True, eq=False)
class NightsSolution:
    """An optimal plan of each night.

    Attributes
    ----------
    share : ndarray of float, shape (nights, ticks)
        Used share of each tick: 1, or less in the last one, in which the target is reached.
    metered_kwh : ndarray of float, shape (nights, ticks)
        Energy through the meter [kWh].
    gained_kwh : ndarray of float, shape (nights,)
        Energy that reaches the battery [kWh].
    cost : ndarray of float, shape (nights,)
        Sum of rate x energy [currency], without start costs.
    starts : ndarray of int, shape (nights,)
        Number of starts.
    """

    share: NDArray[np.float64]
    metered_kwh: NDArray[np.float64]
    gained_kwh: NDArray[np.float64]
    cost: NDArray[np.float64]
    starts: NDArray[np.intp]


def _check_shape(name: str, array: NDArray[np.generic], shape: tuple[int, ...]) -> None:
    if np.shape(array) != shape:
        raise ValueError(f"{name}: expected shape {shape}, got {np.shape(array)}")


def _check_finite(name: str, array: NDArray[np.float64]) -> None:
    if not np.isfinite(array).all():
        raise ValueError(f"{name}: expected finite numbers, got nan or infinity")
