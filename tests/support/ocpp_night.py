"""A simulated charge point that speaks OCPP 1.6J, for whole nights in virtual time.

It is the ocpp package's own charge point class on a real websocket. It knows nothing of the daemon
but what the standard says: it keeps to the charging profile of its transaction, whether or not it
is connected, and says later what it could not say. The daemon's command on the bus is heard too,
but only to know what it must have been told by then.
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
from tests.support.foreign import FOR_EVER, ForeignHardware
from tests.support.ocpp_equipment import Equipments, Plugged, Scripted, equipment_thread
from tests.support.waiting import wait_until

if TYPE_CHECKING:
    from collections.abc import Callable

    from websockets.asyncio.client import ClientConnection

    from adapters.contract.topics import Topics
    from adapters.simulated.charge_point import SimulatedChargePoint, SimulatedVehicle
    from config.household.broker import Bus

IDENTITY = "driveway-1"
SECOND = timedelta(seconds=1)
LIMIT_SECONDS = 20.0


@dataclass(frozen=True)
class Limit:
    """A limit from an instant on [A per phase]."""

    at: datetime
    amps: float


def limits_of(profile: dict[str, Any]) -> list[Limit]:
    """Read a charging profile as the standard has it (OCPP 1.6, section 7.8 and 7.13)."""
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
class Said:
    """A message, and how much of it the daemon is to keep; `lasts` if it is said later, too."""

    message: Any
    counts: int
    lasts: bool = False


class Obedient(Scripted):
    """Takes what it is asked to the hardware, on the thread of the connection."""

    def __init__(self, connection: ClientConnection, hardware: OcppHardware) -> None:
        super().__init__("equipment", connection)
        self._hardware = hardware

    @override
    async def _answer(self, message: type, **said: Any) -> Any:
        status = self._hardware.is_asked(message.__name__, said)
        self.script[message.__name__] = [status]
        return await super()._answer(message, **said)

    @after(Action.trigger_message)  # type: ignore[untyped-decorator]  # the package has no types
    async def after_trigger(self, requested_message: str, **_said: Any) -> None:  # noqa: ANN401
        for said in self._hardware.triggered(requested_message):
            await self.call(said.message)


class OcppHardware(ForeignHardware):
    """The hardware of a rehearsal; see `daemon.rehearsal.rehearsal`.

    Parameters
    ----------
    point, bus, topics, charge_point
        As a rehearsal gives them.
    port
        Where the daemon listens for OCPP.
    away
        From when until when no connection stands.
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
        """What it was asked, and when."""
        self.refused: list[str] = []
        """What of that it could not do."""
        self.served: list[tuple[datetime, datetime]] = []
        """Transactions that have ended: from when until when."""
        self.charged: list[tuple[datetime, float]] = []
        """When it offered another current than before, and which [A per phase]."""
        self._port = port
        self._away = away
        self._ending = ExitStack()
        self._equipments: Equipments | None = None
        self._plugged: Plugged | None = None
        self._command: Command | None = None
        self._limits: list[Limit] = []
        self._followed: tuple[float, datetime] | None = None
        self._since: datetime | None = None
        self._transaction: int | None = None
        self._is_used = False
        self._told_status = ""
        self._to_say: list[Said] = []

    # --- the connection -----------------------------------------------------------------------

    @override
    def start(self) -> None:
        super().start()
        self._equipments = self._ending.enter_context(equipment_thread())
        self.connect()

    @override
    def stop(self) -> None:
        self._ending.close()
        super().stop()

    def connect(self) -> None:
        """Connect, say a word, at first that it has booted, and wait until it was greeted."""
        wait_until(self._opens, LIMIT_SECONDS, what="an OCPP connection")
        plugged = self._plugged
        assert plugged is not None
        plugged.say(call.Heartbeat()) if self.asked else plugged.boot()
        wait_until(lambda: plugged.asked("ChangeConfiguration"), LIMIT_SECONDS, what="set up")
        with self.changed:
            self._reported_power = self._reported_vehicle = None
            self._told_status = ""

    def break_off(self) -> None:
        """Lose the connection."""
        if self._plugged is not None:
            self._plugged.cut()
            self._plugged = None

    def _opens(self) -> bool:
        assert self._equipments is not None
        try:
            self._plugged = self._equipments.connect(
                self._port, IDENTITY, make_point=lambda _name, each: Obedient(each, self)
            )
        except (OSError, WebSocketException):
            return False
        return True

    # --- what it is asked, on the thread of the connection --------------------------------------

    def is_asked(self, name: str, said: dict[str, Any]) -> str:
        """Do what it is asked."""
        with self.changed:
            self.asked.append((self._point.now, name, said))
            status = self._does(name, said)
            self.refused += [name] if status == "Rejected" else []
            self.changed.notify_all()
        return status

    def triggered(self, name: str) -> list[Said]:
        """Give what it is asked to tell."""
        with self.changed:
            if name == "StatusNotification":
                said = [self._status_said()]
            else:
                point = self._point
                reading = Reading(
                    at=point.now, register_kwh=point.register_kwh, watts=round(point.watts(), 1)
                )
                said = [self._meter_said(reading)]
            self.sent += sum(each.counts for each in said)
        return said

    def _does(self, name: str, said: dict[str, Any]) -> str:
        match name:
            case "RemoteStartTransaction" if self._since is None and self._point.vehicle:
                self._begin(limits_of(said["charging_profile"]))
            case "RemoteStartTransaction":
                return "Rejected"
            case "SetChargingProfile" if self._since is not None:
                profile = said["cs_charging_profiles"]
                assert profile.get("transaction_id") in {None, self._transaction}
                self._limits = limits_of(profile)
                self._follow()
            case "SetChargingProfile":
                return "Rejected"
            case "RemoteStopTransaction" if said["transaction_id"] == self._transaction:
                self._end("Remote")
        return "Accepted"

    def _begin(self, limits: list[Limit]) -> None:
        now = self._point.now
        self._since, self._is_used, self._limits = now, True, limits
        self._say(call.StartTransaction(1, "lullwatt", self._register_wh, now.isoformat()))
        self._follow()

    def _end(self, reason: str) -> None:
        now = self._point.now
        assert self._since is not None
        self.served.append((self._since, now))
        self._since, self._limits = None, []
        # Its number may be unknown as yet: it is filled in when this is said.
        self._say(call.StopTransaction(self._register_wh, now.isoformat(), 0, reason))
        self._follow()

    def _say(self, message: object) -> None:
        self._to_say.append(Said(message, counts=1, lasts=True))

    @property
    def _register_wh(self) -> int:
        return round(self._point.register_kwh * 1000)

    # --- what its profile says ----------------------------------------------------------------

    def _limit_at(self, instant: datetime) -> float:
        return next((each.amps for each in reversed(self._limits) if each.at <= instant), 0.0)

    def _next_change(self) -> datetime:
        now = self._point.now
        return min((each.at for each in self._limits if each.at > now), default=now + FOR_EVER)

    def _follow(self) -> None:
        """Offer what the profile says from now on."""
        now = self._point.now
        amps, until = self._limit_at(now), self._next_change()
        if self._followed is None or self._followed[0] != amps or self._followed[1] != until:
            self._followed = amps, until
            self.switch(amps if amps > 0 else None, until - now)
            if (self.charged[-1][1] if self.charged else 0) != amps:
                self.charged.append((now, amps))

    # --- what a rehearsal asks for --------------------------------------------------------------

    @override
    def step(self, now: datetime) -> None:
        if self._away is not None and self._away[0] <= now < self._away[1]:
            self.break_off()
        elif self._plugged is None or self._plugged.closed is not None:
            self._plugged = None
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
        """Wait until what the daemon's command says has come by OCPP, if it can."""
        with self.changed:
            return self.changed.wait_for(lambda: self._has_obeyed(serial), timeout)

    def _has_obeyed(self, serial: int) -> bool:
        command = self._command
        if self._arrived < serial or (command is None and serial > 0):
            return False
        if command is None or self._plugged is None or self._plugged.closed is not None:
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
            self._arrived = self._command.serial
            self.changed.notify_all()

    @override
    def _next_due(self) -> datetime:
        if self._to_say and self._plugged is not None:
            return self._point.now
        return min(super()._next_due(), max(self._point.now, self._next_change()))

    # --- what it says, on the conductor's thread ------------------------------------------------

    @override
    def _reports(self) -> list[tuple[str, Message]]:
        self._follow()
        return super()._reports()

    @override
    def _vehicle_has_changed(self) -> bool:
        return super()._vehicle_has_changed() or self._told_status != self._status()

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
                    self._to_say.append(self._meter_said(report))
                case VehicleReport(soc_percent=soc):
                    self._to_say += [self._status_said(), *self._soc_said(soc, at)]
                case _:
                    pass
        if self._plugged is None:
            self._to_say = [each for each in self._to_say if each.lasts]
            return
        while self._to_say:
            self._say_now(self._to_say.pop(0), self._plugged.say)

    def _say_now(self, said: Said, say: Callable[[object], Any]) -> None:
        message = said.message
        if isinstance(message, call.StopTransaction | call.MeterValues) and said.lasts:
            assert self._transaction is not None
            message.transaction_id = self._transaction
        self.sent += said.counts
        answer = say(message)
        with self.changed:
            if isinstance(message, call.StartTransaction):
                self._transaction = answer.transaction_id
            if isinstance(message, call.StopTransaction):
                self._transaction = None

    def _status_said(self) -> Said:
        self._told_status = self._status()
        at = self._point.now.isoformat()
        message = call.StatusNotification(1, "NoError", self._told_status, timestamp=at)
        return Said(message, counts=1)

    def _meter_said(self, reading: Reading) -> Said:
        """Sample as `Power.Active.Import` and `Energy.Active.Import.Register` of section 7.31."""
        sampled = [
            {"value": str(round((reading.register_kwh or 0) * 1000)), "unit": "Wh"},
            {"value": str(reading.watts), "unit": "W", "measurand": "Power.Active.Import"},
        ]
        if reading.amps is not None:
            amps = {"value": str(reading.amps), "unit": "A", "measurand": "Current.Import"}
            sampled.append(amps)
        return self._sampled(reading.at, sampled, lasts=self._since is not None)

    def _soc_said(self, percent: float | None, at: datetime) -> list[Said]:
        if percent is None:
            return []
        sample = {"value": str(percent), "unit": "Percent", "measurand": "SoC"}
        return [self._sampled(at, [sample])]

    def _sampled(self, at: datetime, sampled: list[dict[str, str]], *, lasts: bool = False) -> Said:
        values = [{"timestamp": at.isoformat(), "sampled_value": sampled}]
        return Said(call.MeterValues(1, values, self._transaction), counts=1, lasts=lasts)
