"""A simulated box by the rules of OCPP 1.6."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from typing_extensions import override

from tests.ocpp_boxes.hardware import VOLTS, Hardware
from tests.ocpp_boxes.link import Answer
from tests.ocpp_boxes.profiles import Stored

CONFIGURABLE = {"MeterValueSampleInterval", "MeterValuesSampledData"}


@dataclass
class Transaction:
    begun: datetime
    meter_start: int
    tag: str
    number: int | None = None


@dataclass
class Box(Hardware):
    """A box that speaks OCPP 1.6."""

    transaction: Transaction | None = None

    @override
    def charging_since(self) -> datetime | None:
        return None if self.transaction is None else self.transaction.begun

    @override
    def is_active(self) -> bool:
        return self.transaction is not None

    @override
    def boot(self) -> None:
        boot = {"chargePointVendor": "Kowhai", "chargePointModel": self.kind.name[:20]}
        self.call("BootNotification", boot)

    @override
    def status(self) -> str:
        if self.vehicle is None:
            return "Available"
        if self.transaction is None:
            return "Finishing" if self.has_charged else "Preparing"
        if self.amps() > 0:
            return "Charging"
        return "SuspendedEV" if self.vehicle.missing_kwh <= 0 else "SuspendedEVSE"

    @override
    def say_status(self, status: str) -> None:
        self.call("StatusNotification", {
            "connectorId": 1, "errorCode": "NoError", "status": status, "timestamp": self.at(),
        })  # fmt: skip
        self.reported = status

    @override
    def say_samples(self) -> None:
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
            "connectorId": 1, "meterValue": [{"timestamp": self.at(), "sampledValue": samples}],
        }  # fmt: skip
        running = self.transaction
        if running is not None and running.number is not None:
            payload["transactionId"] = 0 if self.kind.is_odd else running.number
        self.call("MeterValues", payload)
        self.sampled_at = self.now

    @override
    def begin(self, who: str) -> None:
        self.transaction = begun = Transaction(self.now, round(self.register_wh), who)

        def say() -> None:
            if self.kind.is_odd:
                self.say_status(self.status())  # before the transaction is known
            answer = self.call("StartTransaction", {
                "connectorId": 1, "idTag": who, "meterStart": begun.meter_start,
                "timestamp": begun.begun.isoformat(),
            })  # fmt: skip
            begun.number = answer["transactionId"]

        self.queue.append(say)

    @override
    def end(self, reason: str) -> None:
        ended, self.transaction = self.transaction, None
        self.stored = [each for each in self.stored if each.purpose != "TxProfile"]
        if ended is None:
            return
        at, register = self.at(), round(self.register_wh)

        def say() -> None:
            payload = {
                "transactionId": ended.number, "meterStop": register, "timestamp": at,
                "reason": reason,
            }  # fmt: skip
            self.call("StopTransaction", payload)

        self.queue.append(say)

    # --- requests of the central system ---------------------------------------------------------

    @override
    def answer(self, action: str, payload: dict[str, Any]) -> Answer:
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
            self.queue.append(self.say_samples)
        else:
            return {"status": "NotImplemented"}
        return {"status": "Accepted"}

    def _remote_start(self, payload: dict[str, Any]) -> Answer:
        profile = payload.get("chargingProfile")
        if self.vehicle is None or self.transaction is not None:
            return {"status": "Rejected"}
        if profile is not None:
            if not self.kind.start_takes_profile or self.refuses(profile):
                return {"status": "Rejected"}
            assert profile["chargingProfilePurpose"] == "TxProfile"  # section 5.11
        if not self.moods.never_starts:
            self.begin(payload["idTag"])
            if profile is not None:
                self.store(1, profile)
        return {"status": "Accepted"}

    def _remote_stop(self, payload: dict[str, Any]) -> Answer:
        running = self.transaction
        if running is None or payload["transactionId"] != running.number:
            return {"status": "Rejected"}
        if self.moods.refuses_stops:
            self.moods.refuses_stops -= 1
            return {"status": "Rejected"}
        self.stick()
        self.end("Remote")
        return {"status": "Accepted"}

    def _set_profile(self, payload: dict[str, Any]) -> Answer:
        connector, profile = payload["connectorId"], payload["csChargingProfiles"]
        running = self.transaction
        if self.refuses(profile):
            refusal = self.kind.refusal
            return refusal if refusal.startswith("Not") else {"status": refusal}
        if profile["chargingProfilePurpose"] == "TxProfile":
            if running is None or profile.get("transactionId") not in {None, running.number}:
                return {"status": "Rejected"}
            first = profile["chargingSchedule"]["chargingSchedulePeriod"][0]["limit"]
            if first == 0 and self.moods.refuses_stops and self.amps() > 0:
                self.moods.refuses_stops -= 1
                return {"status": "Rejected"}
        self.stick()
        self.store(connector, profile)
        return {"status": "Accepted"}

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
