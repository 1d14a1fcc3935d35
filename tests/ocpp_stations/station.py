"""A simulated charging station by the message schemas of OCPP 2.0.1, and its use cases.

The use cases are cited from memory: B01 (boot), E02 to E06 (transactions), E12 (what happened
without a connection comes later, marked), F01 and F02 (remote start), K01 and K05 (profiles).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Any

from typing_extensions import override

from tests.ocpp_boxes.hardware import UNLIMITED, VOLTS, Hardware
from tests.ocpp_boxes.link import Answer, LostError
from tests.ocpp_boxes.profiles import Stored
from tests.ocpp_stations.schemas import fault_in

SAMPLES_EVERY = timedelta(minutes=1)
PURPOSES = {"ChargingStationMaxProfile": "ChargePointMaxProfile"}
SETTABLE = {"TxUpdatedInterval", "TxUpdatedMeasurands", "TxEndedMeasurands", "TxStartedMeasurands"}


@dataclass
class Transaction:
    """A transaction, and what was said of it."""

    name: str
    begun: datetime
    is_authorized: bool = False
    count: int = 0
    said: str = ""
    remote: int | None = None


@dataclass
class Station(Hardware):
    """A station that speaks OCPP 2.0.1 or 2.1, with one EVSE of one connector."""

    transaction: Transaction | None = None
    names: int = 0
    was_limited_to: float = UNLIMITED

    # --- what it does ---------------------------------------------------------------------------

    @override
    def charging_since(self) -> datetime | None:
        running = self.transaction
        return running.begun if running is not None and running.is_authorized else None

    @override
    def is_active(self) -> bool:
        return self.transaction is not None

    @override
    def plug_in(self, vehicle: Any) -> None:
        super().plug_in(vehicle)
        with self.lock:
            if self.transaction is None and self.kind.begins == "EVConnected":
                self._start("CablePluggedIn")

    @override
    def reboot(self) -> None:
        super().reboot()
        with self.lock:
            is_plugged = self.vehicle is not None and self.transaction is None
            if is_plugged and self.kind.begins == "EVConnected":
                self._start("CablePluggedIn")

    @override
    def begin(self, who: str, remote: int | None = None) -> None:
        if self.transaction is None:
            self._start("Authorized" if remote is None else "RemoteStart", who, remote)
            return
        self.transaction.is_authorized, self.transaction.remote = True, remote
        self._say("Updated", "Authorized" if remote is None else "RemoteStart", who=who)

    def _start(self, trigger: str, who: str | None = None, remote: int | None = None) -> None:
        self.names += 1
        name = f"{self.now:%d%H%M%S}-{self.names:04}-kowhai"
        self.transaction = Transaction(name, self.now, who is not None, remote=remote)
        self._say("Started", trigger, who=who, has_register=True)

    @override
    def end(self, reason: str) -> None:
        if self.transaction is not None:
            trigger = {"EVDisconnected": "EVCommunicationLost", "Remote": "RemoteStop"}
            self._say(
                "Ended", trigger.get(reason, "AbnormalCondition"), reason=reason, has_register=True
            )
        self.transaction = None
        self.stored = [each for each in self.stored if each.purpose != "TxProfile"]

    @override
    def notice(self) -> None:
        running = self.transaction
        if running is None:
            return
        if running.said != self.state():
            is_paused = running.said == "Charging" and self.state() == "SuspendedEVSE"
            self._say("Updated", "ChargingStateChanged")
            if self.kind.pause_ends and is_paused:
                self.end("Other")
        elif self.link is None and self._is_sample_due():
            self.say_samples()

    def state(self) -> str:
        """Return the charging state (ChargingStateEnumType)."""
        if self.vehicle is None:
            return "Idle"
        if self.transaction is None or not self.transaction.is_authorized:
            return "EVConnected"
        if self.amps() > 0:
            return "Charging"
        return "SuspendedEV" if self.vehicle.missing_kwh <= 0 else "SuspendedEVSE"

    # --- what it says -----------------------------------------------------------------------------

    @override
    def check(self, kind: int, action: str, payload: Any) -> None:
        fault = fault_in(self.kind.version, kind, action, payload)
        if fault is not None:
            self.invalid.append(fault)

    @override
    def boot(self) -> None:
        firmware = "2.0" if self.kind.is_odd else "1.0.7"
        self.call("BootNotification", {
            "reason": "PowerUp",
            "chargingStation": {
                "vendorName": "Kowhai", "model": self.kind.name[:20], "firmwareVersion": firmware,
            },
        })  # fmt: skip

    @override
    def call(self, action: str, payload: dict[str, Any]) -> dict[str, Any]:
        answer = super().call(action, payload)
        if self.loses("out"):
            raise LostError(action)  # the answer: it is said again
        return answer

    @override
    def status(self) -> str:
        return "Available" if self.vehicle is None else "Occupied"

    @override
    def say_status(self, status: str) -> None:
        if self.kind.is_odd:
            component = {"name": "Connector", "evse": {"id": 1, "connectorId": 1}}
            self.call("NotifyEvent", {
                "generatedAt": self.at(), "seqNo": 0,
                "eventData": [{
                    "eventId": 1, "timestamp": self.at(), "trigger": "Delta",
                    "actualValue": status, "eventNotificationType": "HardWiredNotification",
                    "component": component, "variable": {"name": "AvailabilityState"},
                }],
            })  # fmt: skip
        else:
            self.call("StatusNotification", {
                "timestamp": self.at(), "connectorStatus": status, "evseId": 1, "connectorId": 1,
            })  # fmt: skip
        self.reported = status

    @override
    def say_samples(self) -> None:
        if self.transaction is None:
            values = self._values("Trigger")
            self._queue("MeterValues", {"evseId": 1, "meterValue": values})
        else:
            self._say("Updated", "MeterValuePeriodic")
        self.sampled_at = self.now

    def _values(self, context: str, *, has_register: bool = False) -> list[dict[str, Any]]:
        vehicle = self.vehicle
        watts = self.amps() * VOLTS * (vehicle.phases if vehicle else 0)
        register = {"measurand": "Energy.Active.Import.Register", "context": context}
        kilo = {"unitOfMeasure": {"unit": "Wh", "multiplier": 3}}
        power = {
            "value": watts, "measurand": "Power.Active.Import", "context": context,
            "unitOfMeasure": {"unit": "W"},
        }  # fmt: skip
        in_wh = {"value": round(self.register_wh, 1), **register}
        samples: list[dict[str, Any]] = {
            "Wh": [in_wh, power],
            "kWh": [
                {"value": round(self.register_wh / 1000, 4), **register, **kilo},
                {**power, "value": watts / 1000, "unitOfMeasure": {"unit": "W", "multiplier": 3}},
            ],
            "power": [in_wh, power] if has_register else [power],
        }[self.kind.meter]  # fmt: skip
        return [{"timestamp": self.at(), "sampledValue": samples}]

    def _say(
        self,
        kind: str,
        trigger: str,
        *,
        who: str | None = None,
        reason: str | None = None,
        has_register: bool = False,
    ) -> None:
        """Keep a message about the transaction until it is acknowledged."""
        running = self.transaction
        assert running is not None
        running.said = self.state()
        about: dict[str, Any] = {"transactionId": running.name, "chargingState": running.said}
        if reason is not None:
            about["stoppedReason"] = reason
        if running.remote is not None:
            about["remoteStartId"] = running.remote
        context = {"Started": "Transaction.Begin", "Ended": "Transaction.End"}
        payload: dict[str, Any] = {
            "eventType": kind, "timestamp": self.at(), "triggerReason": trigger,
            "seqNo": 0 if self.kind.is_odd else running.count, "transactionInfo": about,
            "meterValue": self._values(
                context.get(kind, "Sample.Periodic"), has_register=has_register
            ),
        }  # fmt: skip
        if kind == "Started" or not self.kind.is_odd:
            payload["evse"] = {"id": 1, "connectorId": 1}
        if who is not None:
            tokens = {"FREE": {"idToken": "", "type": "NoAuthorization"}}
            payload["idToken"] = tokens.get(who, {"idToken": who, "type": "Central"})
        if self.link is None:
            payload["offline"] = True
        running.count += 1
        self._queue("TransactionEvent", payload)

    def _queue(self, action: str, payload: dict[str, Any]) -> None:
        def say() -> None:
            answer = self.call(action, payload)
            if "idToken" in payload and answer["idTokenInfo"]["status"] != "Accepted":
                raise AssertionError(f"{action} was answered {answer}")

        self.queue.append(say)

    @override
    def limit_elsewhere(self, amps: float) -> None:
        super().limit_elsewhere(amps)
        about: dict[str, Any] = {"evseId": 1}
        if amps == UNLIMITED:
            self._queue("ClearedChargingLimit", {**about, "chargingLimitSource": "SO"})
            return
        schedule = {
            "id": 1, "chargingRateUnit": "A",
            "chargingSchedulePeriod": [{"startPeriod": 0, "limit": amps}],
        }  # fmt: skip
        limit = {"chargingLimitSource": "SO", "isGridCritical": True}
        notice = {**about, "chargingLimit": limit, "chargingSchedule": [schedule]}
        self._queue("NotifyChargingLimit", notice)

    # --- requests of the central system -----------------------------------------------------------

    @override
    def answer(self, action: str, payload: dict[str, Any]) -> Answer:
        answers: dict[str, Callable[[dict[str, Any]], Answer]] = {
            "GetVariables": self._variables,
            "SetVariables": self._set_variables,
            "TriggerMessage": self._trigger,
            "RequestStartTransaction": self._request_start,
            "RequestStopTransaction": self._request_stop,
            "SetChargingProfile": self._set_profile,
            "ClearChargingProfile": self._clear,
        }
        return answers[action](payload) if action in answers else "NotImplemented"

    def _variables(self, payload: dict[str, Any]) -> Answer:
        kind, asked = self.kind, payload["getVariableData"]
        if not kind.says:
            return "NotImplemented"
        if len(asked) > kind.asks_at_once:
            return "OccurrenceConstraintViolation"
        stop = "EVConnected,EnergyTransfer" if kind.pause_ends else "EVConnected,Authorized"
        known: dict[tuple[str, str], str] = {
            ("AuthCtrlr", "Enabled"): "false" if kind.charges_by_itself else "true",
            ("TxCtrlr", "TxStopPoint"): stop,
        }
        if kind.purposes:
            known |= {
                ("SmartChargingCtrlr", "Enabled"): "true",
                ("SmartChargingCtrlr", "RateUnit"): ",".join(kind.units),
                ("SmartChargingCtrlr", "PeriodsPerSchedule"): str(kind.most_periods),
                ("SmartChargingCtrlr", "ProfileStackLevel"): str(kind.levels),
            }
        results = []
        for each in asked:
            key = each["component"]["name"], each["variable"]["name"]
            result = {name: each[name] for name in ("component", "variable")}
            if key in known and "attributeType" not in each:
                result |= {"attributeStatus": "Accepted", "attributeValue": known[key]}
            else:
                names = {component for component, _ in known}
                is_known = key[0] in names
                status = "UnknownVariable" if is_known else "UnknownComponent"
                result |= {"attributeStatus": status}
            results.append(result)
        return {"getVariableResult": results}

    def _set_variables(self, payload: dict[str, Any]) -> Answer:
        results = []
        for each in payload["setVariableData"]:
            is_known = self.kind.says and each["variable"]["name"] in SETTABLE
            status = "Accepted" if is_known else "UnknownVariable"
            named = {name: each[name] for name in ("component", "variable")}
            results.append({**named, "attributeStatus": status})
        return {"setVariableResult": results}

    def _trigger(self, payload: dict[str, Any]) -> Answer:
        message = payload["requestedMessage"]
        if message == "StatusNotification":
            self.reported = ""
        elif message == "TransactionEvent" and self.transaction is not None:
            self._say("Updated", "Trigger")
        elif message == "MeterValues":
            self._queue("MeterValues", {"evseId": 1, "meterValue": self._values("Trigger")})
        else:
            return {"status": "Rejected", "statusInfo": {"reasonCode": "TxNotFound"}}
        return {"status": "Accepted"}

    def _request_start(self, payload: dict[str, Any]) -> Answer:
        profile, running = payload.get("chargingProfile"), self.transaction
        if self.vehicle is None or (running is not None and running.is_authorized):
            return {"status": "Rejected"}
        if profile is not None:
            # K05: only a TxProfile, of a transaction that has no name yet.
            is_right = profile["chargingProfilePurpose"] == "TxProfile"
            assert is_right, profile
            assert "transactionId" not in profile, profile
            if not self.kind.start_takes_profile or self.refuses(_normal(profile)):
                return {"status": "Rejected", "statusInfo": {"reasonCode": "InvalidProfile"}}
        if not self.moods.never_starts:
            if profile is not None:
                self.store(1, _normal(profile))
            self.begin(payload["idToken"]["idToken"], payload["remoteStartId"])
        accepted: dict[str, Any] = {"status": "Accepted"}
        return accepted if running is None else {**accepted, "transactionId": running.name}

    def _request_stop(self, payload: dict[str, Any]) -> Answer:
        running = self.transaction
        if running is None or payload["transactionId"] != running.name:
            return {"status": "Rejected", "statusInfo": {"reasonCode": "TxNotFound"}}
        if self.moods.refuses_stops:
            self.moods.refuses_stops -= 1
            return {"status": "Rejected"}
        self.stick()
        self.end("Remote")
        return {"status": "Accepted"}

    def _set_profile(self, payload: dict[str, Any]) -> Answer:
        evse, profile, running = payload["evseId"], payload["chargingProfile"], self.transaction
        normal = _normal(profile)
        purpose = normal["chargingProfilePurpose"]
        if purpose not in self.kind.purposes and self.kind.refusal.startswith("Not"):
            return self.kind.refusal
        rejected: dict[str, Any] = {"status": "Rejected", "statusInfo": {"reasonCode": "Other"}}
        is_twin = any(
            (each.purpose, each.level, each.connector) == (purpose, normal["stackLevel"], evse)
            and each.profile["chargingProfileId"] != normal["chargingProfileId"]
            for each in self.stored
        )
        if self.refuses(normal) or is_twin:
            return rejected
        if (purpose == "ChargePointMaxProfile") != (evse == 0):
            return rejected
        if purpose == "TxProfile":
            # K01: it names its transaction.
            if running is None or profile.get("transactionId") != running.name:
                return {"status": "Rejected", "statusInfo": {"reasonCode": "TxNotFound"}}
            first = profile["chargingSchedule"][0]["chargingSchedulePeriod"][0]["limit"]
            if first == 0 and self.moods.refuses_stops and self.amps() > 0:
                self.moods.refuses_stops -= 1
                return rejected
        self.stick()
        self.store(evse, normal)
        return {"status": "Accepted"}

    def _clear(self, payload: dict[str, Any]) -> Answer:
        criteria = payload.get("chargingProfileCriteria", {})
        purpose = criteria.get("chargingProfilePurpose")
        wanted = {
            "chargingProfileId": payload.get("chargingProfileId"),
            "chargingProfilePurpose": PURPOSES.get(purpose, purpose),
            "stackLevel": criteria.get("stackLevel"),
        }

        def matches(each: Stored) -> bool:
            is_there = criteria.get("evseId") in {None, each.connector}
            return is_there and all(
                value is None or each.profile[key] == value for key, value in wanted.items()
            )

        kept = [each for each in self.stored if not matches(each)]
        status = "Accepted" if len(kept) < len(self.stored) else "Unknown"
        self.stored = kept
        return {"status": status}


def _normal(profile: dict[str, Any]) -> dict[str, Any]:
    """Return a profile as `tests.ocpp_boxes.profiles` reads it: what it allows is the same."""
    purpose = profile["chargingProfilePurpose"]
    [schedule] = profile["chargingSchedule"]
    return {
        **profile,
        "chargingProfileId": profile["id"],
        "chargingProfilePurpose": PURPOSES.get(purpose, purpose),
        "chargingSchedule": schedule,
    }
