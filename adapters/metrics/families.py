"""Figures for graphs as plain data: what OpenMetrics calls metric families.

https://github.com/prometheus/OpenMetrics/blob/v1.0.0/specification/OpenMetrics.md
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Literal, Protocol

Figures = tuple[tuple[Mapping[str, str], float], ...]
"""Values, each with its labels."""


@dataclass(frozen=True, slots=True)
class Family:
    """Figures of one kind.

    Attributes
    ----------
    name : str
        Ends with the unit, where there is one; without the suffix of a counter.
    kind : {"gauge", "counter", "info"}
        As OpenMetrics has it.
    help : str
        What it is, in a sentence.
    figures : tuple
        Values with their labels.
    unit : str
        In the plural, as OpenMetrics wants it; empty where there is none.
    """

    name: str
    kind: Literal["gauge", "counter", "info"]
    help: str
    figures: Figures
    unit: str = ""


class Teller(Protocol):
    """Gives out figures, on a thread of its own."""

    def start(self) -> None:
        """Begin."""
        ...

    def tell(self, families: Iterable[Family]) -> None:
        """Give out these from now on; returns at once."""
        ...

    def stop(self) -> None:
        """End."""
        ...
