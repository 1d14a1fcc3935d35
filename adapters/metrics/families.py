"""Metrics as plain data: the metric families of OpenMetrics.

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
    """A metric with its values.

    Attributes
    ----------
    name : str
        Ends with the unit, if there is one; without the suffix of a counter.
    kind : {"gauge", "counter", "info"}
        The type in OpenMetrics.
    help : str
        One sentence for people.
    figures : tuple
        Values with their labels.
    unit : str
        In the plural, as OpenMetrics requires; empty if there is none.
    """

    name: str
    kind: Literal["gauge", "counter", "info"]
    help: str
    figures: Figures
    unit: str = ""


class MetricsOutput(Protocol):
    """Publishes metrics, on its own thread."""

    def start(self) -> None:
        """Start publishing."""
        ...

    def update(self, families: Iterable[Family]) -> None:
        """Publish these from now on; returns at once."""
        ...

    def stop(self) -> None:
        """Stop publishing."""
        ...
