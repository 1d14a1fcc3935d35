"""Keep the readings of the home's load, and what they leave of each phase of the main fuse."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

from adapters.contract.messages import LoadOfHome
from config.household.household_file import WATTS_PER_KW
from daemon.load_guard.currents import own_current
from planners.home.interval_means import IntervalInProgress, with_power
from planners.home.learned_load import HourInProgress, is_fault, with_reading
from planners.home.left_beside import LeftByLoad
from planners.power.live_load import (
    SILENCE,
    LiveLoad,
    LoadQuarter,
    amps_for_charging,
    rest_of_home,
    with_load,
)
from planners.power.phases import phases_in_use, users_of_phases

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
        self._quarter: IntervalInProgress | None = None
        self._ended_quarter: LoadQuarter | None = None
        # After a restart, what the commands in force allow holds until the load is read again.
        self._recalled: tuple[LeftByLoad, ...] = ()
        self._recalled_until: datetime | None = None
        # Since when a meter that the household has is awaited for the first time.
        self._awaited_since: datetime | None = None

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
        self._recalled += (LeftByLoad(amps, {charge_point: 1.0}),)
        self._recalled_until = now + SILENCE

    def is_steady(self, now: datetime, file: HouseholdFile) -> bool:
        """Whether the load is read steadily, or there is no meter of it.

        Parameters
        ----------
        now : datetime
            UTC.
        file : HouseholdFile
            The household.

        Returns
        -------
        bool
            False after a silence, until readings have come often enough for some minutes. A meter
            that is wired, or that was read before this start, may stay silent as long at first.
        """
        if self._load is not None:
            return self._load.is_steady(now)
        points = file.charge_points.values()
        at_point = any(each.ocpp is not None and each.ocpp.home_meter for each in points)
        if not self._recalled and file.household.load_meter is None and not at_point:
            return True
        self._awaited_since = self._awaited_since or now
        return now - self._awaited_since <= SILENCE

    def reading(self, now: datetime, file: HouseholdFile) -> LoadOfHome | None:
        """Return the latest reading, and what it leaves, for the status."""
        if self._load is None:
            return None
        gap = None if self._load.gap is None else round(self._load.gap.total_seconds())
        left = amps_for_charging(self._load, now, _most_amps(file))
        if left is None:
            return LoadOfHome(at=self._load.at, amps=self._load.amps, gap_seconds=gap)
        home = file.household
        by_phase, in_sum = left[: len(home.phases)], left[len(home.phases) :]
        if len(self._load.amps) == 1:
            by_phase = (min(by_phase),)
        leaves_kw = round(in_sum[0] * home.nominal_volts / WATTS_PER_KW, 2) if in_sum else None
        return LoadOfHome(
            at=self._load.at,
            amps=self._load.amps,
            leaves_amps=tuple(round(each, 1) for each in by_phase),
            leaves_kw=leaves_kw,
            gap_seconds=gap,
        )

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
        before, amps = self._state(now, file), event.load.amps
        rest, is_certain = _of_each_limit(amps, file), True
        if event.load.includes_charge_points:
            own = own_current(states, claims, now, file, is_one_value=len(amps) == 1)
            rest, is_certain = rest_of_home(rest, own, _most_amps(file)), own.least == own.most
        if is_certain:
            self._learn(rest, now, file)
            if len(amps) >= len(file.household.phases):
                self._average(rest[: len(file.household.phases)], now, file)
        # A meter's clock may be a little ahead.
        self._load = with_load(self._load, min(event.load.at, now), amps, rest)
        return self._state(now, file) != before

    def take_ended_hour(self) -> LoadHour | None:
        """Return the highest load of an hour that has ended, once."""
        ended, self._ended = self._ended, None
        return ended

    def take_ended_quarter(self) -> LoadQuarter | None:
        """Return the mean power of a quarter-hour that has ended, once."""
        ended, self._ended_quarter = self._ended_quarter, None
        return ended

    def _average(self, amps: tuple[float, ...], now: datetime, file: HouseholdFile) -> None:
        if is_fault(amps, tuple(file.household.fuse_by_phase.values())):
            return
        watts = sum(amps) * file.household.nominal_volts
        self._quarter, ended = with_power(self._quarter, (watts,), now)
        if ended is not None:
            self._ended_quarter = LoadQuarter(ended.start, ended.watts[0])

    def _learn(self, rest: tuple[float, ...], now: datetime, file: HouseholdFile) -> None:
        fuses = tuple(file.household.fuse_by_phase.values())
        if fuses:
            by_phase = rest[: len(fuses)]
            self._hour, ended = with_reading(self._hour, by_phase, now, file.zone, fuses)
            self._ended = ended or self._ended

    def _state(self, now: datetime, file: HouseholdFile) -> tuple[tuple[LeftByLoad, ...], bool]:
        return self.limits(now, file), self.is_steady(now, file)

    def limits(self, now: datetime, file: HouseholdFile) -> tuple[LeftByLoad, ...]:
        """Return what the load leaves of each phase; empty if nothing is known of late."""
        if self._load is None and self._recalled_until is not None and now <= self._recalled_until:
            return self._recalled
        left = amps_for_charging(self._load, now, _most_amps(file))
        if left is None or self._load is None:
            return ()
        loads = [phase.amps for phase in self._load.phases]
        found = [
            LeftByLoad(amps, dict.fromkeys(sorted(users.possible), 1.0), load)
            for amps, users, load in zip(left, users_of_phases(file).values(), loads, strict=False)
        ]
        for amps in left[len(found) :]:
            points = {name: float(phases_in_use(file, name)[1]) for name in file.charge_points}
            of = f"of the home's {file.household.max_power_kw:g} kW"
            found.append(LeftByLoad(amps, points, max(loads[: len(found)]), of))
        return tuple(found)

    def rest_amps(self, now: datetime, file: HouseholdFile) -> dict[str, float] | None:
        """Return what the rest of the home draws on each phase; None if nothing shows it."""
        if self._load is None or now - self._load.at > self._load.counts_for:
            return None
        amps = (phase.amps for phase in self._load.phases)
        return dict(zip(file.household.phases, amps, strict=False))

    def due(self, now: datetime) -> datetime | None:
        """Return when silence will end the limits; None if it has, or if there are none."""
        if self._load is not None:
            until: datetime | None = self._load.at + self._load.counts_for
        elif self._awaited_since is not None:
            until = self._awaited_since + SILENCE
        else:
            until = self._recalled_until
        at = None if until is None else until + timedelta(seconds=1)
        return at if at is not None and at > now else None


def _of_each_limit(amps: tuple[float, ...], file: HouseholdFile) -> tuple[float, ...]:
    """Return the size of a reading on each phase of the supply, and their sum if that counts."""
    sizes, phases = tuple(map(abs, amps)), len(file.household.phases)
    found = sizes[:phases] if len(sizes) > 1 < phases else (max(sizes),) * phases
    return found if file.household.max_total_amps is None else (*found, sum(found))


def _most_amps(file: HouseholdFile) -> tuple[float, ...] | None:
    """Return what may flow on each phase [A]: its main fuse, less the reserve; then in sum."""
    fuses, reserve = file.household.fuse_by_phase.values(), file.household.reserve_amps
    total = file.household.max_total_amps
    most = tuple(max(0.0, fuse - reserve) for fuse in fuses)
    return (most if total is None else (*most, total)) or None
