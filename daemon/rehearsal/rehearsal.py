"""Play a whole night in seconds: real daemon, real broker, simulated hardware.

The rehearsal owns the clock. It moves to the next instant at which anything is due, lets the
hardware report, waits until the daemon has handled every message, wakes the daemon, and waits until
the hardware has obeyed. Only then does time go on.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import partial
from threading import Condition, Thread
from typing import TYPE_CHECKING, Any

from adapters.bus.events import Connected, Disconnected, MessageArrived, Published
from adapters.clocks.clock import VirtualClock
from adapters.contract.messages import Request, encode
from adapters.contract.topics import Topics
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from adapters.simulated.faults import FaultyChargePoint
from adapters.simulated.hardware import SimulatedHardware
from config.doors.broker import Bus
from config.files.errors import BusError, LullwattError
from daemon.calendar.calendar_watch import CalendarsRead
from daemon.control.events import AnnouncePlan, Issue
from daemon.control.state import vehicles_of
from daemon.grid_limit.heard import LimitHeard
from daemon.messaging.hardware_channels import without_wiring
from daemon.messaging.incoming import (
    ChannelReady,
    Halt,
    HandledEvent,
    HardwareReport,
    HealthReport,
    HomeReport,
    Reload,
    WakeUp,
)
from daemon.messaging.outbox import command_message
from daemon.rehearsal.home import HomeNight, RehearsedHome
from daemon.rehearsal.sunshine import RehearsedSun, SunnyNight
from daemon.service.running import Daemon
from daemon.sharing.planning_task import JointPlanMade
from planners.local_time.conversion import instant_of_local, local_date
from planners.local_time.departures import night_bounds, night_of
from planners.local_time.wished_departures import next_departure
from planners.plan.plan import Plan, instant_text

if TYPE_CHECKING:
    from datetime import datetime
    from zoneinfo import ZoneInfo

    from adapters.ledger.ledger import Ledger
    from adapters.simulated.faults import Fault
    from adapters.simulated.load_meter import SimulatedLoadMeter
    from adapters.simulated.roof import SimulatedRoof, Sky
    from config.household.household_file import HouseholdFile
    from daemon.control.events import CommandInForce
    from daemon.rehearsal.pace import Pace
    from daemon.service.household_watch import HouseholdWatch

MakeHardware = Callable[[SimulatedChargePoint, Bus, Topics, str], SimulatedHardware]
"""Puts a simulated charge point on the bus."""

RUN_AGAIN = "run it again; a busy machine may be the cause"
STUCK = f"the rehearsal got stuck: a command did not arrive; {RUN_AGAIN}"
PATIENCE_SECONDS = 60.0
"""How long to wait for the broker or the daemon before giving up."""

HEARD_SECONDS = 5.0
"""How long a message to hardware may take; one from before its connection never comes."""

UNPLUGGED_BEFORE = timedelta(seconds=1)
"""How long before the departure the vehicle is unplugged; at its instant it would be late."""

LONGEST = timedelta(days=4)
"""A departure that is further away is not waited for."""

CLOSED_WITHIN = timedelta(minutes=25)
"""A night without a departure is closed at most this long after noon."""


_DAY = timedelta(days=1)

REGISTER_WH = 1_000_000
"""The register of the simulated meter at the start [Wh]."""


@dataclass(frozen=True, slots=True)
class Evening:
    """What to rehearse: a vehicle, when it is plugged in, and its state of charge."""

    vehicle: str
    at: datetime
    soc_percent: float


@dataclass(slots=True)
class RehearsalResult:
    """The result of a rehearsed night.

    Attributes
    ----------
    plan : Plan or None
        The first plan made with the vehicle's own state of charge.
    commands : list of dict
        Every command as it was published, with the instant in `at`.
    night : dict or None
        The record of the night, or of the last one up to the departure.
    earlier : list of dict
        The records of the nights before it, if the departure is more than a day away.
    register_kwh : float
        What the simulated meter counted.
    beside : dict of str to RehearsalResult
        The results of the vehicles that charged beside it, by name.
    home : HomeNight or None
        What a simulated home drew.
    sun : SunnyNight or None
        What simulated roofs gave.
    """

    plan: Plan | None = None
    commands: list[dict[str, Any]] = field(default_factory=list)
    night: dict[str, Any] | None = None
    earlier: list[dict[str, Any]] = field(default_factory=list)
    register_kwh: float = 0.0
    beside: dict[str, RehearsalResult] = field(default_factory=dict)
    home: HomeNight | None = None
    sun: SunnyNight | None = None

    @property
    def is_short(self) -> bool:
        """Whether the need of a departure was not met."""
        results = (self, *self.beside.values())
        return any(not night["need_met"] for each in results for night in each.nights)

    @property
    def nights(self) -> list[dict[str, Any]]:
        """The records of all nights, in order."""
        return self.earlier if self.night is None else [*self.earlier, self.night]

    def add_night(self, record: dict[str, Any]) -> None:
        """Keep the record of a night; a later one of the same night replaces it."""
        if self.night is not None and self.night["night"] != record["night"]:
            self.earlier.append(self.night)
        self.night = record

    def to_json(self) -> dict[str, Any]:
        """Return the result as JSON values."""
        more: dict[str, Any] = {"earlier_nights": self.earlier} if self.earlier else {}
        if self.beside:
            more["beside"] = {name: each.to_json() for name, each in self.beside.items()}
        if self.home is not None:
            more["home"] = self.home.to_json()
        if self.sun is not None:
            more["sun"] = self.sun.to_json()
        return {
            "plan": self.plan.to_json() if self.plan else None,
            "commands": self.commands,
            "night": self.night,
            "register_kwh": self.register_kwh,
            **more,
        }


@dataclass(slots=True)
class _Stay:
    """A vehicle at its charge point."""

    evening: Evening
    point_name: str
    point: SimulatedChargePoint
    hardware: SimulatedHardware
    unplugs_at: datetime | None
    last_night: date
    register_before_kwh: float
    plugs_in_at: datetime | None = None
    result: RehearsalResult = field(default_factory=RehearsalResult)
    serial: int = 0
    amps: float = 0.0
    missed: int = 0

    @property
    def goes_on(self) -> bool:
        """Whether its last night is not closed yet."""
        closed = self.result.night
        return closed is None or date.fromisoformat(closed["night"]) < self.last_night


class _DaemonObserver:
    """Counts what the daemon has handled, so that the rehearsal can wait for it."""

    def __init__(
        self,
        clock: VirtualClock,
        on_handled: Callable[[HandledEvent], None],
        own_topics: frozenset[str],
    ) -> None:
        self._clock = clock
        self._own_topics = own_topics
        self._on_handled = on_handled
        self._changed = Condition()
        self._error: BaseException | None = None
        self.connected = False
        self.messages = 0
        self.wake_ups = 0
        self.wake = clock.now()

    def observe(self, handled: HandledEvent) -> None:
        """Count an event; called on the daemon's thread."""
        with self._changed:
            match handled.event:
                case MessageArrived(topic):
                    # The daemon also receives its own message that it runs, and the vehicle's name.
                    self.messages += topic not in self._own_topics
                case WakeUp():
                    self.wake_ups += 1
                case Connected():
                    self.connected = True
                case HardwareReport():
                    self.messages += 1
                case Halt() | Reload() | Published() | ChannelReady():
                    pass
                case (
                    HomeReport() | JointPlanMade() | LimitHeard() | HealthReport() | CalendarsRead()
                ):
                    pass
                case Disconnected(reason):
                    self._error = BusError(f"the rehearsal lost its broker: {reason}; {RUN_AGAIN}")
            self.wake = handled.wake
            self._on_handled(handled)
            self._changed.notify_all()

    def fail(self, error: BaseException) -> None:
        """Record that the daemon's thread has ended with an error."""
        with self._changed:
            self._error = error
            self._changed.notify_all()

    def wait(self, condition: Callable[[], bool], what: str) -> None:
        """Wait for a condition; raise the daemon's error if it has failed."""
        with self._changed:
            if not self._changed.wait_for(
                lambda: condition() or self._error is not None, PATIENCE_SECONDS
            ):
                raise LullwattError(f"the rehearsal got stuck: {what}; {RUN_AGAIN}")
            if self._error is not None:
                raise self._error


