"""Spare a contactor: tell how long a charge point must stay off after a run."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from config.household.equipment import ChargePoint


@dataclass(frozen=True, slots=True)
class LastSwitches:
    """When a charge point was last switched on, and off again.

    A change of the current is no switching.

    Attributes
    ----------
    on_at, off_at : datetime or None
        UTC; None if it never was. A stop before the first start is none.
    """

    on_at: datetime | None = None
    off_at: datetime | None = None

    def switched_on(self, at: datetime) -> LastSwitches:
        """Return the switches after one to on."""
        return replace(self, on_at=at)

    def switched_off(self, at: datetime) -> LastSwitches:
        """Return the switches after one to off."""
        return replace(self, off_at=at)

    def until(self, now: datetime) -> LastSwitches:
        """Return the switches with none later than now: the clock may have been put back."""
        return LastSwitches(
            None if self.on_at is None else min(self.on_at, now),
            None if self.off_at is None else min(self.off_at, now),
        )

    def rests_until(self, point: ChargePoint) -> datetime | None:
        """Return when a charge point that is off may be switched on again.

        Parameters
        ----------
        point : ChargePoint
            The charge point.

        Returns
        -------
        datetime or None
            `min_rest_minutes` after it was switched off, and `min_run_minutes` and
            `min_rest_minutes` after it was switched on: a run that was cut short has a longer
            rest. None if it has never been switched off.
        """
        if self.on_at is None or self.off_at is None:
            return None
        run, rest = (
            timedelta(minutes=minutes) for minutes in (point.min_run_minutes, point.rest_minutes)
        )
        return max(self.off_at + rest, self.on_at + run + rest)
