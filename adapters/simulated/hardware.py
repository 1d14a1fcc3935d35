"""Puts a simulated charge point on the bus, where it behaves as real hardware should.

It hears commands and reports readings and its vehicle. It reads no clock: whoever conducts it says
with `step` which instant it is, and a command that arrives in between is obeyed at the instant it
stands at.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from threading import Condition

import structlog

from adapters.bus.bus import BusEvent, Connected, MessageArrived, MqttBus, Published
from adapters.contract.messages import (
    Command,
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
TRY_AGAIN_AFTER = timedelta(minutes=1)
SOC_STEP_PERCENT = 1.0

_log = structlog.get_logger(__name__)


class SimulatedHardware:
    """One simulated charge point with a connection of its own.

    `step`, `plug_in` and `unplug` are for one conducting thread; commands come in on the bus's.

    Parameters
    ----------
    point
        The charge point, which nobody else may touch from now on.
    bus
        The household's bus, as `MqttBus` takes it.
    topics
        The household's topics.
    charge_point
        Its name in the household file.

    Attributes
    ----------
    changed : Condition
        Notified when a command was obeyed, and when the connection comes or goes.
    sent : int
        How many reports the broker was handed; for the conducting thread.
    """

    def __init__(
        self, point: SimulatedChargePoint, bus: Bus, topics: Topics, charge_point: str
    ) -> None:
        self.changed = Condition()
        self.sent = 0
        self._point = point
        self._reading_topic = topics.reading(charge_point)
        self._vehicle_topic = topics.vehicle(charge_point)
        self._is_connected = False
        self._reading_at = point.now
        self._quiet_until = point.now
        self._told_power: tuple[str, float] | None = None
        self._told_vehicle: tuple[str, float | None] | None = None
        self._bus = MqttBus(
            bus,
            client_id=f"simulated-{topic_level(topics.household)}-{topic_level(charge_point)}",
            on_event=self._on_event,
            subscriptions=self._heard_topics(topics.command(charge_point)),
            keep_session=False,  # the command in force is retained; older ones are void
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
        """Disconnect; the charge point goes on as it was last told, until that becomes void."""
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
        """Return when `step` will next have something to do, not before where it stands."""
        with self.changed:
            return self._next_due()

    def step(self, now: datetime) -> None:
        """Let time pass, and publish what falls due on the way, each with its own instant.

        Parameters
        ----------
        now
            The instant to stand at afterwards; a `ValueError` if it is before the present one.
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
        if self._power_is_news() or self._vehicle_is_news():
            return max(point.now, self._quiet_until)
        due = self._reading_at + (READING_EVERY if point.watts() > 0 else IDLE_READING_EVERY)
        lapse = point.lapses_at
        return max(point.now, due if lapse is None else min(due, lapse))

    def _reports(self) -> list[tuple[str, Message]]:
        point, reports = self._point, list[tuple[str, Message]]()
        vehicle_is_news = self._vehicle_is_news()
        if self._power_is_news() or not vehicle_is_news:
            self._reading_at, self._told_power = point.now, self._power()
            reading = Reading(
                at=point.now,
                register_kwh=point.register_kwh,
                watts=round(point.watts(), 1),
                amps=round(point.amps(), 2),
            )
            reports.append((self._reading_topic, reading))
        if vehicle_is_news:
            pilot, soc_percent = self._told_vehicle = self._vehicle()
            told = VehicleReport.model_validate(
                {"at": point.now, "pilot": pilot, "soc_percent": soc_percent}
            )
            reports.append((self._vehicle_topic, told))
        return reports

    def _heard_topics(self, command_topic: str) -> list[str]:
        return [command_topic]

    def _wording(self, topic: str, report: Message) -> list[tuple[str, bytes]]:
        """Say a report as it goes out."""
        return [(topic, encode(report))]

    def _send(self, reports: list[tuple[str, Message]], at: datetime) -> None:
        said = [words for topic, report in reports for words in self._wording(topic, report)]
        sent = [self._bus.publish(topic, payload, retain=False) for topic, payload in said]
        self.sent += sum(sent)
        if not all(sent):
            with self.changed:
                self._told_power = self._told_vehicle = None
                self._quiet_until = at + TRY_AGAIN_AFTER

    def _power(self) -> tuple[str, float]:
        # The current offered, not the power: a taper changes that in every step.
        return self._point.pilot, self._point.offered_amps if self._point.pilot == "C" else 0.0

    def _vehicle(self) -> tuple[str, float | None]:
        vehicle = self._point.vehicle
        return self._point.pilot, None if vehicle is None else round(vehicle.soc_percent, 2)

    def _power_is_news(self) -> bool:
        return self._told_power != self._power()

    def _vehicle_is_news(self) -> bool:
        if self._told_vehicle is None:
            return True
        (told_pilot, told_soc), (pilot, soc) = self._told_vehicle, self._vehicle()
        if told_pilot != pilot or told_soc is None or soc is None:
            return (told_pilot, told_soc) != (pilot, soc)
        return abs(soc - told_soc) >= SOC_STEP_PERCENT

    def _on_event(self, event: BusEvent) -> None:
        if isinstance(event, MessageArrived):
            self._take(event.topic, event.payload)
            event.ack()
            return
        if isinstance(event, Published):
            return
        with self.changed:
            self._is_connected = isinstance(event, Connected)
            if self._is_connected:  # whoever listens may have missed everything: tell it again
                self._told_power = self._told_vehicle = None
                self._quiet_until = self._point.now
            self.changed.notify_all()

    def _take(self, _topic: str, payload: bytes) -> None:
        try:
            command = decode(Command, payload)
        except MalformedMessage as error:
            _log.warning("command not understood", reason=str(error))
            return
        with self.changed:
            self._point.obey(command, self._point.now)
            self.changed.notify_all()
