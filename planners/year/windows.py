"""Arrange the nights of a year in arrays: their ticks and expected rates.

Nights of similar length are grouped, so that the long ones over a weekend do not pad the others.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from numpy.typing import NDArray

    from planners.year.price_knowledge import Outlook
    from planners.year.rates import YearRates


@dataclass(frozen=True, slots=True, eq=False)
class PlanningStage:
    """One plan for some nights of a group, made from the prices known at the time.

    Attributes
    ----------
    row : ndarray of int, shape (nights of the group,)
        Row of each night of the group in the arrays below; -1 if it has no such stage.
    rates : ndarray of float, shape (nights of the stage, ticks)
        Expected rates [currency per kWh].
    may_charge, is_kept : ndarray of bool, shape (nights of the stage, ticks)
        In which ticks the vehicle may charge, and in which this plan is carried out before the next
        one is made.
    """

    row: NDArray[np.intp]
    rates: NDArray[np.float64]
    may_charge: NDArray[np.bool_]
    is_kept: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class NightGroup:
    """Nights of similar length.

    Attributes
    ----------
    nights : ndarray of int, shape (nights,)
        Their indices among the year's nights.
    ticks : ndarray of int, shape (nights, ticks)
        Index in the year of each of the night's ticks.
    inside : ndarray of bool, shape (nights, ticks)
        Whether the night has that many ticks.
    stages : tuple of PlanningStage
        At least one; the first has all the nights.
    """

    nights: NDArray[np.intp]
    ticks: NDArray[np.intp]
    inside: NDArray[np.bool_]
    stages: tuple[PlanningStage, ...]


@dataclass(frozen=True, slots=True, eq=False)
class NightWindows:
    """The nights of a year.

    Attributes
    ----------
    first, end : ndarray of int, shape (nights,)
        First tick of each, and the one after its last.
    outlooks : sequence of sequence of Outlook, or None
        Outlooks of a price series, or of announced days, for each night; None if all rates are
        known.
    powered : ndarray of bool, shape (ticks of the year,), or None
        Whether the circuit of the charge point has power; None if it always has.
    """

    first: NDArray[np.intp]
    end: NDArray[np.intp]
    outlooks: Sequence[Sequence[Outlook]] | None = None
    powered: NDArray[np.bool_] | None = None

    def groups(self, year: YearRates, more: float = 0.0) -> tuple[NightGroup, ...]:
        """Group the nights by length.

        Parameters
        ----------
        year : YearRates
            Actual rates.
        more : float
            How much higher the affected rates are than in `outlooks` [currency per kWh].

        Returns
        -------
        tuple of NightGroup
            Every night with a tick is in one group.
        """
        length = self.end - self.first
        size = np.ceil(np.log2(np.maximum(length, 1)) * 2)
        kinds = np.unique(size[length > 0]).tolist()
        return tuple(
            self._group(year, np.flatnonzero((size == kind) & (length > 0)), more) for kind in kinds
        )

    def _group(self, year: YearRates, nights: NDArray[np.intp], more: float) -> NightGroup:
        first, end = self.first[nights], self.end[nights]
        offsets = np.arange(int((end - first).max()))
        inside = offsets < (end - first)[:, None]
        ticks = np.minimum(first[:, None] + offsets, len(year.rates) - 1)
        may = inside if self.powered is None else inside & self.powered[ticks]
        if self.outlooks is None:
            every = np.arange(len(nights))
            stages: tuple[PlanningStage, ...] = (
                PlanningStage(every, year.rates[ticks], may, inside),
            )
        else:
            known = [self.outlooks[night] for night in nights.tolist()]
            stages = tuple(_stages(known, first, may, np.where(year.affected, more, 0.0)))
        return NightGroup(nights, ticks, inside, stages)


def _stages(
    known: Sequence[Sequence[Outlook]],
    first: NDArray[np.intp],
    may: NDArray[np.bool_],
    more: NDArray[np.float64],
) -> Iterator[PlanningStage]:
    offsets = np.arange(may.shape[1])
    for number in range(max(len(outlooks) for outlooks in known)):
        rows = [i for i, outlooks in enumerate(known) if number < len(outlooks)]
        row = np.full(len(known), -1)
        row[rows] = np.arange(len(rows))
        rates = np.zeros((len(rows), len(offsets)))
        since, until = np.zeros((2, len(rows), 1))
        for place, i in enumerate(rows):
            outlook = known[i][number]
            since[place] = outlook.tick - first[i]
            ahead = slice(outlook.tick, outlook.tick + len(outlook.rates))
            dearer = outlook.rates + more[ahead]
            rates[place, outlook.tick - first[i] :][: len(dearer)] = dearer
            is_last = number + 1 == len(known[i])
            until[place] = len(offsets) if is_last else known[i][number + 1].tick - first[i]
        may_charge = may[rows] & (offsets >= since)
        yield PlanningStage(row, rates, may_charge, may_charge & (offsets < until))
