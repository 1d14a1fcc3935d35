"""Compare the bands of a supplier's bill with ours; find causes. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from planners.bill.hours import CLOCK, ESTIMATED, MISSING, OTHER_LOAD, UNEXPLAINED

if TYPE_CHECKING:
    from collections.abc import Mapping

TOLERANCE_WH = 100
TOLERANCE_PART = Decimal("0.01")
"""A band's energy may differ by 0.1 kWh, or by one per cent if that is more."""

TOLERANCE_MONEY = Decimal("0.02")
"""A band's cost may differ by this much [currency]."""

NO_SUCH_BAND, RATES, FROM_ENERGY = "names-differ", "rates", "from-the-energy"
STANDING_CHARGE = "standing_charge"
"""Name of a bill's row for the standing charge; it has no energy."""
MINIMUM_BILL = "minimum_bill"
"""Name of a bill's row for what a minimum bill adds; it has no energy either."""


@dataclass(frozen=True, slots=True)
class Purchase:
    """The energy bought in a band, and its cost.

    Attributes
    ----------
    wh : Decimal
        Energy [Wh].
    cost : Decimal
        Cost, tax included [currency].
    estimated_wh : int
        Part of the energy that is estimated [Wh]; 0 on a bill.
    estimated_rate_wh : int
        Part of the energy whose rate is estimated [Wh]; 0 on a bill.
    """

    wh: Decimal
    cost: Decimal
    estimated_wh: int = 0
    estimated_rate_wh: int = 0


@dataclass(frozen=True, slots=True)
class BandComparison:
    """One band on both sides.

    Attributes
    ----------
    band : str
        Its name.
    ours, theirs : Purchase or None
        The purchase on each side; None if a side does not have the band.
    energy_cause, cost_cause : str
        Likely cause of a difference above the tolerance; empty if there is none.
    """

    band: str
    ours: Purchase | None
    theirs: Purchase | None
    energy_cause: str = ""
    cost_cause: str = ""


def compare_bands(
    ours: Mapping[str, Purchase], theirs: Mapping[str, Purchase], *, all_read: bool
) -> tuple[BandComparison, ...]:
    """Compare our bands with those of a bill.

    Parameters
    ----------
    ours, theirs : mapping of str to Purchase
        By the band's name.
    all_read : bool
        Whether we read the meters from before the month until after it.

    Returns
    -------
    tuple of BandComparison
        In our order, then the bands that only the bill has.
    """
    names = dict.fromkeys([*ours, *theirs])
    energy = {name: (ours[name], theirs[name]) for name in names if name in ours and name in theirs}
    overall = _overall_cause(energy, all_read=all_read)
    return tuple(_line(name, ours.get(name), theirs.get(name), overall) for name in names)


def _line(
    name: str, ours: Purchase | None, theirs: Purchase | None, overall: str
) -> BandComparison:
    if ours is None or theirs is None:
        is_empty = all(side is None or not (side.wh or side.cost) for side in (ours, theirs))
        cause = "" if is_empty else NO_SUCH_BAND
        return BandComparison(name, ours, theirs, energy_cause=cause, cost_cause=cause)
    energy_cause = _energy_cause(ours, theirs, overall) if _differ(ours, theirs) else ""
    cost_cause = ""
    if abs(theirs.cost - ours.cost) > TOLERANCE_MONEY:
        cost_cause = RATES if _rates_differ(ours, theirs) else FROM_ENERGY
    return BandComparison(name, ours, theirs, energy_cause, cost_cause)


def _energy_cause(ours: Purchase, theirs: Purchase, overall: str) -> str:
    apart = abs(theirs.wh - ours.wh)
    if ours.estimated_wh and apart <= ours.estimated_wh + _tolerance(theirs.wh):
        return ESTIMATED
    return overall


def _rates_differ(ours: Purchase, theirs: Purchase) -> bool:
    """Tell whether the bill's energy costs something else at our average rate."""
    if not ours.wh:
        return not theirs.wh  # a standing charge, for example
    return abs(theirs.cost - ours.cost / ours.wh * theirs.wh) > TOLERANCE_MONEY


def _overall_cause(energy: Mapping[str, tuple[Purchase, Purchase]], *, all_read: bool) -> str:
    """Find the likely cause of differences from all bands together."""
    apart = [theirs.wh - ours.wh for ours, theirs in energy.values()]
    if not all_read:
        return MISSING
    if all(theirs.wh > ours.wh for ours, theirs in energy.values() if ours.wh):
        return OTHER_LOAD
    total = sum((theirs.wh for _, theirs in energy.values()), Decimal(0))
    agree = abs(sum(apart, Decimal(0))) <= _tolerance(total)
    return CLOCK if agree and min(apart, default=0) < 0 < max(apart, default=0) else UNEXPLAINED


def _differ(ours: Purchase, theirs: Purchase) -> bool:
    return abs(theirs.wh - ours.wh) > _tolerance(theirs.wh)


def _tolerance(wh: Decimal) -> Decimal:
    return max(Decimal(TOLERANCE_WH), TOLERANCE_PART * wh)
