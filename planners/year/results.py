"""Hold the results of simulated years."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Self

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class YearResults:
    """Results of simulated years, one entry per year.

    Attributes
    ----------
    line_kwh, line_cost : ndarray of float, shape (years, lines)
        Energy through the meter and its cost, by bill lines [kWh, currency].
    cheapest_kwh, estimated_kwh : ndarray of float, shape (years,)
        Energy in the cheapest ticks, and at estimated rates [kWh].
    short_kwh : ndarray of float, shape (years, nights)
        Metered energy missing from the need at each departure [kWh].
    elsewhere_kwh : ndarray of float, shape (years,)
        Battery energy of trips beyond what the battery held [kWh].
    ends_kwh : ndarray of float, shape (years,)
        Battery energy after the last night [kWh].
    topped_kwh : ndarray of float, shape (years, nights)
        The part of `elsewhere_kwh` that was missing from the need at each departure, and bought
        elsewhere at once [kWh].
    mean_kwh : ndarray of float, shape (years,)
        Battery energy on average over all the time, if the rule minds the battery's age; else 0.
    shared_kwh : ndarray of float, shape (years,)
        The part of it that is charged elsewhere whatever the choice [kWh].
    capacity_charge : ndarray of float, shape (years,)
        Capacity charge of the whole home, charging included; 0 without one [currency].
    top_up : ndarray of float, shape (years,)
        What minimum bills add, charging included; 0 without one [currency].
    roof_kwh, roof_cost : ndarray of float, shape (years,)
        Energy from the home's own roofs, in no line, and what its export would have earned [kWh,
        currency].
    all_grid_cost : ndarray of float, shape (years,)
        What all energy would have cost from the grid, in the same hours [currency].
    """

    line_kwh: NDArray[np.float64]
    line_cost: NDArray[np.float64]
    cheapest_kwh: NDArray[np.float64]
    estimated_kwh: NDArray[np.float64]
    short_kwh: NDArray[np.float64]
    elsewhere_kwh: NDArray[np.float64]
    ends_kwh: NDArray[np.float64]
    capacity_charge: NDArray[np.float64]
    top_up: NDArray[np.float64]
    roof_kwh: NDArray[np.float64]
    roof_cost: NDArray[np.float64]
    all_grid_cost: NDArray[np.float64]
    topped_kwh: NDArray[np.float64]
    shared_kwh: NDArray[np.float64]
    mean_kwh: NDArray[np.float64]

    def only(self, place: int) -> YearResults:
        """Return the results of one year alone."""
        return YearResults(*(column[place : place + 1] for column in self.columns))

    @classmethod
    def joined(cls, parts: Sequence[YearResults]) -> YearResults:
        """Join results one after another."""
        columns = zip(*(part.columns for part in parts), strict=True)
        return cls(*(np.concatenate(column) for column in columns))

    @property
    def columns(self) -> tuple[NDArray[np.float64], ...]:
        """All arrays, in the order of the attributes."""
        return (
            self.line_kwh,
            self.line_cost,
            self.cheapest_kwh,
            self.estimated_kwh,
            self.short_kwh,
            self.elsewhere_kwh,
            self.ends_kwh,
            self.capacity_charge,
            self.top_up,
            self.roof_kwh,
            self.roof_cost,
            self.all_grid_cost,
            self.topped_kwh,
            self.shared_kwh,
            self.mean_kwh,
        )

    @property
    def energy_kwh(self) -> NDArray[np.float64]:
        """Energy through the meter of each year [kWh]."""
        return self.grid_kwh + self.roof_kwh

    @property
    def grid_kwh(self) -> NDArray[np.float64]:
        """The part of it that is from the grid [kWh]."""
        return np.asarray(self.line_kwh.sum(axis=1), np.float64)

    @property
    def cost(self) -> NDArray[np.float64]:
        """Cost of each year's energy, with what the roofs' would have earned [currency]."""
        return np.asarray(self.line_cost.sum(axis=1), np.float64) + self.roof_cost

    @property
    def by_month(self) -> NDArray[np.float64]:
        """Capacity charge and minimum bills of each year [currency]."""
        return self.capacity_charge + self.top_up

    def with_shared(self, shared_kwh: NDArray[np.float64]) -> Self:
        """Return the same with so much of each year charged elsewhere whatever the choice."""
        return replace(self, elsewhere_kwh=self.elsewhere_kwh + shared_kwh, shared_kwh=shared_kwh)

    @property
    def nights_short(self) -> NDArray[np.intp]:
        """How many nights of each year ended short of the need."""
        return np.asarray(np.count_nonzero(self.short_kwh > 0, axis=1), np.intp)
