"""What simulated equipment says and hears in OCPP 2: its messages of 1.6, translated.

The simulated hardware thinks in the words of OCPP 1.6. Knows no connection.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from ocpp.v16 import call as call_16
from ocpp.v201 import call

EVSE: Final = {"id": 1, "connector_id": 1}
VARIABLES: Final = {
    ("SmartChargingCtrlr", "Enabled"): "true",
    ("SmartChargingCtrlr", "RateUnit"): "A,W",
    ("SmartChargingCtrlr", "PeriodsPerSchedule"): "50",
    ("SmartChargingCtrlr", "ProfileStackLevel"): "8",
    ("AuthCtrlr", "Enabled"): "true",
    ("TxCtrlr", "TxStopPoint"): "EVConnected,Authorized",
}
"""What it says of itself, by component and variable."""

_PURPOSES: Final = {"ChargingStationMaxProfile": "ChargePointMaxProfile"}
_STATES: Final = frozenset({"Charging", "SuspendedEV", "SuspendedEVSE"})
_LEFT: Final = "EVDisconnected"


@dataclass(frozen=True)
class StartedAs:
    """The answer to a start of a transaction, in the words of OCPP 1.6."""

    transaction_id: str


class Translator:
    """Translates the messages of one station, which names its transactions itself."""

    def __init__(self) -> None:
        self._names = 0
        self._transaction: str | None = None
        self._number = 0

    def said(self, message: object) -> Iterator[object]:
        """Yield what is to be said for a message of OCPP 1.6, in order."""
        match message:
            case call_16.BootNotification():
                about = {"vendor_name": "Lullwatt", "model": "Simulated"}
                yield call.BootNotification(about, "PowerUp")
            case call_16.StatusNotification(status=status, timestamp=at):
                is_free = status == "Available"
                connector = "Available" if is_free else "Occupied"
                yield call.StatusNotification(at, connector, EVSE["id"], EVSE["connector_id"])
                if self._transaction is not None and status in _STATES:
                    yield self._event("Updated", at, "ChargingStateChanged", state=status)
            case call_16.StartTransaction(timestamp=at, meter_start=watt_hours):
                self._begin(at)
                samples = _register(at, watt_hours)
                yield self._event("Started", at, "RemoteStart", samples, state="EVConnected")
            case call_16.StopTransaction(timestamp=at, meter_stop=watt_hours, reason=reason):
                trigger = "EVCommunicationLost" if reason == _LEFT else "RemoteStop"
                samples = _register(at, watt_hours)
                yield self._event("Ended", at, trigger, samples, stopped_reason=reason)
                self._transaction = None
            case call_16.MeterValues(meter_value=values):
                samples = [{**each, "sampled_value": _samples(each)} for each in values]
                if self._transaction is None:
                    yield call.MeterValues(EVSE["id"], samples)
                else:
                    at = values[0]["timestamp"]
                    yield self._event("Updated", at, "MeterValuePeriodic", samples)
            case _:
                raise TypeError(f"OCPP 2 has nothing for {type(message).__name__}")

    def answer(self, message: object, answer: Any) -> Any:  # noqa: ANN401 - an answer of the package
        """Return the answer to a message of OCPP 1.6."""
        is_start = isinstance(message, call_16.StartTransaction)
        return StartedAs(self._transaction or "") if is_start else answer

    def _begin(self, at: str) -> None:
        if self._transaction is None:
            self._names += 1
            digits = "".join(each for each in at if each.isdigit())
            self._transaction, self._number = f"{digits[:14]}-{self._names}", 0

    def _event(
        self,
        kind: str,
        at: str,
        trigger: str,
        samples: list[dict[str, Any]] | None = None,
        *,
        state: str | None = None,
        **about: Any,  # noqa: ANN401 - of the standard
    ) -> object:
        info = {"transaction_id": self._transaction, **about}
        if state is not None:
            info["charging_state"] = state
        event = call.TransactionEvent(
            kind, at, trigger, self._number, info, meter_value=samples, evse=EVSE,
            id_token={"id_token": "lullwatt", "type": "Central"} if kind == "Started" else None,
        )  # fmt: skip
        self._number += 1
        return event


def heard(name: str, values: Mapping[str, Any]) -> tuple[str, dict[str, Any]]:
    """Return the name and values that a request has in OCPP 1.6."""
    match name:
        case "RequestStartTransaction":
            profile = values.get("charging_profile")
            given = {} if profile is None else {"charging_profile": _profile(profile)}
            return "RemoteStartTransaction", given
        case "RequestStopTransaction":
            return "RemoteStopTransaction", dict(values)
        case "SetChargingProfile":
            return name, {"cs_charging_profiles": _profile(values["charging_profile"])}
        case "ClearChargingProfile":
            criteria = dict(values.get("charging_profile_criteria") or {})
            purpose = criteria.get("charging_profile_purpose")
            if purpose in _PURPOSES:
                criteria["charging_profile_purpose"] = _PURPOSES[purpose]
            return name, {"id": values.get("charging_profile_id"), **criteria}
        case _:
            return name, dict(values)


def variable(asked: Mapping[str, Any]) -> dict[str, Any]:
    """Return the result for one variable that it is asked for."""
    key = asked["component"]["name"], asked["variable"]["name"]
    named = {name: asked[name] for name in ("component", "variable")}
    if key in VARIABLES and "attribute_type" not in asked:
        return {**named, "attribute_status": "Accepted", "attribute_value": VARIABLES[key]}
    is_known = any(component == key[0] for component, _ in VARIABLES)
    return {**named, "attribute_status": "UnknownVariable" if is_known else "UnknownComponent"}


def _profile(profile: Mapping[str, Any]) -> dict[str, Any]:
    purpose = profile["charging_profile_purpose"]
    return {
        **profile,
        "charging_profile_id": profile["id"],
        "charging_profile_purpose": _PURPOSES.get(purpose, purpose),
        "charging_schedule": profile["charging_schedule"][0],
    }


def _register(at: str, watt_hours: int) -> list[dict[str, Any]]:
    return [{"timestamp": at, "sampled_value": [{"value": watt_hours}]}]


def _samples(values: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {
            "value": float(each["value"]),
            "unit_of_measure": {"unit": each["unit"]},
            **({"measurand": each["measurand"]} if "measurand" in each else {}),
        }
        for each in values["sampled_value"]
    ]
