"""Rates as the planners see them: spans of time, and ticks of equal length."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime
    from decimal import Decimal

    import numpy as np
    from numpy.typing import NDArray

    from planners.rates.usage_tiers import UsageTiers


@dataclass(frozen=True, slots=True)
class RateSpan:
    """A span of time at one rate.

    Attributes
    ----------
    start, end : datetime
        UTC; `end` is no longer part of it.
    rate : Decimal
        Rate, tax included [currency per kWh].
    band : str
        Name of the band, ``"price"`` in a price series.
    tariff : str
        Name of the tariff.
    estimated : bool
        Whether the rate is a guess from earlier days.
    tiers : UsageTiers or None
        The tiers, if the rate changes with use; `rate` is then the one after the usual use.
    """

    start: datetime
    end: datetime
    rate: Decimal
    band: str
    tariff: str
    estimated: bool
    tiers: UsageTiers | None = None


@dataclass(frozen=True, slots=True, eq=False)
class RateGrid:
    """Rates by ticks of equal length, for the solver.

    Attributes
    ----------
    rates : ndarray of float, shape (ticks,)
        Rate of each tick, tax included [currency per kWh].
    spans : tuple of RateSpan
        The same rates as spans; each begins and ends with a tick.
    estimated : ndarray of bool, shape (ticks,)
        Whether the rate of each tick is a guess from earlier days.
    """

    rates: NDArray[np.float64]
    spans: tuple[RateSpan, ...]
    estimated: NDArray[np.bool_]
