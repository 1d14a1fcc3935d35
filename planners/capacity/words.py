"""Say to what power a capacity charge keeps a plan, and what that spares."""

from __future__ import annotations

from typing import TYPE_CHECKING

from config.calendar.words import MONTHS, listed
from planners.accounts.money import format_money
from planners.capacity.charge import SAME_KW

if TYPE_CHECKING:
    from collections.abc import Iterator

    from planners.capacity.tonight import KeptPower

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
    charge = f"the capacity charge of {_times(kept)}"
    spared = format_money(kept.spared, currency)
    has_one_limit = highest_amps * problem.model.kw_per_amp <= cap + SAME_KW
    on = kept.best.solution.on
    is_in_part = any(on[each.start : each.end].any() for each in problem.use_limits)
    if is_set and has_one_limit and not is_in_part:
        yield f"Kept to {highest_amps:g} A: above it {charge} would grow by {spared}."
        return
    each = INTERVALS[kept.interval_minutes]
    yield (
        f"Kept to {cap:.1f} kW for the whole home, on average of each {each}: above it {charge}"
        f" would grow by {spared}."
    )


def _times(kept: KeptPower) -> str:
    """Name the months, or years, whose charge would grow."""
    if kept.bills > 1:
        return f"the {kept.bills} bills in which the peak counts"
    if kept.per == "year":
        return listed([str(period.first.year) for period in kept.periods])
    return listed([MONTHS[period.first.month - 1] for period in kept.periods])
