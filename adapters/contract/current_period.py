"""A period of charging at one current, for hardware that can store a plan."""

from __future__ import annotations

from datetime import datetime
from typing import Protocol


class CurrentPeriod(Protocol):
    """A period of a plan; `planners.plan.plan.Period` is one."""

    @property
    def start(self) -> datetime:
        """When it begins, in UTC."""
        ...

    @property
    def end(self) -> datetime:
        """When it ends, in UTC; the first instant outside."""
        ...

    @property
    def amps(self) -> float:
        """Current per phase [A]."""
        ...
