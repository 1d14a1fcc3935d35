"""A whole night in seconds: the real daemon, a real broker, simulated hardware, virtual time.

The conductor owns the clock. It moves to the next instant at which anything is due, lets the
hardware speak, waits until the daemon has handled every message, wakes the daemon, and
waits until the hardware has obeyed: only then does time go on.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import timedelta
from threading import Condition, Thread
from typing import TYPE_CHECKING, Any

from adapters.bus.events import Connected, Disconnected, MessageArrived, Published
from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import encode
from adapters.contract.topics import Topics
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from adapters.simulated.hardware import SimulatedHardware
from config.files.errors import BusError, LullwattError
from config.household.broker import Bus
from daemon.control.events import AnnouncePlan, Issue
from daemon.messaging.incoming import (
    ChannelReady,
    Halt,
    HandledEvent,
    HardwareReport,
    Reload,
    WakeUp,
)
from daemon.messaging.outbox import command_message
from daemon.service.running import Daemon
from planners.local_time.departures import next_departure, night_bounds, night_of
from planners.plan.plan import Plan, instant_text

if TYPE_CHECKING:
    from datetime import datetime

    from adapters.ledger.ledger import Ledger
    from config.household.household_file import HouseholdFile
    from daemon.service.household_watch import HouseholdWatch

MakeHardware = Callable[[SimulatedChargePoint, Bus, Topics, str], SimulatedHardware]
"""Puts a simulated charge point on the bus."""

PATIENCE_SECONDS = 60.0
"""How long to wait for the broker or the daemon before giving up."""

UNPLUGGED_BEFORE = timedelta(minutes=1)
"""Who drives off has taken the plug out before."""

SETTLES = timedelta(minutes=25)
"""How long after noon a night without departure is closed at the latest."""


@dataclass(frozen=True, slots=True)
class Evening:
    """What is rehearsed: a vehicle that is plugged in at an instant with a state of charge."""

    vehicle: str
    at: datetime
    soc_percent: float


@dataclass(slots=True)
class Rehearsed:
    """What happened.

    Attributes
    ----------
    plan : Plan or None
        The first one made with the vehicle's own state of charge.
    commands : list of dict
        Every command as it was published, with the instant in `at`.
    night : dict or None
        The record of the night.
    register_kwh : float
        What the simulated meter counted.
    """

    plan: Plan | None = None
    commands: list[dict[str, Any]] = field(default_factory=list)
    night: dict[str, Any] | None = None
    register_kwh: float = 0.0

    def to_json(self) -> dict[str, Any]:
        """Return it as JSON values."""
        return {
            "plan": self.plan.to_json() if self.plan else None,
            "commands": self.commands,
            "night": self.night,
            "register_kwh": self.register_kwh,
        }


class _Listener:
    """Hears from the daemon's thread what it has dealt with."""

    def __init__(
        self, clock: VirtualClock, told: Callable[[HandledEvent], None], own_topic: str
    ) -> None:
        self._clock = clock
        self._own_topic = own_topic
        self._told = told
        self._changed = Condition()
        self._error: BaseException | None = None
        self.connected = False
        self.messages = 0
        self.wake_ups = 0
        self.serial = 0
        self.wake = clock.now()

    def hear(self, handled: HandledEvent) -> None:
        """Take note; on the daemon's thread."""
        with self._changed:
            match handled.event:
                case MessageArrived(topic):
                    # The daemon hears its own word that it runs, too.
                    self.messages += topic != self._own_topic
                case WakeUp():
                    self.wake_ups += 1
                case Connected():
                    self.connected = True
                case HardwareReport():
                    self.messages += 1
                case Halt() | Reload() | Published() | ChannelReady():
                    pass
                case Disconnected(reason):
                    self._error = BusError(f"the rehearsal lost its broker: {reason}")
            self.wake = handled.wake
            self._told(handled)
            self._changed.notify_all()

    def fail(self, error: BaseException) -> None:
        """Take note that the daemon's thread has ended in an error."""
        with self._changed:
            self._error = error
            self._changed.notify_all()

    def wait(self, condition: Callable[[], bool], what: str) -> None:
        """Wait until something has been heard."""
        with self._changed:
            if not self._changed.wait_for(
                lambda: condition() or self._error is not None, PATIENCE_SECONDS
            ):
                raise LullwattError(f"the rehearsal got stuck: {what}")
            if self._error is not None:
                raise self._error


