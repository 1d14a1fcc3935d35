"""A simulated charge point that speaks OCPP 1.6J, for whole nights in virtual time.

It is the ocpp package's own charge point class on a real websocket. It knows only the standard: it
follows the charging profile of its transaction, whether or not it is connected, and sends later
what it could not send before. It also receives the daemon's command on the bus, but only to know
what must have arrived by OCPP.
"""

from __future__ import annotations

from contextlib import ExitStack
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any

from ocpp.routing import after
from ocpp.v16 import call
from ocpp.v16.enums import Action
from typing_extensions import override
from websockets.exceptions import WebSocketException

from adapters.contract.messages import Command, Message, Reading, VehicleReport, decode
from tests.support.ocpp_equipment import (
    EquipmentConnection,
    EquipmentThread,
    ScriptedChargePoint,
    equipment_thread,
)
from tests.support.waiting import wait_until
from tests.support.wired_hardware import FOR_EVER, WiredHardware

if TYPE_CHECKING:
    from collections.abc import Callable

    from websockets.asyncio.client import ClientConnection

    from adapters.contract.topics import Topics
    from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
    from config.doors.broker import Bus

IDENTITY = "driveway-1"
SECOND = timedelta(seconds=1)
LIMIT_SECONDS = 20.0


@dataclass(frozen=True)
class Limit:
    """The current allowed from an instant on [A per phase]."""

    at: datetime
    amps: float


def limits_of(profile: dict[str, Any]) -> list[Limit]:
    """Read a charging profile as the standard defines it (OCPP 1.6, sections 7.8 and 7.13)."""
    schedule = profile["charging_schedule"]
    assert profile["charging_profile_purpose"] == "TxProfile"
    assert profile["charging_profile_kind"] == "Absolute"
    assert schedule["charging_rate_unit"] == "A"
    assert "duration" not in schedule
    start = datetime.fromisoformat(schedule["start_schedule"])
    return [
        Limit(start + timedelta(seconds=period["start_period"]), float(period["limit"]))
        for period in schedule["charging_schedule_period"]
    ]


@dataclass(frozen=True)
class Outgoing:
    """A message, and how many reports it holds; `is_kept` if it is sent later after an outage."""

    message: Any
    counts: int
    is_kept: bool = False


class ObedientChargePoint(ScriptedChargePoint):
    """Passes each request to the hardware, on the thread of the connection."""

    def __init__(self, connection: ClientConnection, hardware: OcppHardware) -> None:
        super().__init__("equipment", connection)
        self._hardware = hardware

    @override
    async def _answer(self, message: type, **payload: Any) -> Any:
        status = self._hardware.carry_out(message.__name__, payload)
        self.script[message.__name__] = [status]
        return await super()._answer(message, **payload)

    @after(Action.trigger_message)  # type: ignore[untyped-decorator]  # the package has no types
    async def after_trigger(self, requested_message: str, **_payload: Any) -> None:  # noqa: ANN401
        for each in self._hardware.triggered(requested_message):
            await self.call(each.message)


