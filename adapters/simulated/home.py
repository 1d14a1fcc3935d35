"""A simulated home: the current that its appliances draw, as a function of the time of day.

All profiles are invented, from common sizes of appliances; they are measurements of no home.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

HOUR: Final = 3600
DAY: Final = 24 * HOUR


@dataclass(frozen=True, slots=True)
class Appliance:
    """What an appliance draws.

    Attributes
    ----------
    amps : float
        While it is on [A].
    phase : int
        0 for L1, 1 for L2, 2 for L3; a home with one phase has all on it.
    uses : tuple of (float, float)
        Its hours of use: each begins at an hour of the day, and lasts so many minutes.
    on_seconds, off_seconds : int
        How its thermostat switches it during a use; without the second, it is always on.
    """

    amps: float
    phase: int
    uses: tuple[tuple[float, float], ...]
    on_seconds: int = 1
    off_seconds: int = 0

    def amps_at(self, second: float) -> float:
        """Return what it draws at a second of the day [A]."""
        for hour, minutes in self.uses:
            since = (second - hour * HOUR) % DAY
            if since < minutes * 60:
                cycle = self.on_seconds + self.off_seconds
                return self.amps if since % cycle < self.on_seconds else 0.0
        return 0.0


ALL_DAY: Final = ((0.0, 1440.0),)

BUSY_HOME: Final = (
    Appliance(1.3, 0, ALL_DAY),  # what is always on
    Appliance(0.7, 1, ALL_DAY, on_seconds=12 * 60, off_seconds=25 * 60),  # refrigerator
    Appliance(9.5, 0, ((6.6, 3.0), (7.1, 2.5), (10.5, 3.0), (16.0, 3.0), (20.25, 3.0))),  # kettle
    Appliance(10.0, 1, ((18.0, 70.0),), on_seconds=75, off_seconds=100),  # oven
    Appliance(7.8, 2, ((18.3, 40.0),), on_seconds=14, off_seconds=9),  # hob
    Appliance(9.0, 2, ((21.5, 18.0), (22.2, 14.0))),  # dishwasher, while it heats
    Appliance(8.7, 0, ((23.0, 15.0),)),  # washing machine, while it heats
    Appliance(13.0, 1, ((2.0, 95.0), (13.0, 40.0))),  # water heater
    Appliance(
        11.0, 2, ((4.5, 240.0), (16.5, 390.0)), on_seconds=14 * 60, off_seconds=9 * 60
    ),  # heat pump
)
"""A home that cooks, washes and heats, also at night."""


def home_amps(
    second: float, phases: int = 1, appliances: tuple[Appliance, ...] = BUSY_HOME
) -> tuple[float, ...]:
    """Return what a home draws on each of its phases.

    Parameters
    ----------
    second : float
        Of the day, by the local clock.
    phases : int
        1 or 3.
    appliances : tuple of Appliance
        What is in it.

    Returns
    -------
    tuple of float
        One current for each phase [A].
    """
    drawn = [0.0] * phases
    for each in appliances:
        drawn[each.phase % phases] += each.amps_at(second)
    return tuple(drawn)
