"""Price a billed power: money per kilowatt, or by steps, for the highest powers of a period."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Powers = NDArray[np.float64]

SAME_KW = 1e-9
"""Powers nearer than this are the same [kW]."""


@dataclass(frozen=True, slots=True)
class CapacityPrice:
    """What a billed power costs in each bill.

    Attributes
    ----------
    rate_per_kw : float
        Money for each kW; 0 if there are steps [currency per kW].
    steps : tuple of (float, float)
        The highest billed power of each step [kW], and its charge [currency]; ascending, and the
        last is without an end (infinite).
    at_least_kw : float
        The peak of each period counts at least as much [kW].
    highest_days : int
        The mean of so many highest daily peaks, on as many different days, is the peak of a period.
    bills : int
        A bill is for the mean of the peaks of so many periods: each peak counts in as many bills.
    """

    rate_per_kw: float = 0.0
    steps: tuple[tuple[float, float], ...] = ()
    at_least_kw: float = 0.0
    highest_days: int = 1
    bills: int = 1

    def of_power(self, billed_kw: Powers) -> Powers:
        """Return the charge of billed powers in one bill [currency]; shapes alike."""
        if not self.steps:
            return self.rate_per_kw * billed_kw
        ends = np.array([end for end, _charge in self.steps])
        charges = np.array([charge for _end, charge in self.steps])
        found: Powers = charges[np.searchsorted(ends, billed_kw - SAME_KW)]
        return found

    def peak_of(self, days_kw: Powers) -> Powers:
        """Return the peak of a period that counts.

        Parameters
        ----------
        days_kw : ndarray of float, shape (..., days)
            The highest power of each of its days [kW].

        Returns
        -------
        ndarray of float, shape (...)
            The mean of the highest days, or the least that counts [kW].
        """
        k = min(self.highest_days, days_kw.shape[-1])
        if k == 0:
            return np.full(days_kw.shape[:-1], self.at_least_kw)
        highest = days_kw.max(axis=-1) if k == 1 else np.sort(days_kw)[..., -k:].mean(axis=-1)
        counted: Powers = np.maximum(self.at_least_kw, highest)
        return counted

    def in_all_bills(self, peak_kw: Powers, others_kw: Sequence[float]) -> Powers:
        """Sum what a period's peak costs over every bill in which it counts.

        Parameters
        ----------
        peak_kw : ndarray of float
            Peaks of the period [kW].
        others_kw : sequence of float
            Peaks of the periods before it, the latest last, as many as are known [kW].

        Returns
        -------
        ndarray of float
            Money, of the shape of the peaks [currency]. The other periods of each of those bills
            are taken to be like those before this one. Of a period that is not known the least
            that counts is taken. By the kilowatt the sum grows with this peak alone.
        """
        known = [max(self.at_least_kw, each) for each in others_kw[-(self.bills - 1) :]]
        known = known if self.bills > 1 else []
        rest = sum(known) + self.at_least_kw * (self.bills - 1 - len(known))
        return self.bills * self.of_power((peak_kw + rest) / self.bills)


@dataclass(frozen=True, slots=True)
class PeriodPeaks:
    """The daily peaks of a period, as far as tonight's caps decide them.

    Attributes
    ----------
    price : CapacityPrice
        What they cost.
    days_kw : tuple of float
        Highest power of each day of the period without any more charging: metered so far, or what
        the rest of the home is expected to draw [kW].
    capped : tuple of (int, tuple of int)
        Days on which charging may raise the peak, each with the caps of which the highest counts.
    others_kw : tuple of float
        Peaks of earlier periods, for a bill of several [kW].
    """

    price: CapacityPrice
    days_kw: tuple[float, ...]
    capped: tuple[tuple[int, tuple[int, ...]], ...]
    others_kw: tuple[float, ...] = ()

    def charge(self, caps_kw: Powers) -> Powers:
        """Return the charge, over all bills, of peaks up to the caps.

        Parameters
        ----------
        caps_kw : ndarray of float, shape (choices, caps)
            The powers up to which is charged [kW].

        Returns
        -------
        ndarray of float, shape (choices,)
            Money [currency].
        """
        days = np.repeat(np.array([self.days_kw]), len(caps_kw), axis=0)
        for day, caps in self.capped:
            for cap in caps:
                np.maximum(days[:, day], caps_kw[:, cap], out=days[:, day])
        return self.price.in_all_bills(self.price.peak_of(days), self.others_kw)

    def free_kw(self, cap: int) -> float:
        """Return a power up to which a cap raises nothing, whatever the other caps are [kW]."""
        days = [self.days_kw[day] for day, caps in self.capped if cap in caps]
        if not days:
            return float("inf")
        return max(self.days_kw) if self.price.highest_days == 1 else min(days)
