"""Count the energy of equipment that reports power, but no register between start and end."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from adapters.contract.messages import Reading

LONGEST_HOLD: Final = timedelta(minutes=15)
"""A power is taken to last no longer than this, unless it is reported again."""
_HOUR: Final = timedelta(hours=1)


@dataclass
class CountedRegister:
    """The register of one charge point, as it is known or counted.

    Attributes
    ----------
    watt_hours : float or None
        The register; None as long as no transaction has begun.
    watts : float
        The last power.
    at : datetime or None
        When that was reported.
    is_reported : bool
        Whether the equipment reports its register: then nothing is counted.
    """

    watt_hours: float | None = None
    watts: float = 0.0
    at: datetime | None = None
    is_reported: bool = False

    def set_to(self, watt_hours: float) -> None:
        """Take up the register at the start or the end of a transaction."""
        self.watt_hours, self.watts, self.at = watt_hours, 0.0, None

    def completed(self, reading: Reading) -> Reading:
        """Return a reading with the register that is counted, if it comes without one."""
        self.is_reported |= reading.register_kwh is not None
        if self.is_reported or reading.watts is None or self.watt_hours is None:
            return reading
        if self.at is not None and reading.at > self.at:
            held = min(reading.at - self.at, LONGEST_HOLD)
            # The lower of two powers: what is counted must not exceed what the meter shows later.
            self.watt_hours += max(0.0, min(self.watts, reading.watts)) * (held / _HOUR)
        if self.at is None or reading.at > self.at:
            self.watts, self.at = reading.watts, reading.at
        return reading.model_copy(update={"register_kwh": round(self.watt_hours) / 1000})
