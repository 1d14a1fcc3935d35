"""Compare what the roofs give now with what was expected, and correct the next hours.

Clouds last: a roof that gave half of what was expected for half an hour gives less for some time.
Knows no clock.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from planners.generation.outlook import Correction, Outlook
from planners.local_time.conversion import minute_of

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

JUDGED_MINUTES: Final = 30
"""Over how many past minutes the two are compared: single clouds pass in less."""

COVERED_MINUTES: Final = 20
"""In how many of them there must have been a reading."""

EVERY_MINUTES: Final = 15
"""How often they are compared."""

LEAST_KW: Final = 0.2
"""Where less is expected, at dawn and dusk, the two are not compared [kW]."""

MOST_FACTOR: Final = 1.5
"""More than this times what was expected is not expected of any sky."""

NOTICED: Final = 0.15
"""A factor that differs by less changes nothing: plans need not be made again for it."""


@dataclass(frozen=True, slots=True)
class Recent:
    """The readings of the last minutes, and what followed from them.

    Attributes
    ----------
    watts_by_minute : mapping of int to float
        The last reading of each UTC minute in which there was one [W].
    judged : int
        The UTC minute in which they were compared last.
    correction : Correction or None
        What followed; None if nothing did yet.
    """

    watts_by_minute: Mapping[int, float] = field(default_factory=dict)
    judged: int = 0
    correction: Correction | None = None


def with_reading(recent: Recent, watts: float, at: datetime, sun: Outlook) -> Recent:
    """Take up a reading of the roofs.

    Parameters
    ----------
    recent : Recent
        The readings before.
    watts : float
        What they give [W].
    at : datetime
        Its instant, UTC.
    sun : Outlook
        What is expected of them, with or without a correction.

    Returns
    -------
    Recent
        With another correction if they give so much more or less than it says.
    """
    minute = minute_of(at)
    oldest = minute - JUDGED_MINUTES
    kept = {each: kw for each, kw in recent.watts_by_minute.items() if each > oldest}
    recent = replace(recent, watts_by_minute=kept | {minute: max(0.0, watts)})
    if len(recent.watts_by_minute) < COVERED_MINUTES or minute < recent.judged + EVERY_MINUTES:
        return recent
    recent = replace(recent, judged=minute)
    expected = replace(sun, correction=None).expected_kw(oldest + 1, minute + 1)
    read = [each - oldest - 1 for each in recent.watts_by_minute]
    expected_kw = float(expected[read].mean())
    if expected_kw < LEAST_KW:
        return recent
    shown_kw = sum(recent.watts_by_minute.values()) / len(recent.watts_by_minute) / 1000
    factor = min(MOST_FACTOR, shown_kw / expected_kw)
    before, known = recent.correction, 1.0
    if before is not None:
        known = float(before.factors(minute, minute + 1)[0])
    if abs(factor - known) < NOTICED:
        return recent
    return replace(recent, correction=Correction(minute, factor))