class Rehearsal:
    """Plays one night.

    Parameters
    ----------
    watch : HouseholdWatch
        The household.
    ledger : Ledger
        A ledger used only by the rehearsal.
    bus : Bus
        A running broker.
    evening : Evening
        What to rehearse.
    observer : callable
        Called with each event that the daemon has handled, on the daemon's thread.
    beside : sequence of Evening, optional
        The same evening of other vehicles, each at another charge point.
    with_home : bool, optional
        Whether a meter reports what a simulated busy home draws.
    sky : {"clear", "broken", "dull"}, optional
        What is above simulated roofs, which then report what they give.
    make_hardware : callable, optional
        Makes hardware that is reached as `wired` says; by default the hardware uses the daemon's
        own messages, and the file's wiring is ignored.
    wired : HouseholdFile, optional
        The household as its hardware is reached; by default as the file wires it, if there is
        `make_hardware`.
    fault : Fault, optional
        What is wrong with the hardware.
    pace : Pace, optional
        Lets time pass slowly, one evening after the other until it is told to stop; without it,
        the rehearsal ends with its night.
    """

    def __init__(
        self,
        watch: HouseholdWatch,
        ledger: Ledger,
        bus: Bus,
        evening: Evening,
        observer: Callable[[HandledEvent], None],
        *,
        beside: Sequence[Evening] = (),
        with_home: bool = False,
        sky: Sky | None = None,
        make_hardware: MakeHardware | None = None,
        wired: HouseholdFile | None = None,
        fault: Fault | None = None,
        pace: Pace | None = None,
    ) -> None:
        file = watch.house.file
        self._file = file
        self._pace = pace
        self._evening = evening
        self._observer = observer
        self.clock = VirtualClock(evening.at)
        self._topics = topics = Topics.of_file(file)
        make = make_hardware or partial(SimulatedHardware, fault=fault)
        self._stays = [_stay(file, each, bus, topics, make) for each in (evening, *beside)]
        self._hardware = self._stays[0].hardware
        self._home = RehearsedHome(file, bus, topics, evening.at) if with_home else None
        self._sun = RehearsedSun(file, bus, topics, sky, evening.at) if sky else None
        requests = (topics.request(stay.point_name) for stay in self._stays)
        own_topics = frozenset({topics.daemon, *requests})
        self._daemon_observer = _DaemonObserver(self.clock, self._record, own_topics)
        self._daemon = Daemon(
            watch, ledger, self.clock, bus, wake_at=lambda _instant: None,
            observer=self._daemon_observer.observe,
            wired=wired or (file if make_hardware is not None else without_wiring(file)),
        )  # fmt: skip

    @property
    def home(self) -> RehearsedHome | None:
        """The simulated home, if there is one."""
        return self._home

    @property
    def sun(self) -> RehearsedSun | None:
        """The simulated roofs, if there are any."""
        return self._sun

    @property
    def _meters(self) -> tuple[SimulatedLoadMeter | SimulatedRoof, ...]:
        """The simulated meters beside those of the charge points."""
        home, sun = self._home, self._sun
        return (*((home.meter,) if home else ()), *((sun.roof,) if sun else ()))

    def run(self) -> RehearsalResult:
        """Run from the plug-in until the night is closed.

        Returns
        -------
        RehearsalResult
            The result of the night.

        Raises
        ------
        BusError
            If the simulated hardware finds no broker.
        LullwattError
            If the broker or the daemon fails.
        """  # noqa: DOC502 - raised by the observer
        with ExitStack() as ending:
            thread = Thread(target=self._run_daemon, name="daemon", daemon=True)
            thread.start()
            ending.callback(thread.join, PATIENCE_SECONDS)
            ending.callback(self._daemon.halt)
            self._daemon_observer.wait(lambda: self._daemon_observer.connected, "no broker")
            for stay in self._stays:
                self._name_vehicle(stay.evening)
                vehicle = simulated_vehicle(self._file, stay.evening)
                stay.hardware.plug_in(vehicle, self._evening.at)
                stay.missed = self._daemon.sent_to(stay.point_name)
                stay.hardware.start()
                ending.callback(stay.hardware.stop)
                if not stay.hardware.wait_connected(PATIENCE_SECONDS):
                    raise BusError(f"the simulated charge point found no broker; {RUN_AGAIN}")
            for meter in self._meters:
                ending.callback(meter.stop)
                if not meter.start(PATIENCE_SECONDS):
                    raise BusError(f"the simulated meter found no broker; {RUN_AGAIN}")
            if self._sun is not None:
                self._sun.roof.step(self._evening.at)  # the first plan is to know the forecast
                self._hear()
            self._play()
        for stay in self._stays:
            stay.result.register_kwh = stay.point.register_kwh - stay.register_before_kwh
        first, *others = self._stays
        first.result.beside = {stay.evening.vehicle: stay.result for stay in others}
        first.result.home = self._home.night if self._home is not None else None
        first.result.sun = self._sun.night if self._sun is not None else None
        return first.result

    def _name_vehicle(self, evening: Evening) -> None:
        """Say which vehicle comes, as a person would who uses another than the first."""
        vehicle, point = evening.vehicle, self._file.vehicles[evening.vehicle].charge_point
        if vehicle != vehicles_of(self._file, point)[0]:
            payload = encode(Request(vehicle=vehicle))
            topic = self._topics.request(point)
            self._daemon.post(MessageArrived(topic, payload, False, lambda: None))  # noqa: FBT003 - not retained

    def _play(self) -> None:
        days, now = self._file.days, self._evening.at
        end = night_bounds(max(stay.last_night for stay in self._stays), days)[1] + CLOSED_WITHIN
        while self._goes_on(now, end):
            for stay in self._stays:
                self._come_and_go(stay, now)
                stay.hardware.step(now)
                self._hear()  # one connection after the other: each run is the same
            for meter in self._meters:
                meter.step(now)
                self._hear()
            self._settle()
            self._note(now)
            now = max(now + timedelta(microseconds=1), min(self._dues()))
            if self._pace is not None:
                self._pace.wait_for(now)
            self.clock.advance_to(now)

    def _note(self, now: datetime) -> None:
        """Take up what flows now."""
        if self._home is not None:
            self._home.note({stay.point_name: stay.point for stay in self._stays})
        if self._sun is not None:
            self._sun.note(sum(stay.point.watts() for stay in self._stays) / 1000, now)

    def _goes_on(self, now: datetime, end: datetime) -> bool:
        if self._pace is not None:
            return not self._pace.is_stopped
        return now <= end and any(stay.goes_on for stay in self._stays)

    def _come_and_go(self, stay: _Stay, now: datetime) -> None:
        """Unplug a vehicle that leaves; with a pace, it comes again on the next evening."""
        if stay.unplugs_at is not None and now >= stay.unplugs_at:
            stay.hardware.unplug(now)
            stay.unplugs_at = None
            if self._pace is not None:
                stay.plugs_in_at = evening_after(now, stay.evening.at, self._file.zone)
        if stay.plugs_in_at is not None and now >= stay.plugs_in_at:
            self._name_vehicle(stay.evening)
            stay.hardware.plug_in(simulated_vehicle(self._file, stay.evening), now)
            stay.plugs_in_at = None
            departure = next_departure(self._file, stay.evening.vehicle, now)
            stay.unplugs_at = departure.instant - UNPLUGGED_BEFORE if departure else None

    def _dues(self) -> Iterator[datetime]:
        yield self._daemon_observer.wake
        yield from (meter.next_due() for meter in self._meters)
        for stay in self._stays:
            yield stay.hardware.next_due()
            yield from (each for each in (stay.unplugs_at, stay.plugs_in_at) if each is not None)
        if self._pace is not None:
            yield self._pace.next_step()

    def _hear(self) -> None:
        """Wait until the daemon has received every message."""
        observer = self._daemon_observer
        sent = sum(stay.hardware.sent for stay in self._stays)
        sent += sum(meter.sent for meter in self._meters)
        observer.wait(lambda: observer.messages >= sent, "a reading did not arrive")

    def _settle(self) -> None:
        """Wake the daemon if that is due, and wait until the hardware has received its commands."""
        observer = self._daemon_observer
        if observer.wake <= self.clock.now():
            wake_ups = observer.wake_ups
            self._daemon.post(WakeUp())
            observer.wait(lambda: observer.wake_ups > wake_ups, "the daemon is silent")
        for stay in self._stays:
            if not stay.hardware.wait_obeyed(stay.serial, PATIENCE_SECONDS):
                raise LullwattError(STUCK)
            # Whatever the hardware is told must reach it at this instant: each run is the same.
            sent = self._daemon.sent_to(stay.point_name)
            if not stay.hardware.wait_received(sent - stay.missed, HEARD_SECONDS):
                stay.missed = sent - stay.hardware.received  # it had not subscribed yet

    def _run_daemon(self) -> None:
        try:
            self._daemon.run()
        except BaseException as error:  # noqa: BLE001 - it is raised again by whoever waits
            self._daemon_observer.fail(error)

    def _record(self, handled: HandledEvent) -> None:
        for stay in self._stays:
            self._record_stay(stay, handled)
        self._observer(handled)

    def _record_stay(self, stay: _Stay, handled: HandledEvent) -> None:
        result, now = stay.result, self.clock.now()
        for point, action in handled.actions:
            if point != stay.point_name:
                continue
            if isinstance(action, Issue):
                self._record_guarded(stay, handled, action.command)
                stay.serial, stay.amps = action.command.serial, action.command.amps or 0.0
                payload = json.loads(encode(command_message(action.command)))
                result.commands.append({"at": instant_text(now), **payload})
            # A plan from the vehicle's own state of charge replaces one from an assumed one.
            if isinstance(action, AnnouncePlan) and (
                result.plan is None or now == self._evening.at
            ):
                result.plan = action.plan
        for night in handled.nights:
            if night["charge_point"] == stay.point_name:
                result.add_night(night)

    def _record_guarded(self, stay: _Stay, handled: HandledEvent, command: CommandInForce) -> None:
        home, event, amps = self._home, handled.event, command.amps or 0.0
        if home is None or not isinstance(event, MessageArrived) or amps == stay.amps:
            return
        if home.is_load(event.topic):
            home.note_change(stay.point_name, stay.amps, amps, self.clock.now())