class OcppHardware(WiredHardware):
    """The hardware of a rehearsal; see `daemon.rehearsal.rehearsal`.

    Parameters
    ----------
    point, bus, topics, charge_point
        As a rehearsal gives them.
    port
        Where the daemon listens for OCPP.
    away
        Start and end of an outage of the connection.
    """

    def __init__(
        self,
        point: SimulatedChargePoint,
        bus: Bus,
        topics: Topics,
        charge_point: str,
        *,
        port: int,
        away: tuple[datetime, datetime] | None = None,
    ) -> None:
        super().__init__(point, bus, topics, charge_point)
        self.asked: list[tuple[datetime, str, dict[str, Any]]] = []
        """Requests of the daemon, each with its instant."""
        self.refused: list[str] = []
        """Requests that it rejected."""
        self.served: list[tuple[datetime, datetime]] = []
        """Start and end of each finished transaction."""
        self.charged: list[tuple[datetime, float]] = []
        """Each change of the offered current: when, and to what [A per phase]."""
        self._port = port
        self._away = away
        self._ending = ExitStack()
        self._thread: EquipmentThread | None = None
        self._connection: EquipmentConnection | None = None
        self._command: Command | None = None
        self._limits: list[Limit] = []
        self._followed: tuple[float, datetime] | None = None
        self._since: datetime | None = None
        self._transaction: int | None = None
        self._is_used = False
        self._reported_status = ""
        self._outgoing: list[Outgoing] = []

    # --- the connection -----------------------------------------------------------------------

    @override
    def start(self) -> None:
        super().start()
        self._thread = self._ending.enter_context(equipment_thread())
        self.connect()

    @override
    def stop(self) -> None:
        self._ending.close()
        super().stop()

    def connect(self) -> None:
        """Connect, send a first message (at first a boot), and wait for the daemon's set-up."""
        wait_until(self._try_to_connect, LIMIT_SECONDS, what="an OCPP connection")
        connection = self._connection
        assert connection is not None
        connection.say(call.Heartbeat()) if self.asked else connection.boot()
        wait_until(lambda: connection.asked("ChangeConfiguration"), LIMIT_SECONDS, what="set up")
        with self.changed:
            self._reported_power = self._reported_vehicle = None
            self._reported_status = ""

    def lose_connection(self) -> None:
        """Lose the connection."""
        if self._connection is not None:
            self._connection.cut()
            self._connection = None

    def _try_to_connect(self) -> bool:
        assert self._thread is not None
        try:
            self._connection = self._thread.connect(
                self._port, IDENTITY, make_point=lambda _name, each: ObedientChargePoint(each, self)
            )
        except (OSError, WebSocketException):
            return False
        return True

    # --- requests of the daemon, on the thread of the connection --------------------------------

    def carry_out(self, name: str, payload: dict[str, Any]) -> str:
        """Carry out a request, and return the status of the response."""
        with self.changed:
            self.asked.append((self._point.now, name, payload))
            status = self._response_to(name, payload)
            self.refused += [name] if status == "Rejected" else []
            self.changed.notify_all()
        return status

    def triggered(self, name: str) -> list[Outgoing]:
        """Return the messages that the daemon asks for."""
        with self.changed:
            if name == "StatusNotification":
                messages = [self._status_message()]
            else:
                point = self._point
                reading = Reading(
                    at=point.now, register_kwh=point.register_kwh, watts=round(point.watts(), 1)
                )
                messages = [self._meter_message(reading)]
            self.sent += sum(each.counts for each in messages)
        return messages

    def _response_to(self, name: str, payload: dict[str, Any]) -> str:
        match name:
            case "RemoteStartTransaction" if self._since is None and self._point.vehicle:
                self._begin(limits_of(payload["charging_profile"]))
            case "RemoteStartTransaction":
                return "Rejected"
            case "SetChargingProfile" if self._since is not None:
                profile = payload["cs_charging_profiles"]
                assert profile.get("transaction_id") in {None, self._transaction}
                self._limits = limits_of(profile)
                self._follow()
            case "SetChargingProfile":
                return "Rejected"
            case "RemoteStopTransaction" if payload["transaction_id"] == self._transaction:
                self._end("Remote")
        return "Accepted"

    def _begin(self, limits: list[Limit]) -> None:
        now = self._point.now
        self._since, self._is_used, self._limits = now, True, limits
        self._queue(call.StartTransaction(1, "lullwatt", self._register_wh, now.isoformat()))
        self._follow()

    def _end(self, reason: str) -> None:
        now = self._point.now
        assert self._since is not None
        self.served.append((self._since, now))
        self._since, self._limits = None, []
        # Its number may be unknown yet: it is filled in when the message is sent.
        self._queue(call.StopTransaction(self._register_wh, now.isoformat(), 0, reason))
        self._follow()

    def _queue(self, message: object) -> None:
        self._outgoing.append(Outgoing(message, counts=1, is_kept=True))

    @property
    def _register_wh(self) -> int:
        return round(self._point.register_kwh * 1000)

    # --- its charging profile -----------------------------------------------------------------

    def _limit_at(self, instant: datetime) -> float:
        return next((each.amps for each in reversed(self._limits) if each.at <= instant), 0.0)

    def _next_change(self) -> datetime:
        now = self._point.now
        return min((each.at for each in self._limits if each.at > now), default=now + FOR_EVER)

    def _follow(self) -> None:
        """Offer the current of the profile from now on."""
        now = self._point.now
        amps, until = self._limit_at(now), self._next_change()
        if self._followed is None or self._followed[0] != amps or self._followed[1] != until:
            self._followed = amps, until
            self.switch(amps if amps > 0 else None, until - now)
            if (self.charged[-1][1] if self.charged else 0) != amps:
                self.charged.append((now, amps))

    # --- what a rehearsal calls -----------------------------------------------------------------

    @override
    def step(self, now: datetime) -> None:
        if self._away is not None and self._away[0] <= now < self._away[1]:
            self.lose_connection()
        elif self._connection is None or self._connection.closed is not None:
            self._connection = None
            super().step(now)
            self.connect()
        super().step(now)

    @override
    def unplug(self, now: datetime) -> SimulatedVehicle:
        with self.changed:
            vehicle = self._point.unplug(now)
            if self._since is not None:
                self._end("EVDisconnected")
            self._is_used = False
            return vehicle

    @override
    def wait_obeyed(self, serial: int, timeout: float) -> bool:
        """Wait until the daemon's command has arrived by OCPP, if there is a connection."""
        with self.changed:
            return self.changed.wait_for(lambda: self._has_obeyed(serial), timeout)

    def _has_obeyed(self, serial: int) -> bool:
        command = self._command
        if self._arrived_serial < serial or (command is None and serial > 0):
            return False
        if command is None or self._connection is None or self._connection.closed is not None:
            return True
        now = self._point.now
        if command.amps is None or command.valid_until <= now:
            return command.amps is not None or self._limit_at(now) == 0
        last = command.valid_until - SECOND
        return self._limit_at(now) == self._limit_at(last) == command.amps

    @override
    def _on_command(self, topic: str, payload: bytes) -> None:
        with self.changed:
            self._command = decode(Command, payload)
            self._arrived_serial = self._command.serial
            self.changed.notify_all()

    @override
    def _next_due(self) -> datetime:
        if self._outgoing and self._connection is not None:
            return self._point.now
        return min(super()._next_due(), max(self._point.now, self._next_change()))

    # --- its messages, on the conductor's thread ------------------------------------------------

    @override
    def _reports(self) -> list[tuple[str, Message]]:
        self._follow()
        return super()._reports()

    @override
    def _vehicle_has_changed(self) -> bool:
        return super()._vehicle_has_changed() or self._reported_status != self._status()

    def _status(self) -> str:
        if self._point.vehicle is None:
            return "Available"
        if self._since is None:
            return "Finishing" if self._is_used else "Preparing"
        if self._point.pilot == "C":
            return "Charging"
        return "SuspendedEVSE" if self._point.offered_amps <= 0 else "SuspendedEV"

    @override
    def _send(self, reports: list[tuple[str, Message]], at: datetime) -> None:
        for _, report in reports:
            match report:
                case Reading():
                    self._outgoing.append(self._meter_message(report))
                case VehicleReport(soc_percent=soc):
                    self._outgoing += [self._status_message(), *self._soc_message(soc, at)]
                case _:
                    pass
        if self._connection is None:
            self._outgoing = [each for each in self._outgoing if each.is_kept]
            return
        while self._outgoing:
            self._send_now(self._outgoing.pop(0), self._connection.say)

    def _send_now(self, outgoing: Outgoing, send: Callable[[object], Any]) -> None:
        message = outgoing.message
        if isinstance(message, call.StopTransaction | call.MeterValues) and outgoing.is_kept:
            assert self._transaction is not None
            message.transaction_id = self._transaction
        self.sent += outgoing.counts
        answer = send(message)
        with self.changed:
            if isinstance(message, call.StartTransaction):
                self._transaction = answer.transaction_id
            if isinstance(message, call.StopTransaction):
                self._transaction = None

    def _status_message(self) -> Outgoing:
        self._reported_status = self._status()
        at = self._point.now.isoformat()
        message = call.StatusNotification(1, "NoError", self._reported_status, timestamp=at)
        return Outgoing(message, counts=1)

    def _meter_message(self, reading: Reading) -> Outgoing:
        """Sample as `Power.Active.Import` and `Energy.Active.Import.Register` of section 7.31."""
        sampled = [
            {"value": str(round((reading.register_kwh or 0) * 1000)), "unit": "Wh"},
            {"value": str(reading.watts), "unit": "W", "measurand": "Power.Active.Import"},
        ]
        if reading.amps is not None:
            amps = {"value": str(reading.amps), "unit": "A", "measurand": "Current.Import"}
            sampled.append(amps)
        return self._sampled(reading.at, sampled, is_kept=self._since is not None)

    def _soc_message(self, percent: float | None, at: datetime) -> list[Outgoing]:
        if percent is None:
            return []
        sample = {"value": str(percent), "unit": "Percent", "measurand": "SoC"}
        return [self._sampled(at, [sample])]

    def _sampled(
        self, at: datetime, sampled: list[dict[str, str]], *, is_kept: bool = False
    ) -> Outgoing:
        values = [{"timestamp": at.isoformat(), "sampled_value": sampled}]
        return Outgoing(call.MeterValues(1, values, self._transaction), counts=1, is_kept=is_kept)
