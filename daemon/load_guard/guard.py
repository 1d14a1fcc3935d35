"""Keep the readings of the home's load, and what they leave of each phase of the main fuse."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from adapters.contract.messages import LoadOfHome
from daemon.load_guard.currents import own_current
from planners.home.learned_load import HourInProgress, with_reading
from planners.home.left_beside import LeftByLoad
from planners.power.live_load import SILENCE, LiveLoad, amps_for_charging, rest_of_home, with_load
from planners.power.phases import users_of_phases

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from daemon.control.events import LoadRead
    from daemon.control.state import PointState
    from daemon.sharing.claims import Claim
    from planners.power.live_load import LoadHour


class LoadGuard:
    """Keeps what the live load of one household leaves."""

    def __init__(self) -> None:
        self._load: LiveLoad | None = None
        self._hour: HourInProgress | None = None
        self._ended: LoadHour | None = None
        # After a restart, what the commands in force allow holds until the load is read again.
        self._recalled: tuple[LeftByLoad, ...] = ()
        self._recalled_until: datetime | None = None

    def recall(self, charge_point: str, amps: float, now: datetime) -> None:
        """Let a charge point draw no more than its command allows until the load is read.

        Parameters
        ----------
        charge_point : str
            One whose load was read before this start.
        amps : float
            Its current by the command in force [A per phase].
        now : datetime
            UTC; this holds no longer than a reading would.
        """
        self._recalled += (LeftByLoad(amps, frozenset({charge_point})),)
        self._recalled_until = now + SILENCE

    def reading(self, now: datetime, file: HouseholdFile) -> LoadOfHome | None:
        """Return the latest reading, and what it leaves, for the status."""
        if self._load is None:
            return None
        left = amps_for_charging(self._load, now, _most_amps(file))
        if left is not None and len(self._load.amps) == 1:
            left = (min(left),)
        leaves = None if left is None else tuple(round(each, 1) for each in left)
        return LoadOfHome(at=self._load.at, amps=self._load.amps, leaves_amps=leaves)

    def take(
        self,
        event: LoadRead,
        states: Mapping[str, PointState],
        claims: Mapping[str, Claim],
        now: datetime,
        file: HouseholdFile,
    ) -> bool:
        """Take up a reading.

        Parameters
        ----------
        event : LoadRead
            The reading.
        states : mapping of str to PointState
            The charge points, in the order of the file.
        claims : mapping of str to Claim
            What the hardware of each may draw.
        now : datetime
            UTC.
        file : HouseholdFile
            The household.

        Returns
        -------
        bool
            Whether it leaves another current.
        """
        before, amps = self.limits(now, file), event.load.amps
        rest, is_certain = _of_each_phase(amps, file), True
        if event.load.includes_charge_points:
            own = own_current(states, claims, now, file, is_one_value=len(amps) == 1)
            rest, is_certain = rest_of_home(rest, own, _most_amps(file)), own.least == own.most
        if is_certain:
            self._learn(rest, now, file)
        # A meter's clock may be a little ahead.
        self._load = with_load(self._load, min(event.load.at, now), amps, rest)
        return self.limits(now, file) != before

    def take_ended_hour(self) -> LoadHour | None:
        """Return the highest load of an hour that has ended, once."""
        ended, self._ended = self._ended, None
        return ended

    def _learn(self, rest: tuple[float, ...], now: datetime, file: HouseholdFile) -> None:
        fuses = tuple(file.household.fuse_by_phase.values())
        if fuses:
            self._hour, ended = with_reading(self._hour, rest, now, file.zone, fuses)
            self._ended = ended or self._ended

    def limits(self, now: datetime, file: HouseholdFile) -> tuple[LeftByLoad, ...]:
        """Return what the load leaves of each phase; empty if nothing is known of late."""
        if self._load is None and self._recalled_until is not None and now <= self._recalled_until:
            return self._recalled
        left = amps_for_charging(self._load, now, _most_amps(file))
        if left is None or self._load is None:
            return ()
        phases = zip(left, users_of_phases(file).values(), self._load.phases, strict=True)
        return tuple(LeftByLoad(amps, users.possible, load.amps) for amps, users, load in phases)

    def due(self, now: datetime) -> datetime | None:
        """Return when silence will end the limits; None if it has, or if there are none."""
        until = self._recalled_until if self._load is None else self._load.at + SILENCE
        at = None if until is None else until + timedelta(seconds=1)
        return at if at is not None and at > now else None


def _of_each_phase(amps: tuple[float, ...], file: HouseholdFile) -> tuple[float, ...]:
    """Return the size of a reading on each phase of the supply."""
    sizes, phases = tuple(map(abs, amps)), len(file.household.phases)
    return sizes[:phases] if len(sizes) > 1 < phases else (max(sizes),) * phases


def _most_amps(file: HouseholdFile) -> tuple[float, ...] | None:
    """Return what may flow on each phase [A]: its main fuse, less the reserve."""
    fuses, reserve = file.household.fuse_by_phase.values(), file.household.reserve_amps
    return tuple(max(0.0, fuse - reserve) for fuse in fuses) or None
