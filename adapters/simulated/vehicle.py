"""A simulated vehicle: its battery, its losses, and the taper of its charger.

Deliberately shares nothing with the planners, which are tested against it.

    gained = max(0, efficiency x metered - standby)
    lost   = metered - gained
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

FULL_PERCENT = 100.0
WATTS_PER_KW = 1000.0


@dataclass
class SimulatedVehicle:
    """A battery and its charger.

    Attributes
    ----------
    usable_kwh : float
        Energy between 0 and 100 percent.
    soc_percent : float
        State of charge; changes while it charges.
    efficiency : float
        Energy gained by the battery per metered energy, in (0, 1].
    standby_watts : float
        Power lost all the time while it charges.
    taper : sequence of (float, float)
        State of charge [percent] and share of full power [percent], ascending; linear between the
        points, constant outside them. Empty for none.
    max_amps : float or None
        The most it draws per phase; None for no limit of its own.
    phases : int
        How many phases it can use.
    lost_kwh : float
        Energy lost since it was created.

    Raises
    ------
    ValueError
        If the battery has no capacity, a percentage or the efficiency is out of range, or the
        points of the taper do not ascend.
    """

    usable_kwh: float
    soc_percent: float
    efficiency: float = 0.9
    standby_watts: float = 0.0
    taper: Sequence[tuple[float, float]] = ()
    max_amps: float | None = None
    phases: int = 1
    lost_kwh: float = field(default=0.0, init=False)

    def __post_init__(self) -> None:
        if self.usable_kwh <= 0 or not 0 <= self.soc_percent <= FULL_PERCENT:
            raise ValueError("a battery holds some energy, between 0 and 100 percent")
        if not 0 < self.efficiency <= 1 or self.standby_watts < 0:
            raise ValueError("an efficiency is in (0, 1], and standby takes power")
        marks = [0.0, *(soc for soc, _ in self.taper), FULL_PERCENT]
        if any(low > high for low, high in pairwise(marks)):
            raise ValueError("the points of a taper ascend from 0 to 100 percent")

    @property
    def is_full(self) -> bool:
        """Whether the battery is full."""
        return self.soc_percent >= FULL_PERCENT

    def power_share(self) -> float:
        """Return the share of full power it draws at its state of charge, 0 to 1."""
        if not self.taper:
            return 1.0
        points = [(-1.0, self.taper[0][1]), *self.taper, (FULL_PERCENT + 1, self.taper[-1][1])]
        (low, share_low), (high, share_high) = next(
            (left, right) for left, right in pairwise(points) if self.soc_percent < right[0]
        )
        fraction = (self.soc_percent - low) / (high - low)
        return (share_low + fraction * (share_high - share_low)) / 100

    def charge(self, kw: float, hours: float) -> float:
        """Charge until the time is up or the battery is full.

        Parameters
        ----------
        kw
            Metered power.
        hours
            How long it is offered.

        Returns
        -------
        float
            The hours of charging: fewer than offered if the battery became full.
        """
        gain_kw = max(0.0, self.efficiency * kw - self.standby_watts / WATTS_PER_KW)
        room_kwh = self.usable_kwh * (FULL_PERCENT - self.soc_percent) / 100
        fills = gain_kw * hours >= room_kwh
        used = room_kwh / gain_kw if fills and gain_kw > 0 else hours
        self.lost_kwh += (kw - gain_kw) * used
        # Set, not added up: rounding must not leave a battery that never becomes full.
        gained_percent = 100 * gain_kw * used / self.usable_kwh
        self.soc_percent = FULL_PERCENT if fills else self.soc_percent + gained_percent
        return used
