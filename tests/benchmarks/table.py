"""Print targets and measurements as rows of plain text."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import astuple, dataclass

REACHED = "reached"


@dataclass(frozen=True)
class Row:
    """One line of the table; without a target there is no verdict."""

    what: str
    target: str
    measured: str
    verdict: str = ""


HEAD = Row("what", "target", "measured", "verdict")


def at_least(value: float, target: float) -> str:
    """Return whether `value` is `target` or more, or how many times too small it is."""
    return REACHED if value >= target else f"missed {target / value:.3g} times"


def at_most(value: float, target: float) -> str:
    """Return whether `value` is `target` or less, or how many times too large it is."""
    return REACHED if value <= target else f"missed {value / target:.3g} times"


def duration(seconds: float) -> str:
    """Write a time with three digits."""
    value, unit = (seconds, "s") if seconds >= 1 else (1000 * seconds, "ms")
    decimals = max(0, 2 - math.floor(math.log10(value)))
    return f"{value:.{decimals}f} {unit}"


def durations(seconds: Sequence[float]) -> str:
    """Write several times."""
    return ", ".join(duration(one) for one in seconds)


def table(rows: Sequence[Row]) -> str:
    """Return the rows in columns, below a head."""
    cells = [astuple(row) for row in (HEAD, *rows)]
    widths = [max(len(text) for text in column) for column in zip(*cells, strict=True)]
    cells.insert(1, tuple("-" * width for width in widths))
    lines = ["  ".join(map(str.ljust, line, widths)).rstrip() for line in cells]
    return "\n".join(lines)
