"""Keep the readings of the home's load, and what they leave for each charge point."""

from __future__ import annotations

from datetime import timedelta
from math import inf
from typing import TYPE_CHECKING

from adapters.contract.messages import LoadOfHome
from daemon.load_guard.currents import amps_beside_others, own_current, shares_below_load
from planners.power.live_load import SILENCE, LiveLoad, amps_for_charging, rest_of_home, with_load

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.events import LoadRead
    from daemon.control.state import PointState


class LoadGuard:
    """Keeps what the live load of one household leaves.

    Parameters
    ----------
    states : mapping of str to PointState
        The charge points, in the order of the file; the service changes it with each step.
    """

    def __init__(self, states: Mapping[str, PointState]) -> None:
        self._states = states
        self._load: LiveLoad | None = None
        # While the charge points give way one after the other, each may keep this.
        self._shares: dict[str, float] | None = None

    def reading(self, now: datetime, file: HouseholdFile) -> LoadOfHome | None:
        """Return the latest reading, and what it leaves, for the status."""
        if self._load is None:
            return None
        left = self._left(now, file)
        leaves = None if left is None else tuple(round(each, 1) for each in left)
        return LoadOfHome(at=self._load.at, amps=self._load.amps, leaves_amps=leaves)

    def take(self, event: LoadRead, now: datetime, file: HouseholdFile) -> bool:
        """Take up a reading.

        Parameters
        ----------
        event : LoadRead
            The reading.
        now : datetime
            UTC.
        file : HouseholdFile
            The household.

        Returns
        -------
        bool
            Whether it leaves another current; then `begin_step` is to be called, each charge point
            stepped, and `end_step` called.
        """
        before, amps = self._left(now, file), event.load.amps
        rest = tuple(map(abs, amps))
        if event.load.includes_charge_points:
            own = own_current(self._states.values(), now, file, len(amps))
            rest = rest_of_home(amps, own, _most_amps(file))
        # A meter's clock may be a little ahead.
        self._load = with_load(self._load, min(event.load.at, now), amps, rest)
        return self._left(now, file) != before

    def begin_step(self, now: datetime, file: HouseholdFile) -> None:
        """Fix what each charge point may keep until `end_step`: they give way together."""
        self._shares = self._shares_now(now, file)

    def end_step(self) -> None:
        """Let each charge point keep its part of what the commands in force leave."""
        self._shares = None

    def limit_of(self, charge_point: str, now: datetime, file: HouseholdFile) -> float:
        """Return the most that a charge point may take.

        Parameters
        ----------
        charge_point : str
            Its name in the household file.
        now : datetime
            UTC.
        file : HouseholdFile
            The household.

        Returns
        -------
        float
            Current per phase [A]; infinity if no reading limits it.
        """
        left = self._left(now, file)
        if left is None:
            return inf
        shares = self._shares_now(now, file) if self._shares is None else self._shares
        beside = amps_beside_others(min(left), charge_point, self._states, now, file)
        return max(beside, shares.get(charge_point, 0.0))

    def due(self, now: datetime) -> datetime | None:
        """Return when silence will end the limits; None if it has, or if there are none."""
        if self._load is None:
            return None
        at = self._load.at + SILENCE + timedelta(seconds=1)
        return at if at > now else None

    def _shares_now(self, now: datetime, file: HouseholdFile) -> dict[str, float]:
        left = self._left(now, file)
        return {} if left is None else shares_below_load(min(left), self._states, now, file)

    def _left(self, now: datetime, file: HouseholdFile) -> tuple[float, ...] | None:
        return amps_for_charging(self._load, now, _most_amps(file))


def _most_amps(file: HouseholdFile) -> float | None:
    """Return what may flow on each phase [A]: the main fuse, less the reserve."""
    fuse = file.household.main_fuse_amps
    return None if fuse is None else max(0.0, min(fuse) - file.household.reserve_amps)
