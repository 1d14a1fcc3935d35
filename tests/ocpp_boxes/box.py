"""A simulated box: one connector, a vehicle, a meter, and the rules of OCPP 1.6.

Time is passed in. The box draws what its profiles, its hardware and its vehicle allow, and keeps a
trace of that, which is the truth that a night is judged by.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from threading import RLock
from typing import Any

from tests.ocpp_boxes.kinds import Kind
from tests.ocpp_boxes.link import Answer, Link, LostError
from tests.ocpp_boxes.profiles import Stored, allowed_amps, fault_of

VOLTS = 230.0
LOWEST_AMPS = 6.0
"""IEC 61851-1 can offer no less."""
SECOND = timedelta(seconds=1)
CONFIGURABLE = {"MeterValueSampleInterval", "MeterValuesSampledData"}


@dataclass
class Vehicle:
    """A battery behind a cable."""

    missing_kwh: float
    phases: int
    max_amps: float = 32.0


@dataclass
class Transaction:
    begun: datetime
    meter_start: int
    tag: str
    number: int | None = None


@dataclass(frozen=True)
class Drawn:
    """A current that flowed from one instant to another [A per phase]."""

    start: datetime
    end: datetime
    amps: float


@dataclass
class Moods:
    """What it does wrong now."""

    never_starts: bool = False
    sticks: bool = False
    refuses_stops: int = 0
    loses_each: int = 0


@dataclass
class Box:
    """A box of one kind."""

    kind: Kind
    now: datetime
    connects: Callable[[Callable[[str, dict[str, Any]], Answer | None]], Link]
    moods: Moods = field(default_factory=Moods)
    vehicle: Vehicle | None = None
    transaction: Transaction | None = None
    stored: list[Stored] = field(default_factory=list)
    trace: list[Drawn] = field(default_factory=list)
    asked: list[tuple[datetime, str, Any]] = field(default_factory=list)
    register_wh: float = 1_000_000.0
    link: Link | None = None
    paused_until: datetime | None = None
    has_charged: bool = False
    is_stuck_at: float = 0.0
    queue: list[Callable[[], None]] = field(default_factory=list)
    reported: str = ""
    sampled_at: datetime | None = None
    lock: Any = field(default_factory=RLock)
    calls: int = 0

    # --- time ---------------------------------------------------------------------------------

    def amps(self) -> float:
        """Return the current that flows now [A per phase]."""
        vehicle = self.vehicle
        if vehicle is None or vehicle.missing_kwh <= 0:
            return 0.0
        if self.is_stuck_at:
            return self.is_stuck_at
        if self.transaction is None or (self.paused_until or self.now) > self.now:
            return 0.0
        begun = self.transaction.begun
        limit = allowed_amps(self.stored, self.now, begun, volts=VOLTS, phases=vehicle.phases)
        amps = min(limit, self.kind.own_amps, vehicle.max_amps)
        return amps if amps >= LOWEST_AMPS else 0.0

    def advance(self, to: datetime) -> None:
        """Let time pass in seconds, and draw what is allowed."""
        with self.lock:
            while self.now < to:
                step = min(to - self.now, 10 * SECOND)
                amps = self.amps()
                if amps:
                    self._draw(amps, step)
                self.now += step

    def _draw(self, amps: float, step: timedelta) -> None:
        vehicle, last = self.vehicle, self.trace[-1] if self.trace else None
        assert vehicle is not None
        kwh = amps * VOLTS * vehicle.phases / 1000 * step.total_seconds() / 3600
        self.register_wh += 1000 * kwh
        vehicle.missing_kwh -= 0.9 * kwh
        self.has_charged = True
        if last is not None and last.end == self.now and last.amps == amps:
            self.trace[-1] = Drawn(last.start, self.now + step, amps)
        else:
            self.trace.append(Drawn(self.now, self.now + step, amps))

    # --- what happens to it -------------------------------------------------------------------

    def plug_in(self, vehicle: Vehicle) -> None:
        with self.lock:
            self.vehicle = vehicle
            if self.kind.charges_by_itself and not self.moods.never_starts:
                self._begin("FREE")

    def unplug(self) -> Vehicle:
        with self.lock:
            vehicle = self.vehicle
            assert vehicle is not None
            self.vehicle, self.is_stuck_at = None, 0.0
            self._end("EVDisconnected")
            return vehicle

    def reboot(self) -> None:
        """Lose power: the transaction ends, and its profiles are gone; others stay."""
        self.disconnect()
        with self.lock:
            self._end("PowerLoss")
            if self.vehicle is not None and self.kind.charges_by_itself:
                self._begin("FREE")

    def disconnect(self) -> None:
        link, self.link = self.link, None
        if link is not None:
            link.close()

    # --- its messages ---------------------------------------------------------------------------

    def report(self) -> bool:
        """Connect if need be, and send all that there is to say; return whether something was."""
        if self.link is None or not self.link.is_open:
            self.link = None
            with suppress(LostError):
                self.link = self.connects(self._on_call)
                boot = {"chargePointVendor": "Kowhai", "chargePointModel": self.kind.name[:20]}
                self.link.call("BootNotification", boot)
                self.reported = ""
        if self.link is None:
            return False
        said = False
        try:
            said |= self._send_queue()
            status = self.status()
            if status != self.reported:
                self._say_status(status)
                said = True
            if self._is_sample_due():
                self._say_samples()
                said = True
        except LostError:
            return True
        return said

    def status(self) -> str:
        if self.vehicle is None:
            return "Available"
        if self.transaction is None:
            return "Finishing" if self.has_charged else "Preparing"
        if self.amps() > 0:
            return "Charging"
        return "SuspendedEV" if self.vehicle.missing_kwh <= 0 else "SuspendedEVSE"

    def _send_queue(self) -> bool:
        said = False
        while self.queue:
            self.queue[0]()  # stays in the queue if its answer is lost
            self.queue.pop(0)
            said = True
        return said

    def _call(self, action: str, payload: dict[str, Any]) -> dict[str, Any]:
        if self.link is None:
            raise LostError(action)
        return self.link.call(action, payload)

    def _say_status(self, status: str) -> None:
        self._call("StatusNotification", {
            "connectorId": 1, "errorCode": "NoError", "status": status, "timestamp": self._at(),
        })  # fmt: skip
        self.reported = status

    def _is_sample_due(self) -> bool:
        if self.transaction is None and not self.is_stuck_at:
            return False
        return self.sampled_at is None or self.now - self.sampled_at >= timedelta(minutes=1)

    def _say_samples(self) -> None:
        vehicle = self.vehicle
        watts = self.amps() * VOLTS * (vehicle.phases if vehicle else 0)
        power = {"value": f"{watts:.1f}", "measurand": "Power.Active.Import", "unit": "W"}
        register = f"{self.register_wh:.0f}"
        samples = {
            "Wh": [{"value": register}, power],
            "kWh": [
                {"value": f"{self.register_wh / 1000:.3f}", "unit": "kWh",
                 "measurand": "Energy.Active.Import.Register"},
                {"value": f"{watts / 1000:.4f}", "measurand": "Power.Active.Import", "unit": "kW"},
            ],
            "power": [power],
        }[self.kind.meter]  # fmt: skip
        payload: dict[str, Any] = {
            "connectorId": 1, "meterValue": [{"timestamp": self._at(), "sampledValue": samples}],
        }  # fmt: skip
        running = self.transaction
        if running is not None and running.number is not None:
            payload["transactionId"] = 0 if self.kind.is_odd else running.number
        self._call("MeterValues", payload)
        self.sampled_at = self.now

    def _begin(self, tag: str) -> None:
        self.transaction = begun = Transaction(self.now, round(self.register_wh), tag)

        def say() -> None:
            if self.kind.is_odd:
                self._say_status(self.status())  # before the transaction is known
            answer = self._call("StartTransaction", {
                "connectorId": 1, "idTag": tag, "meterStart": begun.meter_start,
                "timestamp": begun.begun.isoformat(),
            })  # fmt: skip
            begun.number = answer["transactionId"]

        self.queue.append(say)

    def _end(self, reason: str) -> None:
        ended, self.transaction = self.transaction, None
        self.stored = [each for each in self.stored if each.purpose != "TxProfile"]
        if ended is None:
            return
        at, register = self._at(), round(self.register_wh)

        def say() -> None:
            payload = {
                "transactionId": ended.number, "meterStop": register, "timestamp": at,
                "reason": reason,
            }  # fmt: skip
            self._call("StopTransaction", payload)

        self.queue.append(say)

    def _at(self) -> str:
        return self.now.isoformat().replace("+00:00", "Z")

    # --- requests of the central system ---------------------------------------------------------

    def _on_call(self, action: str, payload: dict[str, Any]) -> Answer | None:
        with self.lock:
            self.calls += 1
            if self.moods.loses_each and self.calls % self.moods.loses_each == 0:
                return None
            answer = self._answer(action, payload)
            self.asked.append((self.now, action, payload))
            return answer

    def _answer(self, action: str, payload: dict[str, Any]) -> Answer:
        answers: dict[str, Callable[[dict[str, Any]], Answer]] = {
            "GetConfiguration": self._configuration,
            "ChangeConfiguration": self._change,
            "TriggerMessage": self._trigger,
            "RemoteStartTransaction": self._remote_start,
            "RemoteStopTransaction": self._remote_stop,
            "SetChargingProfile": self._set_profile,
            "ClearChargingProfile": self._clear,
        }
        return answers[action](payload) if action in answers else "NotImplemented"

    def _change(self, payload: dict[str, Any]) -> Answer:
        known = payload["key"] in CONFIGURABLE
        return {"status": "Accepted" if known else "NotSupported"}

    def _configuration(self, _payload: dict[str, Any]) -> Answer:
        kind = self.kind
        if not kind.says:
            return "NotImplemented"
        said = {"NumberOfConnectors": "1", "SupportedFeatureProfiles": "Core,RemoteTrigger"}
        if kind.purposes:
            said |= {
                "SupportedFeatureProfiles": "Core,SmartCharging,RemoteTrigger",
                "ChargingScheduleAllowedChargingRateUnit": ",".join(
                    name for unit, name in (("A", "Current"), ("W", "Power")) if unit in kind.units
                ),
                "ChargingScheduleMaxPeriods": str(kind.most_periods),
                "ChargeProfileMaxStackLevel": str(kind.levels),
                "MaxChargingProfilesInstalled": str(kind.most_profiles),
            }
        keys = [{"key": key, "readonly": True, "value": value} for key, value in said.items()]
        return {"configurationKey": keys}

    def _trigger(self, payload: dict[str, Any]) -> Answer:
        message = payload["requestedMessage"]
        if message == "StatusNotification":
            self.reported = ""
        elif message == "MeterValues":
            self.queue.append(self._say_samples)
        else:
            return {"status": "NotImplemented"}
        return {"status": "Accepted"}

    def _remote_start(self, payload: dict[str, Any]) -> Answer:
        profile = payload.get("chargingProfile")
        if self.vehicle is None or self.transaction is not None:
            return {"status": "Rejected"}
        if profile is not None:
            if not self.kind.start_takes_profile or self._refuses(profile):
                return {"status": "Rejected"}
            assert profile["chargingProfilePurpose"] == "TxProfile"  # section 5.11
        if not self.moods.never_starts:
            self._begin(payload["idTag"])
            if profile is not None:
                self._store(1, profile)
        return {"status": "Accepted"}

    def _remote_stop(self, payload: dict[str, Any]) -> Answer:
        running = self.transaction
        if running is None or payload["transactionId"] != running.number:
            return {"status": "Rejected"}
        if self.moods.refuses_stops:
            self.moods.refuses_stops -= 1
            return {"status": "Rejected"}
        self._stick()
        self._end("Remote")
        return {"status": "Accepted"}

    def _set_profile(self, payload: dict[str, Any]) -> Answer:
        connector, profile = payload["connectorId"], payload["csChargingProfiles"]
        running = self.transaction
        if self._refuses(profile):
            refusal = self.kind.refusal
            return refusal if refusal.startswith("Not") else {"status": refusal}
        if profile["chargingProfilePurpose"] == "TxProfile":
            if running is None or profile.get("transactionId") not in {None, running.number}:
                return {"status": "Rejected"}
            first = profile["chargingSchedule"]["chargingSchedulePeriod"][0]["limit"]
            if first == 0 and self.moods.refuses_stops and self.amps() > 0:
                self.moods.refuses_stops -= 1
                return {"status": "Rejected"}
        self._stick()
        self._store(connector, profile)
        return {"status": "Accepted"}

    def _stick(self) -> None:
        """Go on with what flows, as a welded contactor does when it should open."""
        if self.moods.sticks and not self.is_stuck_at:
            self.is_stuck_at = self.amps()

    def _refuses(self, profile: dict[str, Any]) -> bool:
        kind = self.kind
        if profile["chargingProfilePurpose"] not in kind.purposes:
            return True
        fault = fault_of(
            profile, units=kind.units, most_periods=kind.most_periods, levels=kind.levels
        )
        others = {(e.purpose, e.level, e.connector) for e in self.stored}
        new = (profile["chargingProfilePurpose"], profile["stackLevel"])
        is_new = all(new != pair[:2] for pair in others)
        return fault is not None or (is_new and len(self.stored) >= kind.most_profiles)

    def _store(self, connector: int, profile: dict[str, Any]) -> None:
        """Store a profile in place of that with its number, or its purpose, level and connector."""
        new = Stored(connector, profile)
        self.stored = [
            each
            for each in self.stored
            if each.profile["chargingProfileId"] != profile["chargingProfileId"]
            and (each.purpose, each.level, each.connector) != (new.purpose, new.level, connector)
        ]
        self.stored.append(new)

    def _clear(self, payload: dict[str, Any]) -> Answer:
        names = {
            "id": "chargingProfileId", "chargingProfilePurpose": "chargingProfilePurpose",
            "stackLevel": "stackLevel",
        }  # fmt: skip

        def matches(each: Stored) -> bool:
            if "id" in payload:
                return bool(each.profile["chargingProfileId"] == payload["id"])
            fits = payload.get("connectorId") in {None, each.connector}
            return fits and all(
                each.profile[name] == payload[key] for key, name in names.items() if key in payload
            )

        kept = [each for each in self.stored if not matches(each)]
        status = "Accepted" if len(kept) < len(self.stored) else "Unknown"
        self.stored = kept
        return {"status": status}
