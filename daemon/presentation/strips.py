"""What the strips of characters in a terminal share: heights, and marks above the cells."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime
    from decimal import Decimal
    from zoneinfo import ZoneInfo

LEVELS = "▁▂▃▄▅▆▇█"


def level(rate: Decimal, low: Decimal, high: Decimal, levels: str = LEVELS) -> str:
    """Choose the character that stands for a rate.

    Parameters
    ----------
    rate : Decimal
        The rate [currency per kWh].
    low, high : Decimal
        Lowest and highest rate of the strip [currency per kWh].
    levels : str
        Characters to choose from, the lowest first.

    Returns
    -------
    str
        One character; the lowest where all rates are the same.
    """
    if high == low:
        return levels[0]
    return levels[int((rate - low) / (high - low) * (len(levels) - 1))]


def hour_marks(instants: Sequence[datetime], zone: ZoneInfo) -> str:
    """Write the hour over the cell in which it begins, where there is room.

    Parameters
    ----------
    instants : sequence of datetime
        When each cell begins.
    zone : ZoneInfo
        Whose clock is read.

    Returns
    -------
    str
        No longer than the strip, but for the last mark.
    """
    text = ""
    last = None
    for place, instant in enumerate(instants):
        hour = instant.astimezone(zone).hour
        begins = (last is not None and hour != last) or instant.astimezone(zone).minute == 0
        if begins and len(text) <= place:
            text = text.ljust(place) + f"{hour:02d} "
        last = hour
    return text.rstrip()


def day_marks(instants: Sequence[datetime], zone: ZoneInfo) -> str:
    """Write the day of the month over the first cell that begins in it, where there is room.

    Parameters
    ----------
    instants : sequence of datetime
        When each cell begins.
    zone : ZoneInfo
        Whose calendar is read.

    Returns
    -------
    str
        No longer than the strip, but for the last mark.
    """
    text = ""
    last = None
    for place, instant in enumerate(instants):
        day = instant.astimezone(zone).day
        if last is not None and day != last and len(text) <= place:
            text = text.ljust(place) + f"{day:02d} "
        last = day
    return text.rstrip()
