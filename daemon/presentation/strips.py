"""Draw strips in a terminal: the height of each cell, and marks above them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence
    from datetime import datetime
    from decimal import Decimal
    from zoneinfo import ZoneInfo

LEVELS = "▁▂▃▄▅▆▇█"


def level(rate: Decimal, low: Decimal, high: Decimal, levels: str = LEVELS) -> str:
    """Choose the character whose height shows a rate.

    Parameters
    ----------
    rate : Decimal
        The rate [currency per kWh].
    low, high : Decimal
        Lowest and highest rate in the strip [currency per kWh].
    levels : str
        Characters to choose from, the lowest first.

    Returns
    -------
    str
        One character; the lowest if all rates are equal.
    """
    if high == low:
        return levels[0]
    return levels[int((rate - low) / (high - low) * (len(levels) - 1))]


def hour_marks(instants: Sequence[datetime], zone: ZoneInfo) -> str:
    """Write each hour over the cell in which it begins, where there is room.

    Parameters
    ----------
    instants : sequence of datetime
        Start of each cell.
    zone : ZoneInfo
        The household's zone.

    Returns
    -------
    str
        As long as the strip at most; only the last mark may stick out.
    """
    cells = [instant.astimezone(zone) for instant in instants]
    return _marks(
        f"{cell.hour:02d}" if cell.minute == 0 or (before and cell.hour != before.hour) else ""
        for before, cell in zip([None, *cells], cells, strict=False)
    )


def day_marks(instants: Sequence[datetime], zone: ZoneInfo) -> str:
    """Write each day of the month over its first cell, as `hour_marks` writes hours."""
    cells = [instant.astimezone(zone) for instant in instants]
    return _marks(
        f"{cell.day:02d}" if before and cell.day != before.day else ""
        for before, cell in zip([None, *cells], cells, strict=False)
    )


def _marks(labels: Iterable[str]) -> str:
    text = ""
    for place, label in enumerate(labels):
        if label and len(text) <= place:
            text = f"{text:<{place}}{label} "
    return text.rstrip()
