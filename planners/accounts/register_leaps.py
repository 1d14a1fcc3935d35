"""Drop impossible readings: a register that leaps up and comes back down. Pure."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from planners.accounts.register import possible

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.accounts.register import RegisterReading


def without_leaps(
    readings: Sequence[RegisterReading], max_kw: float
) -> tuple[RegisterReading, ...]:
    """Drop readings that rose impossibly fast and were followed by lower ones.

    A clock that was put back repeats an hour. The readings of the second pass then lie between
    those of the first, and each of them would count all the energy in between once more.

    Parameters
    ----------
    readings : sequence of RegisterReading
        In order of time.
    max_kw : float
        Highest power that could flow [kW].

    Returns
    -------
    tuple of RegisterReading
        The other readings; the first and the last always stay.
    """
    kept = list(readings[:1])
    for reading, following in pairwise(readings[1:]):
        rise_wh = reading.register_wh - kept[-1].register_wh
        leapt = rise_wh > 0 and not possible(rise_wh, kept[-1], reading, max_kw)
        if leapt and kept[-1].register_wh <= following.register_wh < reading.register_wh:
            continue
        kept.append(reading)
    return (*kept, *readings[1:][-1:])
