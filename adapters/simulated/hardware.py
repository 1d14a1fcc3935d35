"""Connect a simulated charge point to the bus, like real hardware.

It obeys commands and reports readings and its vehicle. It reads no clock: the caller passes the
time to `step`, and a command that arrives between two steps is obeyed at the instant of the last.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from threading import Condition
from typing import Protocol

import structlog

from adapters.bus.bus import BusEvent, Connected, MessageArrived, MqttBus, Published
from adapters.contract.messages import (
    Command,
    DaemonState,
    MalformedMessage,
    Message,
    Reading,
    VehicleReport,
    decode,
    encode,
)
from adapters.contract.topics import Topics
from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
from adapters.simulated.faults import Fault, FaultyChargePoint, LoosePlug, Losses, distorted
from adapters.wired.command_messages import shown_payload
from config.fields.names import topic_level
from config.household.household_file import Bus

READING_EVERY = timedelta(minutes=1)
IDLE_READING_EVERY = timedelta(minutes=10)
RETRY_AFTER = timedelta(minutes=1)
SOC_STEP_PERCENT = 1.0
LOOSE_SEED = 7

_log = structlog.get_logger(__name__)


class Connection(Protocol):
    """A connection to the bus."""

    def start(self) -> None:
        """Connect."""

    def stop(self) -> None:
        """Disconnect."""

    def publish(self, topic: str, payload: bytes, *, retain: bool, qos: int = 1) -> bool:
        """Publish a message; False while there is no connection."""
        ...


Connect = Callable[..., Connection]
"""Makes a connection, with the arguments of `MqttBus`."""


class SimulatedHardware:
    """A simulated charge point with its own connection to the bus.

    One thread calls `step`, `plug_in` and `unplug`; commands arrive on the thread of the bus.

    Parameters
    ----------
    point
        The charge point; nobody else may use it from now on.
    bus
        The household's bus, as `MqttBus` takes it.
    topics
        The household's topics.
    charge_point
        Its name in the household file.
    fault
        What is wrong with it.
    connect
        Makes its connection; `LocalBus.connect` does so without a broker, which is the default.

    Attributes
    ----------
    changed : Condition
        Notified when a command is obeyed, and when the connection is made or lost.
    sent : int
        The number of messages published; for the thread that calls `step`.
    received : int
        The number of messages that came on topics of its own.
    narrate : callable
        Takes a line of text for what it hears and says.
    on_publish : callable
        Called with topic and payload before each message is published.
    reading_every, idle_reading_every : timedelta
        How often the meter is reported while power flows, and otherwise.
    """

    def __init__(
        self,
        point: SimulatedChargePoint,
        bus: Bus,
        topics: Topics,
        charge_point: str,
        *,
        fault: Fault | None = None,
        connect: Connect | None = None,
    ) -> None:
        self.changed = Condition()
        self.sent = 0
        self.received = 0
        self.narrate: Callable[[str], None] = lambda _line: None
        self.on_publish: Callable[[str, bytes], None] = lambda _topic, _payload: None
        self.reading_every, self.idle_reading_every = READING_EVERY, IDLE_READING_EVERY
        self._fault = fault
        if isinstance(point, FaultyChargePoint):
            point.fault = fault
        self._lost_in, self._lost_out = Losses(fault), Losses(fault)
        self._has_charged = False
        loose = fault is Fault.UNPLUGGED
        self._loose = LoosePlug(point.now, LOOSE_SEED) if loose else None
        self._pulled_out: SimulatedVehicle | None = None
        self._arrived_serial = 0
        self._command_topic = topics.command(charge_point)
        self._point = point
        self._reading_topic = topics.reading(charge_point)
        self._vehicle_topic = topics.vehicle(charge_point)
        self._daemon_topic = topics.daemon
        self._heard: tuple[str, str | None] | None = None
        self._is_connected = False
        self._reading_at = point.now
        self._retry_at = point.now
        self._reported_power: tuple[str, float] | None = None
        self._reported_vehicle: tuple[str, float | None] | None = None
        self._bus: Connection = (connect or MqttBus)(
            bus,
            client_id=f"simulated-{topic_level(topics.household)}-{topic_level(charge_point)}",
            on_event=self._on_event,
            subscriptions=self._subscriptions(topics.command(charge_point)),
            keep_session=False,  # the command in force is retained; older ones do not count
            will=self.will,
        )

    @property
    def last_serial(self) -> int:
        """The serial of the command obeyed last; 0 before the first."""
        with self.changed:
            return self._point.last_serial

    def start(self) -> None:
        """Connect to the broker, in the background."""
        self._bus.start()

    def stop(self) -> None:
        """Disconnect; the charge point keeps to its last command until that expires."""
        self._bus.stop()

    def wait_connected(self, timeout: float) -> bool:
        """Wait until the broker has accepted the connection.

        Parameters
        ----------
        timeout
            The longest wait [seconds].

        Returns
        -------
        bool
            False if it took too long.
        """
        with self.changed:
            return self.changed.wait_for(lambda: self._is_connected, timeout)

    def wait_obeyed(self, serial: int, timeout: float) -> bool:
        """Wait until a command with this serial, or a later one, has arrived.

        Parameters
        ----------
        serial
            The command's serial.
        timeout
            The longest wait [seconds].

        Returns
        -------
        bool
            False if it took too long.
        """
        with self.changed:
            return self.changed.wait_for(lambda: self._arrived_serial >= serial, timeout)

    def wait_received(self, count: int, timeout: float) -> bool:
        """Wait until so many messages have come on topics of its own; False if that took long."""
        with self.changed:
            return self.changed.wait_for(lambda: self.received >= count, timeout)

    def plug_in(self, vehicle: SimulatedVehicle, now: datetime) -> None:
        """Connect a vehicle; it is reported at the next `step`."""
        with self.changed:
            self._point.plug_in(vehicle, now)

    def unplug(self, now: datetime) -> SimulatedVehicle:
        """Disconnect the vehicle and return it; that is reported at the next `step`."""
        with self.changed:
            if self._pulled_out is not None:
                vehicle, self._pulled_out = self._pulled_out, None
                return vehicle
            return self._point.unplug(now)

    def next_due(self) -> datetime:
        """Return when `step` will next have something to do, now at the earliest."""
        with self.changed:
            return self._next_due()

    def step(self, now: datetime) -> None:
        """Let time pass, and publish each report that becomes due, with its instant.

        Parameters
        ----------
        now
            The instant to advance to; a `ValueError` if it is before the present one.
        """
        while True:
            with self.changed:
                self._point.advance(min(now, self._next_due()))
                at = self._point.now
                self._wiggle(at)
                is_due = self._next_due() <= at
                reports = self._reports() if is_due else []
            # The lock is not held while publishing: the bus's thread may be waiting for it.
            self._send(reports, at)
            if at >= now and not is_due:
                return

    def _next_due(self) -> datetime:
        point = self._point
        if self._power_has_changed() or self._vehicle_has_changed():
            return max(point.now, self._retry_at)
        due = self._due_by_time()
        return max(point.now, due if self._loose is None else min(due, self._loose.changes_at))

    def _due_by_time(self) -> datetime:
        point = self._point
        flows = point.watts() > 0
        due = self._reading_at + (self.reading_every if flows else self.idle_reading_every)
        expiry = point.expires_at
        return due if expiry is None else min(due, expiry)

    def _wiggle(self, at: datetime) -> None:
        """Pull a loose plug out, or put it in again."""
        if self._loose is None or not self._loose.has_changed(at):
            return
        if self._pulled_out is not None:
            self._point.plug_in(self._pulled_out, at)
            self._pulled_out = None
        elif self._point.vehicle is not None:
            self._pulled_out = self._point.unplug(at)

    def _reports(self) -> list[tuple[str, Message]]:
        point, reports = self._point, list[tuple[str, Message]]()
        vehicle_has_changed = self._vehicle_has_changed()
        if self._power_has_changed() or not vehicle_has_changed:
            self._reading_at, self._reported_power = point.now, self._power()
            reading = Reading(
                at=point.now,
                register_kwh=point.register_kwh,
                watts=round(point.watts(), 1),
                amps=round(point.amps(), 2),
            )
            self._has_charged = self._has_charged or point.watts() > 0
            if not (self._fault is Fault.SILENT and self._has_charged):
                reports.append((self._reading_topic, distorted(self._fault, reading)))
        if vehicle_has_changed:
            pilot, soc_percent = self._reported_vehicle = self._vehicle()
            report = VehicleReport.model_validate(
                {"at": point.now, "pilot": pilot, "soc_percent": soc_percent}
            )
            reports.append((self._vehicle_topic, report))
        return reports

    def _subscriptions(self, command_topic: str) -> list[str]:
        return [command_topic, self._daemon_topic]

    def _encoded(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        """Return the topics and payloads by which a report is published."""
        return [(topic, encode(report))]

    def _send(self, reports: list[tuple[str, Message]], at: datetime) -> None:
        messages = [each for topic, report in reports for each in self._encoded(topic, report)]
        sent = [self._publish(topic, payload) for topic, payload in messages]
        if not all(sent):
            with self.changed:
                self._reported_power = self._reported_vehicle = None
                self._retry_at = at + RETRY_AFTER

    def _publish(self, topic: str, payload: bytes, *, retain: bool = False) -> bool:
        """Publish a message, unless a fault loses it; False without a broker."""
        if self._lost_out.loses_next():
            self.narrate(f"lost   {topic}  {shown_payload(payload)}")
            return True
        self.on_publish(topic, payload)
        is_sent = self._bus.publish(topic, payload, retain=retain)
        self.sent += is_sent
        if is_sent:
            self.narrate(f"says   {topic}  {shown_payload(payload)}")
        return is_sent

    @property
    def will(self) -> tuple[str, bytes] | None:
        """Topic and payload that the broker publishes if it vanishes; None for nothing."""
        return None

    def say_goodbye(self) -> None:
        """Publish what hardware says that is switched off in good order: nothing."""

    def _power(self) -> tuple[str, float]:
        # The current offered, not the power: a taper changes the power in every step.
        return self._point.pilot, self._point.offered_amps if self._point.pilot == "C" else 0.0

    def _vehicle(self) -> tuple[str, float | None]:
        vehicle = self._point.vehicle
        return self._point.pilot, None if vehicle is None else round(vehicle.soc_percent, 2)

    def _power_has_changed(self) -> bool:
        return self._reported_power != self._power()

    def _vehicle_has_changed(self) -> bool:
        if self._reported_vehicle is None:
            return True
        (last_pilot, last_soc), (pilot, soc) = self._reported_vehicle, self._vehicle()
        if last_pilot != pilot or last_soc is None or soc is None:
            return (last_pilot, last_soc) != (pilot, soc)
        return abs(soc - last_soc) >= SOC_STEP_PERCENT

    def _on_event(self, event: BusEvent) -> None:
        if isinstance(event, MessageArrived):
            self._on_message(event)
            event.ack()
            return
        if isinstance(event, Published):
            if event.outcome == "refused":
                self.narrate(f"the broker refuses what is published on {event.topic}")
            return
        with self.changed:
            self._is_connected = isinstance(event, Connected)
            if self._is_connected:
                self._heard = None
                self._report_again()
            self.changed.notify_all()

    def _on_message(self, message: MessageArrived) -> None:
        shared = {self._command_topic, self._daemon_topic}
        is_new = message.topic not in shared and not message.retain
        if message.topic == self._daemon_topic:
            self._on_daemon(message.payload)
        else:
            self._on_command(message.topic, message.payload)
        if is_new:
            with self.changed:
                self.received += 1
                self.changed.notify_all()

    def _on_daemon(self, payload: bytes) -> None:
        """Report to a daemon that comes online: a broker may have lost all reports before."""
        try:
            state = decode(DaemonState, payload)
        except MalformedMessage as error:
            _log.warning("state of the daemon not understood", reason=str(error))
            return
        with self.changed:
            before, self._heard = self._heard, (state.state, state.instance)
            if state.state == "online" and self._heard != before:
                self._report_again()
                self.changed.notify_all()

    def _report_again(self) -> None:
        self._reported_power = self._reported_vehicle = None
        self._retry_at = self._point.now

    def _on_command(self, _topic: str, payload: bytes) -> None:
        try:
            command = decode(Command, payload)
        except MalformedMessage as error:
            _log.warning("command not understood", reason=str(error))
            return
        with self.changed:
            self._arrived_serial = max(self._arrived_serial, command.serial)
            if not self._lost_in.loses_next():
                self._obey(command)
            self.changed.notify_all()

    def _obey(self, command: Command) -> None:
        """Carry out a command of the daemon's own."""
        if self._point.obey(command, self._point.now):
            amps = "" if command.amps is None else f" at {command.amps:g} A"
            self.narrate(f"hears  {self._command_topic}  {command.do}{amps}")
