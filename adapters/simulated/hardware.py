"""Connect a simulated charge point to the bus, like real hardware.

It obeys commands and reports readings and its vehicle. It reads no clock: the caller passes the
time to `step`, and a command that arrives between two steps is obeyed at the instant of the last.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from threading import Condition

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
from config.fields.names import topic_level
from config.household.household_file import Bus

READING_EVERY = timedelta(minutes=1)
IDLE_READING_EVERY = timedelta(minutes=10)
RETRY_AFTER = timedelta(minutes=1)
SOC_STEP_PERCENT = 1.0

_log = structlog.get_logger(__name__)


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

    Attributes
    ----------
    changed : Condition
        Notified when a command is obeyed, and when the connection is made or lost.
    sent : int
        The number of messages published; for the thread that calls `step`.
    """

    def __init__(
        self, point: SimulatedChargePoint, bus: Bus, topics: Topics, charge_point: str
    ) -> None:
        self.changed = Condition()
        self.sent = 0
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
        self._bus = MqttBus(
            bus,
            client_id=f"simulated-{topic_level(topics.household)}-{topic_level(charge_point)}",
            on_event=self._on_event,
            subscriptions=self._subscriptions(topics.command(charge_point)),
            keep_session=False,  # the command in force is retained; older ones do not count
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
        """Wait until a command with this serial, or a later one, has been obeyed.

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
            return self.changed.wait_for(lambda: self._point.last_serial >= serial, timeout)

    def plug_in(self, vehicle: SimulatedVehicle, now: datetime) -> None:
        """Connect a vehicle; it is reported at the next `step`."""
        with self.changed:
            self._point.plug_in(vehicle, now)

    def unplug(self, now: datetime) -> SimulatedVehicle:
        """Disconnect the vehicle and return it; that is reported at the next `step`."""
        with self.changed:
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
        due = self._reading_at + (READING_EVERY if point.watts() > 0 else IDLE_READING_EVERY)
        expiry = point.expires_at
        return max(point.now, due if expiry is None else min(due, expiry))

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
            reports.append((self._reading_topic, reading))
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
        sent = [self._bus.publish(topic, payload, retain=False) for topic, payload in messages]
        self.sent += sum(sent)
        if not all(sent):
            with self.changed:
                self._reported_power = self._reported_vehicle = None
                self._retry_at = at + RETRY_AFTER

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
            if event.topic == self._daemon_topic:
                self._on_daemon(event.payload)
            else:
                self._on_command(event.topic, event.payload)
            event.ack()
            return
        if isinstance(event, Published):
            return
        with self.changed:
            self._is_connected = isinstance(event, Connected)
            if self._is_connected:
                self._heard = None
                self._report_again()
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
            self._point.obey(command, self._point.now)
            self.changed.notify_all()