class Rehearsal:
    """Conducts one night.

    Parameters
    ----------
    watch : HouseholdWatch
        The household.
    ledger : Ledger
        A ledger of the rehearsal's own.
    bus : Bus
        A broker that is up.
    evening : Evening
        What to rehearse.
    told : callable
        Told of everything the daemon has dealt with, as it happens, on the daemon's thread.
    make_hardware : callable, optional
        Makes hardware that is wired as the file says; by default it speaks the daemon's own
        messages, and the file's wiring is left aside.
    """

    def __init__(
        self,
        watch: HouseholdWatch,
        ledger: Ledger,
        bus: Bus,
        evening: Evening,
        told: Callable[[HandledEvent], None],
        *,
        make_hardware: MakeHardware | None = None,
    ) -> None:
        file = watch.house.file
        self._file = file
        self._evening = evening
        self._told = told
        self.clock = VirtualClock(evening.at)
        self._result = Rehearsed()
        topics = Topics(file.bus.root, file.household.name)
        self._listener = _Listener(self.clock, self._hear, topics.daemon)
        self._daemon = Daemon(
            watch, ledger, self.clock, bus, wake_at=lambda _instant: None,
            observer=self._listener.hear, as_wired=make_hardware is not None,
        )  # fmt: skip
        self._point_name = file.vehicles[evening.vehicle].charge_point
        self._point = _simulated_point(file, self._point_name, evening.at)
        self._register_before_kwh = self._point.register_kwh
        self._hardware = (make_hardware or SimulatedHardware)(
            self._point, bus, topics, self._point_name
        )

    def run(self) -> Rehearsed:
        """Run from the plug-in until the night is closed.

        Returns
        -------
        Rehearsed
            What happened.

        Raises
        ------
        BusError
            If the simulated hardware finds no broker.
        LullwattError
            If the broker or the daemon fails.
        """  # noqa: DOC502 - raised by the listener
        with ExitStack() as ending:
            thread = Thread(target=self._run_daemon, name="daemon", daemon=True)
            thread.start()
            ending.callback(thread.join, PATIENCE_SECONDS)
            ending.callback(self._daemon.halt)
            self._listener.wait(lambda: self._listener.connected, "no broker")
            self._hardware.plug_in(_simulated_vehicle(self._file, self._evening), self._evening.at)
            self._hardware.start()
            ending.callback(self._hardware.stop)
            if not self._hardware.wait_connected(PATIENCE_SECONDS):
                raise BusError("the simulated charge point found no broker")
            self._conduct()
        self._result.register_kwh = self._point.register_kwh - self._register_before_kwh
        return self._result

    def _conduct(self) -> None:
        departure = next_departure(self._file, self._evening.vehicle, self._evening.at)
        leaves = departure.instant - UNPLUGGED_BEFORE if departure else None
        zone = self._file.zone
        end = night_bounds(night_of(self._evening.at, zone), zone)[1] + SETTLES
        now = self._evening.at
        while self._result.night is None and now <= end:
            if leaves is not None and now >= leaves:
                self._hardware.unplug(now)
                leaves = None
            self._hardware.step(now)
            self._settle()
            due = [self._listener.wake, self._hardware.next_due()]
            due += [] if leaves is None else [leaves]
            now = max(now + timedelta(microseconds=1), min(due))
            self.clock.advance_to(now)

    def _settle(self) -> None:
        """Wait until every word has been heard on both sides."""
        listener = self._listener
        listener.wait(lambda: listener.messages >= self._hardware.sent, "a reading did not arrive")
        if listener.wake <= self.clock.now():
            wake_ups = listener.wake_ups
            self._daemon.post(WakeUp())
            listener.wait(lambda: listener.wake_ups > wake_ups, "the daemon is silent")
        if not self._hardware.wait_obeyed(listener.serial, PATIENCE_SECONDS):
            raise LullwattError("the rehearsal got stuck: a command did not arrive")

    def _run_daemon(self) -> None:
        try:
            self._daemon.run()
        except BaseException as error:  # noqa: BLE001 - it is raised again by whoever waits
            self._listener.fail(error)

    def _is_evening(self) -> bool:
        # A plan on an assumed state of charge gives way to one on the vehicle's own.
        return self._result.plan is None or self.clock.now() == self._evening.at

    def _hear(self, handled: HandledEvent) -> None:
        for point, action in handled.actions:
            if point != self._point_name:
                continue
            if isinstance(action, Issue):
                self._listener.serial = action.command.serial
                payload = json.loads(encode(command_message(action.command)))
                self._result.commands.append({"at": instant_text(self.clock.now()), **payload})
            if isinstance(action, AnnouncePlan) and self._is_evening():
                self._result.plan = action.plan
        for night in handled.nights:
            if night["charge_point"] == self._point_name:
                self._result.night = night
        self._told(handled)


def _simulated_point(file: HouseholdFile, name: str, at: datetime) -> SimulatedChargePoint:
    point = file.charge_points[name]
    return SimulatedChargePoint(
        at,
        max_amps=point.max_amps,
        min_amps=point.min_amps,
        phases=point.phases,
        volts=file.household.nominal_volts,
        register_wh=1_000_000,
        on_off=point.switching == "on_off",
    )


def _simulated_vehicle(file: HouseholdFile, evening: Evening) -> SimulatedVehicle:
    car = file.vehicles[evening.vehicle]
    return SimulatedVehicle(
        usable_kwh=car.usable_kwh,
        soc_percent=evening.soc_percent,
        efficiency=car.charging_efficiency_percent / 100,
        standby_watts=car.standby_watts,
        taper=car.taper or (),
        max_amps=car.max_amps,
        phases=car.phases,
    )
