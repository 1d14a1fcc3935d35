"""Readings that no meter can have shown: a leap up that did not stay. Pure."""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

from planners.accounts.accounts import possible

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.accounts.accounts import RegisterReading


def without_leaps(
    readings: Sequence[RegisterReading], max_kw: float
) -> tuple[RegisterReading, ...]:
    """Leave out readings above which the register can't have risen, and that did not stay.

    Those of an hour that a clock has told twice, because it was put back, stand among the earlier
    ones of that hour: each would count all that flowed in between, again and again.

    Parameters
    ----------
    readings : sequence of RegisterReading
        In order of time.
    max_kw : float
        Highest power that could flow [kW].

    Returns
    -------
    tuple of RegisterReading
        The others. The first and the last are always among them.
    """
    kept = list(readings[:1])
    for reading, following in pairwise(readings[1:]):
        rise_wh = reading.register_wh - kept[-1].register_wh
        leapt = rise_wh > 0 and not possible(rise_wh, kept[-1], reading, max_kw)
        if leapt and kept[-1].register_wh <= following.register_wh < reading.register_wh:
            continue
        kept.append(reading)
    return (*kept, *readings[1:][-1:])
