"""A simulated charge point: the physics of one outlet and its meter, with time passed in.

Deliberately shares nothing with the planners: it is the other side against which they are tried.
Knows no bus and no clock. Between events (a command, a plug, the end of a command's life) the power
drawn, phases x volts x amps x taper(soc), is integrated in steps of at most ten seconds.
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
        The instant at which it is switched on.
    max_amps, min_amps
        What it can offer per phase; below the least it offers nothing (IEC 61851-1).
    phases
        How many phases it has.
    volts
        Line to neutral.
    register_wh
        What its meter shows at first.
    on_off
        A relay: it offers `max_amps` or nothing, whatever current it is told.
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
        self._phases = phases
        self._volts = volts
        self._register_wh = float(register_wh)
        self._on_off = on_off
        self._command: Command | None = None

    @property
    def register_kwh(self) -> float:
        """What the meter shows: it only grows, by whole watt-hours."""
        return round(self._register_wh) / 1000

    @property
    def lapses_at(self) -> datetime | None:
        """When the start in force becomes void; None if there is none."""
        command = self._command
        if command is None or command.do == "stop" or command.valid_until <= self.now:
            return None
        return command.valid_until

    @property
    def offered_amps(self) -> float:
        """The current per phase that it offers now; 0 when it is off."""
        command = self._command
        if self.lapses_at is None or command is None or command.amps is None:
            return 0.0
        if self._on_off:
            return self._max_amps
        return min(command.amps, self._max_amps) if command.amps >= self._min_amps else 0.0

    @property
    def pilot(self) -> Literal["A", "B", "C"]:
        """The state of IEC 61851-1: A no vehicle, B connected, C charging."""
        if self.vehicle is None:
            return "A"
        return "C" if self.offered_amps > 0 and not self.vehicle.is_full else "B"

    @property
    def phases_used(self) -> int:
        """On how many phases the vehicle at the outlet charges; 0 without one."""
        return 0 if self.vehicle is None else min(self._phases, self.vehicle.phases)

    def watts(self) -> float:
        """Return the power through the meter now."""
        return self.phases_used * self._volts * self.amps()

    def amps(self) -> float:
        """Return the current drawn now on each phase used."""
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
            The instant to stand at afterwards.

        Raises
        ------
        ValueError
            If it lies before the present one.
        """
        if to < self.now:
            raise ValueError(f"time can't run backwards: {to} is before {self.now}")
        while self.now < to:
            lapse = self.lapses_at
            end = to if lapse is None else min(to, lapse)
            if self.pilot == "C":
                end = min(end, self.now + LONGEST_STEP)
                self._charge(end - self.now)
            self.now = end

    def obey(self, command: Command, at: datetime) -> bool:
        """Take a command.

        Parameters
        ----------
        command
            A start or a stop. One that is void already counts as heard, and leaves it off.
        at
            When it arrives.

        Returns
        -------
        bool
            False if its serial is not higher than the last one's: it is a repeat or is late.
        """
        self.advance(at)
        if command.serial <= self.last_serial:
            return False
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
            The vehicle, as charged as it is.

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
