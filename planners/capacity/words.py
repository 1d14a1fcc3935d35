"""Say to what power a capacity charge keeps a plan, and what that spares."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.calendar.words import MONTHS, listed
from planners.accounts.money import format_money
from planners.capacity.charge import SAME_KW

if TYPE_CHECKING:
    from collections.abc import Iterator

    from planners.capacity.tonight import ChargedPeriods, KeptPower

LEAST_SPARED = 0.005
"""Less money is not worth a sentence [currency]."""

INTERVALS = {15: "quarter-hour", 30: "half-hour", 60: "hour"}
"""What people call the intervals whose mean power counts."""


def kept_sentences(
    kept: KeptPower, highest_amps: float, currency: str, *, is_set: bool
) -> Iterator[str]:
    """Say to what a capacity charge keeps a plan.

    Parameters
    ----------
    kept : KeptPower
        The caps.
    highest_amps : float
        The highest current of the plan [A per phase].
    currency : str
        ISO 4217 code.
    is_set : bool
        Whether the current of the charge point can be set.

    Yields
    ------
    str
        A sentence; none if nothing is spared.
    """
    if kept.spared < LEAST_SPARED:
        return
    cap, problem = min(kept.best.caps_kw), kept.problem
    charge = f"the capacity charge of {_times(kept.charged)}"
    spared = format_money(kept.spared, currency)
    has_one_limit = highest_amps * problem.model.kw_per_amp <= cap + SAME_KW
    on = kept.best.solution.on
    is_in_part = any(on[each.start : each.end].any() for each in problem.use_limits)
    if is_set and has_one_limit and not is_in_part:
        yield f"Kept to {highest_amps:g} A: above it {charge} would grow by {spared}."
        return
    yield _kept_home(cap, charge, spared, kept.charged)


def kept_together_sentence(
    cap_kw: float, spared: float, charged: ChargedPeriods, currency: str
) -> str:
    """Say to what a capacity charge keeps the plans of several vehicles.

    Parameters
    ----------
    cap_kw : float
        Power of the whole home [kW].
    spared : float
        How much more the charge would be without the cap [currency].
    charged : ChargedPeriods
        The bills.
    currency : str
        ISO 4217 code.

    Returns
    -------
    str
        A sentence.
    """
    charge = f"the capacity charge of {_times(charged)}"
    return _kept_home(cap_kw, charge, format_money(spared, currency), charged)


def _kept_home(cap_kw: float, charge: str, spared: str, charged: ChargedPeriods) -> str:
    return (
        f"Kept to {cap_kw:.1f} kW for the whole home, on average of each"
        f" {INTERVALS[charged.interval_minutes]}: above it {charge} would grow by {spared}."
    )


def _times(charged: ChargedPeriods) -> str:
    """Name the months, or years, whose charge would grow."""
    if charged.bills > 1:
        return f"the {charged.bills} bills in which the peak counts"
    if charged.per == "year":
        return listed([str(period.first.year) for period in charged.periods])
    return listed([MONTHS[period.first.month - 1] for period in charged.periods])
