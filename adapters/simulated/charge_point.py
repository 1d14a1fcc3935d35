"""A simulated charge point: the physics of one outlet and its meter.

Deliberately shares nothing with the planners, which are tested against it. Knows no bus and no
clock: time is passed in. Between events (a command, a plug, an expired command) it integrates the
power, phases x volts x amps x taper(soc), in steps of at most ten seconds.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Literal

from adapters.contract.messages import Command
from adapters.simulated.vehicle import WATTS_PER_KW, SimulatedVehicle

__all__ = ["SimulatedChargePoint", "SimulatedVehicle"]

LONGEST_STEP = timedelta(seconds=10)
SECONDS_PER_HOUR = 3600.0


class SimulatedChargePoint:
    """One outlet with a meter, which obeys commands.

    Parameters
    ----------
    at
        When it is switched on.
    max_amps, min_amps
        The range of current it can offer per phase; below it, it offers nothing (IEC 61851-1).
    phases
        How many phases it has.
    volts
        Line to neutral.
    register_wh
        The initial register of its meter.
    on_off
        A relay: it offers `max_amps` or nothing, whatever current is commanded.
    """

    def __init__(
        self,
        at: datetime,
        *,
        max_amps: float = 32.0,
        min_amps: float = 6.0,
        phases: int = 1,
        volts: float = 230.0,
        register_wh: int = 0,
        on_off: bool = False,
    ) -> None:
        self.now = at
        self.vehicle: SimulatedVehicle | None = None
        self.last_serial = 0
        self._max_amps = max_amps
        self._min_amps = min_amps
        self._phases = self._connected = phases
        self.switched_under_load = 0
        """How often it was told to switch its phases while power flowed: never, if all is well."""
        self._volts = volts
        self._register_wh = float(register_wh)
        self._on_off = on_off
        self._command: Command | None = None

    @property
    def register_kwh(self) -> float:
        """The register of the meter; it only grows, by whole watt-hours."""
        return round(self._register_wh) / 1000

    @property
    def expires_at(self) -> datetime | None:
        """When the start in force expires; None if there is none."""
        command = self._command
        if command is None or command.do == "stop" or command.valid_until <= self.now:
            return None
        return command.valid_until

    @property
    def offered_amps(self) -> float:
        """The current it offers now, per phase; 0 if it is off."""
        command = self._command
        if self.expires_at is None or command is None or command.amps is None:
            return 0.0
        if self._on_off:
            return self._max_amps
        return min(command.amps, self._max_amps) if command.amps >= self._min_amps else 0.0

    @property
    def pilot(self) -> Literal["A", "B", "C"]:
        """The pilot state of IEC 61851-1: A no vehicle, B connected, C charging."""
        if self.vehicle is None:
            return "A"
        return "C" if self.offered_amps > 0 and not self.vehicle.is_full else "B"

    @property
    def phases_used(self) -> int:
        """The number of phases on which the vehicle charges; 0 without a vehicle."""
        return 0 if self.vehicle is None else min(self._connected, self.vehicle.phases)

    def watts(self) -> float:
        """Return the power through the meter now."""
        return self.phases_used * self._volts * self.amps()

    def amps(self) -> float:
        """Return the current drawn now on each phase that is used."""
        if self.vehicle is None or self.pilot != "C":
            return 0.0
        limit = self.vehicle.max_amps
        drawn = self.offered_amps if limit is None else min(limit, self.offered_amps)
        return drawn * self.vehicle.power_share()

    def advance(self, to: datetime) -> None:
        """Let time pass.

        Parameters
        ----------
        to
            The instant to advance to.

        Raises
        ------
        ValueError
            If it is before the present instant.
        """
        if to < self.now:
            raise ValueError(f"time can't run backwards: {to} is before {self.now}")
        while self.now < to:
            expiry = self.expires_at
            end = to if expiry is None else min(to, expiry)
            if self.pilot == "C":
                end = min(end, self.now + LONGEST_STEP)
                self._charge(end - self.now)
            self.now = end

    def obey(self, command: Command, at: datetime) -> bool:
        """Carry out a command.

        Parameters
        ----------
        command
            A start or a stop. An expired start leaves it off, but its serial counts.
        at
            When it arrives.

        Returns
        -------
        bool
            False if its serial is not higher than the last one: it is a repeat, or late.
        """
        self.advance(at)
        if command.serial <= self.last_serial:
            return False
        told = command.phases
        if told is not None and told != self._connected:
            self.switched_under_load += self.watts() > 0
            self._connected = min(told, self._phases)
        self.last_serial = command.serial
        self._command = command
        return True

    def plug_in(self, vehicle: SimulatedVehicle, at: datetime) -> None:
        """Connect a vehicle.

        Parameters
        ----------
        vehicle
            It charges at once if a start is in force.
        at
            When it is connected.

        Raises
        ------
        ValueError
            If another vehicle is connected.
        """
        self.advance(at)
        if self.vehicle is not None:
            raise ValueError("there is a vehicle at this outlet already")
        self.vehicle = vehicle

    def unplug(self, at: datetime) -> SimulatedVehicle:
        """Disconnect the vehicle.

        Parameters
        ----------
        at
            When it is disconnected.

        Returns
        -------
        SimulatedVehicle
            The vehicle with its present charge.

        Raises
        ------
        ValueError
            If there is none.
        """
        self.advance(at)
        if self.vehicle is None:
            raise ValueError("there is no vehicle at this outlet")
        vehicle, self.vehicle = self.vehicle, None
        return vehicle

    def _charge(self, span: timedelta) -> None:
        kw = self.watts() / WATTS_PER_KW
        if self.vehicle is not None:
            used = self.vehicle.charge(kw, span.total_seconds() / SECONDS_PER_HOUR)
            self._register_wh += kw * used * WATTS_PER_KW
