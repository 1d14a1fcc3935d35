"""Runs of minutes at one rate: the common form of band tariffs and price series."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np

if TYPE_CHECKING:
    from decimal import Decimal

    from numpy.typing import NDArray

    from planners.rates.usage_tiers import UsageTiers


class RateRun(NamedTuple):
    """Minutes at one rate, until the next run begins.

    Attributes
    ----------
    first : int
        UTC minute at which it begins.
    band : str
        Name of the band.
    rate : Decimal
        Rate, tax included [currency per kWh].
    estimated : bool
        Whether the rate is a guess from earlier days.
    tiers : UsageTiers or None
        The tiers, if the rate changes with use; `rate` is then the one after the usual use.
    """

    first: int
    band: str
    rate: Decimal
    estimated: bool
    tiers: UsageTiers | None = None


class Rates(Protocol):
    """The rates of one tariff."""

    def runs(self, first: int, last: int) -> list[RateRun]:
        """List the rates of the UTC minutes from `first` until before `last`.

        Parameters
        ----------
        first, last : int
            UTC minutes; `first` is before `last`.

        Returns
        -------
        list of RateRun
            In order of time, the first one beginning at `first`.

        Raises
        ------
        TariffError
            If the rate of one of the minutes is not known and can't be estimated.
        """

    def known_until(self, minute: int) -> int | None:
        """Find the first UTC minute, this one or later, whose rate is not known yet.

        Parameters
        ----------
        minute : int
            UTC minute.

        Returns
        -------
        int or None
            UTC minute; None if the rates are always known.
        """


def run_starts(codes: NDArray[Any]) -> NDArray[np.intp]:
    """Return the places at which a code changes, and the first place.

    Parameters
    ----------
    codes : ndarray, shape (minutes,) or (minutes, parts)
        One code a minute, at least one minute.

    Returns
    -------
    ndarray of intp, shape (runs,)
        Where each run of equal codes begins.
    """
    changed = codes[1:] != codes[:-1]
    if changed.ndim > 1:
        changed = changed.any(axis=1)
    return np.concatenate(([0], np.flatnonzero(changed) + 1))