def _stay(
    file: HouseholdFile,
    evening: Evening,
    bus: Bus,
    topics: Topics,
    make: MakeHardware,
) -> _Stay:
    name = file.vehicles[evening.vehicle].charge_point
    point = simulated_point(file, name, evening.at)
    departure = next_departure(file, evening.vehicle, evening.at)
    is_near = departure is not None and departure.instant - evening.at <= LONGEST
    last = departure.instant if departure is not None and is_near else evening.at
    return _Stay(
        evening, name, point, make(point, bus, topics, name),
        unplugs_at=departure.instant - UNPLUGGED_BEFORE if departure else None,
        last_night=night_of(last - UNPLUGGED_BEFORE if is_near else last, file.days),
        register_before_kwh=point.register_kwh,
    )  # fmt: skip


def evening_after(now: datetime, evening: datetime, zone: ZoneInfo) -> datetime:
    """Return the next instant at which the household's clock shows the time of an evening."""
    at = evening.astimezone(zone).time()
    today = instant_of_local(local_date(now, zone), at, zone)
    return today if today > now else instant_of_local(local_date(now, zone) + _DAY, at, zone)


def simulated_point(file: HouseholdFile, name: str, at: datetime) -> SimulatedChargePoint:
    """Return a simulated charge point with the properties in the household file."""
    point = file.charge_points[name]
    return FaultyChargePoint(
        at,
        max_amps=point.max_amps,
        min_amps=point.min_amps,
        phases=point.phases,
        volts=file.household.nominal_volts,
        register_wh=REGISTER_WH,
        on_off=point.switching == "on_off",
    )


def simulated_vehicle(file: HouseholdFile, evening: Evening) -> SimulatedVehicle:
    """Return a simulated vehicle with the properties in the household file."""
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
