"""Keep the readings of the meter between the home and the grid, and what they leave for charging.

Their means serve the account; the latest of them the current that follows the surplus. Knows no
clock.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Final

from daemon.control.events import HouseholdHealth
from daemon.control.state import FollowedCurrent, follows_surplus, is_charging, vehicle_of, watts_of
from daemon.load_guard.currents import READ_LATELY
from daemon.surplus.following import (
    SILENCE,
    PhaseChoice,
    PointLimits,
    SurplusReading,
    followed_current,
    with_reading,
)
from daemon.surplus.meter_sign import MeterSign, with_step
from planners.accounts.by_source import GRID_INTERVAL, GridInterval
from planners.home.interval_means import IntervalInProgress, with_power
from planners.power.allowed_currents import charge_model, own_amps
from planners.power.excess_current import FOLLOWS_WITHIN, VEHICLE_FOLLOWS
from planners.surplus.one_phase import most_amps_on_one

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from adapters.contract.messages import GridPower
    from config.household.household_file import HouseholdFile
    from daemon.control.state import PointState

_HOUR = timedelta(hours=1)

READ_WITHIN: Final = timedelta(seconds=75)
"""For so long after a new command the charge point's own reading is waited for."""


class GridMeter:
    """Adds up import and export, and finds the current that the surplus feeds."""

    def __init__(self) -> None:
        self._interval: IntervalInProgress | None = None
        self._surplus: dict[str, tuple[SurplusReading, ...]] = {}
        self._read_at: datetime | None = None
        self._sign, self._was_reversed = MeterSign(), False

    def take(self, power: GridPower, now: datetime) -> GridInterval | None:
        """Take up a reading for the account.

        Parameters
        ----------
        power : GridPower
            The reading.
        now : datetime
            UTC; a meter's clock may be a little ahead.

        Returns
        -------
        GridInterval or None
            The interval that this reading has ended, if enough of it was read.
        """
        watts = power.total_watts
        flows = (max(0.0, watts), max(0.0, -watts))
        return self._with_flows(flows, min(power.at, now))

    def until(self, now: datetime) -> GridInterval | None:
        """Let the latest reading count until now, and return the interval that this has ended."""
        return None if self._interval is None else self._with_flows(self._interval.watts, now)

    def _with_flows(self, flows: tuple[float, ...], at: datetime) -> GridInterval | None:
        self._interval, ended = with_power(self._interval, flows, at, GRID_INTERVAL)
        if ended is None:
            return None
        taken_wh, given_wh = (round(each * (GRID_INTERVAL / _HOUR)) for each in ended.watts)
        return GridInterval(ended.start, taken_wh, given_wh)

    def follow(
        self,
        power: GridPower,
        states: Mapping[str, PointState],
        now: datetime,
        file: HouseholdFile,
    ) -> list[str]:
        """Take up a reading for the charge points that follow the surplus.

        Those that are planned with the roof's power share it in the order of the file. While one of
        these may still be following a new command, the reading shows nothing certain, and is left
        out. What other charge points draw is like the rest of the home's.

        Parameters
        ----------
        power : GridPower
            The reading.
        states : mapping of str to PointState
            All charge points, in the order of the file.
        now : datetime
            UTC.
        file : HouseholdFile
            The household.

        Returns
        -------
        list of str
            Those for which it changes the current.
        """
        drawn = {name: _own_watts(state, now, file) for name, state in states.items()}
        self._read_at = at = min(power.at, now)
        known = [each for each in drawn.values() if each is not None]
        if len(known) == len(drawn):
            self._sign = with_step(self._sign, at, power.total_watts, sum(known))
        following = [name for name, state in states.items() if follows_surplus(state, now, file)]
        self._surplus = {name: self._surplus.get(name, ()) for name in following}
        own = [watts for name in following if (watts := drawn[name]) is not None]
        if len(own) < len(following):
            return []
        left = sum(own) - power.total_watts
        changed = []
        for name in following:
            reading = SurplusReading(at, left)
            self._surplus[name] = with_reading(self._surplus[name], reading)
            found = self.followed(states[name], now, file) or FollowedCurrent(0.0)
            left -= found.amps * _watts_per_amp(states[name], file, on_one=found.on_one)
            before = _commanded(states[name])
            switches = found.amps > 0 and found.on_one != before.on_one
            if found.amps != before.amps or switches:
                changed.append(name)
        return changed

    def due(self, now: datetime) -> datetime | None:
        """Return when silence will end the following; None if nothing is followed."""
        at = None if self._read_at is None else self._read_at + SILENCE + timedelta(seconds=1)
        return at if self._surplus and at is not None and at > now else None

    def news(self) -> HouseholdHealth | None:
        """Report, once, that the meter seems to be the wrong way round, or no longer."""
        if self._sign.is_reversed == self._was_reversed:
            return None
        self._was_reversed = self._sign.is_reversed
        trouble = "what the home takes falls as charging begins" if self._was_reversed else None
        return HouseholdHealth("grid-meter-reversed", trouble)

    def followed(
        self, state: PointState, now: datetime, file: HouseholdFile
    ) -> FollowedCurrent | None:
        """Return the current that the surplus feeds at a charge point; None if it follows none."""
        name, vehicle = state.charge_point, vehicle_of(state, file)
        readings = self._surplus.get(name)
        is_read = self._read_at is not None and now - self._read_at <= SILENCE
        if not readings or not is_read or self._sign.is_reversed:
            return None
        if vehicle is None or file.generation is None:
            return None
        point = file.charge_points[name]
        limits = PointLimits(
            least_amps=point.min_amps,
            most_amps=own_amps(file, name, vehicle),
            watts_per_amp=_watts_per_amp(state, file, on_one=False),
            shortest_run=timedelta(minutes=point.min_run_minutes),
            when_too_little=file.generation.when_too_little,
        )
        most, one = most_amps_on_one(file, vehicle), None
        if most is not None and not state.phase_watch.keeps_all:
            watts = _watts_per_amp(state, file, on_one=True)
            one = replace(limits, most_amps=most, watts_per_amp=watts)
        runs_since = state.switches.on_at if is_charging(state) else None
        return followed_current(
            readings, now, _commanded(state), runs_since,
            PhaseChoice(limits, one, state.switches.may_switch_phases(now)),
        )  # fmt: skip


def _commanded(state: PointState) -> FollowedCurrent:
    return FollowedCurrent(
        (state.command.amps if state.command else None) or 0.0, state.switches.phases == 1
    )


def _watts_per_amp(state: PointState, file: HouseholdFile, *, on_one: bool) -> float:
    vehicle = vehicle_of(state, file)
    if vehicle is None:
        return 0.0
    return file.household.nominal_volts * (1 if on_one else charge_model(file, vehicle).phases)


def _own_watts(state: PointState, now: datetime, file: HouseholdFile) -> float | None:
    """Return what a charge point draws; None while it may be following a new command [W]."""
    changed = state.current_watch.judged_from
    at, watts = state.watts_at, watts_of(state)
    is_read = at is not None and watts is not None and now - at <= READ_LATELY
    if at is not None and is_read and (changed is None or at >= changed + VEHICLE_FOLLOWS):
        return max(0.0, watts or 0.0)
    # Only a reading shows when a vehicle that was told to begin has begun.
    if changed is not None and now < changed + (READ_WITHIN if is_read else FOLLOWS_WITHIN):
        return None
    commanded = _commanded(state)
    return commanded.amps * _watts_per_amp(state, file, on_one=commanded.on_one)
