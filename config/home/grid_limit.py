"""A limit that the grid operator sets on what is drawn."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import Final, Literal

MOST_LIMIT_KW: Final = 1_000
"""No home is limited to more: such a number is a fault."""

MOST_LIMIT_AMPS: Final = 2_000

Bounds = Literal["charge_points", "home"]
"""What a limit bounds: the sum of the charge points, or all that the home draws."""


@dataclass(frozen=True, slots=True)
class LimitInForce:
    """A limit of the grid operator that holds now.

    Attributes
    ----------
    kw, amps : float or None
        The limit, as a power [kW] or as a current [A per phase]; one of the two.
    until : datetime or None
        When it ends (UTC); None if it holds until it is lifted.
    charge_point : str or None
        The only one that it bounds; None if it bounds what the household file says.
    """

    kw: float | None = None
    amps: float | None = None
    until: datetime | None = None
    charge_point: str | None = None

    @property
    def text(self) -> str:
        """The limit as people read it, such as 4.2 kW."""
        return f"{self.kw:g} kW" if self.kw is not None else f"{self.amps:g} A"
