"""A supplier's bands beside ours: where energy or cost differs, and the likely cause. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING

from planners.accounts.bill_hours import CLOCK, ESTIMATED, MISSING, OTHER_LOAD, UNEXPLAINED

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

TOLERANCE_WH = 100
TOLERANCE_PART = Decimal("0.01")
"""A band's energy may differ by 0.1 kWh, or by a hundredth if that is more."""

TOLERANCE_MONEY = Decimal("0.02")
"""A band's cost may differ by so much [currency]."""

NO_SUCH_BAND, RATES, FROM_ENERGY = "names-differ", "rates", "from-the-energy"
STANDING_CHARGE = "standing_charge"
"""What a bill's row for the standing charge is called; it has no energy."""


@dataclass(frozen=True, slots=True)
class Purchase:
    """What was bought in a band.

    Attributes
    ----------
    wh : Decimal
        Energy [Wh].
    cost : Decimal
        Tax included [currency].
    estimated_wh : int
        Part of the energy that is not measured [Wh]; 0 on a bill.
    """

    wh: Decimal
    cost: Decimal
    estimated_wh: int = 0


@dataclass(frozen=True, slots=True)
class BandComparison:
    """One band of both sides; None where a side does not have it.

    Attributes
    ----------
    band : str
        Its name.
    ours, theirs : Purchase or None
        What each side has.
    energy_cause, cost_cause : str
        Likely cause of a difference above the tolerance; empty where there is none.
    """

    band: str
    ours: Purchase | None
    theirs: Purchase | None
    energy_cause: str = ""
    cost_cause: str = ""


def compare_bands(
    ours: Mapping[str, Purchase], theirs: Mapping[str, Purchase], *, all_read: bool
) -> tuple[BandComparison, ...]:
    """Lay bands beside each other.

    Parameters
    ----------
    ours, theirs : mapping of str to Purchase
        By the band's name.
    all_read : bool
        Whether our meters were read from before the month to after it.

    Returns
    -------
    tuple of BandComparison
        In our order, then what only the bill has.
    """
    names = dict.fromkeys([*ours, *theirs])
    energy = {name: (ours[name], theirs[name]) for name in names if name in ours and name in theirs}
    whole = _whole(energy, all_read=all_read)
    return tuple(_line(name, ours.get(name), theirs.get(name), whole) for name in names)


def _line(name: str, ours: Purchase | None, theirs: Purchase | None, whole: str) -> BandComparison:
    if ours is None or theirs is None:
        is_nothing = all(it is None or not (it.wh or it.cost) for it in (ours, theirs))
        cause = "" if is_nothing else NO_SUCH_BAND
        return BandComparison(name, ours, theirs, energy_cause=cause, cost_cause=cause)
    energy_cause = _energy_cause(ours, theirs, whole) if _differ(ours, theirs) else ""
    cost_cause = ""
    if abs(theirs.cost - ours.cost) > TOLERANCE_MONEY:
        cost_cause = RATES if _rates_differ(ours, theirs) else FROM_ENERGY
    return BandComparison(name, ours, theirs, energy_cause, cost_cause)


def _energy_cause(ours: Purchase, theirs: Purchase, whole: str) -> str:
    apart = abs(theirs.wh - ours.wh)
    if ours.estimated_wh and apart <= ours.estimated_wh + _tolerance(theirs.wh):
        return ESTIMATED
    return whole


def _rates_differ(ours: Purchase, theirs: Purchase) -> bool:
    """Whether the bill's own energy at our average rate comes to another cost."""
    if not ours.wh:
        return not theirs.wh  # such as a standing charge
    return abs(theirs.cost - ours.cost / ours.wh * theirs.wh) > TOLERANCE_MONEY


def _whole(energy: Mapping[str, tuple[Purchase, Purchase]], *, all_read: bool) -> str:
    """Find the cause that the bands together speak for."""
    apart = [theirs.wh - ours.wh for ours, theirs in energy.values() if ours.wh or theirs.wh]
    if not all_read:
        return MISSING
    if all(_more(energy)):
        return OTHER_LOAD
    total = sum((theirs.wh for _, theirs in energy.values()), Decimal(0))
    agree = abs(sum(apart, Decimal(0))) <= _tolerance(total)
    return CLOCK if agree and min(apart, default=0) < 0 < max(apart, default=0) else UNEXPLAINED


def _more(energy: Mapping[str, tuple[Purchase, Purchase]]) -> Iterator[bool]:
    """Tell of each band with energy whether the bill has more."""
    for ours, theirs in energy.values():
        if ours.wh or theirs.wh:
            yield theirs.wh > ours.wh


def _differ(ours: Purchase, theirs: Purchase) -> bool:
    return abs(theirs.wh - ours.wh) > _tolerance(theirs.wh)


def _tolerance(wh: Decimal) -> Decimal:
    return max(Decimal(TOLERANCE_WH), TOLERANCE_PART * wh)
