"""A station that speaks OCPP 2 on a raw websocket: what is handed on, and what it is answered.

The messages follow the published schemas; `tests.ocpp_stations` plays whole nights.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import timedelta
from itertools import count
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs
from websockets.sync.connection import Connection

from adapters.contract.messages import GridPower, HomeLoad, Reading, VehicleReport
from adapters.ocpp_point.events import ChargingLimitNoticed, EquipmentReady
from tests.adapters.ocpp.test_malformed import FRAMES
from tests.adapters.ocpp.world import NOW, World, world_with
from tests.support.waiting import patience

CALL, RESULT, ERROR = 2, 3, 4


@dataclass
class RawStation:
    """Sends frames, and answers all requests in the same way."""

    world: World
    connection: Connection
    answers: dict[str, Any] = field(default_factory=dict)
    asked: list[tuple[str, dict[str, Any]]] = field(default_factory=list)
    numbers: Iterator[int] = field(default_factory=count)

    def say(self, action: str, payload: Any) -> list[Any]:  # noqa: ANN401 - JSON
        """Send a request, and return the rest of the frame that answers it."""
        unique = f"u{next(self.numbers)}"
        self.connection.send(json.dumps([CALL, unique, action, payload]))
        while True:
            kind, its, *rest = json.loads(self.connection.recv(timeout=patience()))
            if its == unique:
                return [kind, *rest]
            if kind == CALL:
                self._answer(its, *rest)

    def until_ready(self, times: int = 1) -> None:
        """Answer what it is asked until it is ready for the n-th time."""
        while len(self.world.recorder.of(EquipmentReady)) < times:
            _, its, *rest = json.loads(self.connection.recv(timeout=patience()))
            self._answer(its, *rest)

    def _answer(self, unique: str, action: str, payload: dict[str, Any]) -> None:
        self.asked.append((action, payload))
        answer = self.answers.get(action, {"status": "Rejected"})
        self.connection.send(json.dumps([RESULT, unique, answer]))

    def event(self, kind: str, number: int, state: str, *samples: Any, **more: Any) -> Any:  # noqa: ANN401 - JSON
        """Say something of a transaction, and return the answer."""
        payload = {
            "eventType": kind, "timestamp": at(number), "triggerReason": "ChargingStateChanged",
            "seqNo": number, "transactionInfo": {"transactionId": "a", "chargingState": state},
            "evse": {"id": 1, "connectorId": 1}, **more,
        }  # fmt: skip
        if samples:
            payload["meterValue"] = [{"timestamp": at(number), "sampledValue": list(samples)}]
        return self.say("TransactionEvent", payload)


def at(minute: int) -> str:
    return (NOW + timedelta(minutes=minute)).isoformat()


@contextmanager
def station_on(world: World, version: str = "2.0.1") -> Iterator[RawStation]:
    with world.raw(version) as connection:
        station = RawStation(world, connection)
        kind, answer = station.say("BootNotification", {
            "reason": "PowerUp", "chargingStation": {"vendorName": "Kowhai", "model": "S-1"},
        })  # fmt: skip
        assert (kind, answer["status"], answer["currentTime"]) == (
            RESULT, "Accepted", "2026-06-03T09:00:00.000Z",
        )  # fmt: skip
        yield station


@pytest.fixture
def station(tmp_path: Path) -> Iterator[RawStation]:
    with world_with(tmp_path) as world, station_on(world) as made:
        yield made


def pilots(station: RawStation) -> list[str | None]:
    return [each.pilot for each in station.world.recorder.of(VehicleReport) if each.pilot]


def kilowatt_hours(station: RawStation) -> list[float | None]:
    return [each.register_kwh for each in station.world.recorder.of(Reading)]


WH = {"value": 1_000_000, "measurand": "Energy.Active.Import.Register"}


def test_a_charge_from_plug_in_to_unplugging(station: RawStation) -> None:
    """Statuses and events become pilot states, samples readings; who charges is accepted."""
    status = {"evseId": 1, "connectorId": 1, "timestamp": at(0)}
    station.say("StatusNotification", {**status, "connectorStatus": "Occupied"})
    kilo = {"unitOfMeasure": {"unit": "Wh", "multiplier": 3}}
    soc = {"value": 41, "measurand": "SoC", "unitOfMeasure": {"unit": "Percent"}}
    token = {"idToken": {"idToken": "04E5", "type": "ISO14443"}}
    kind, answer = station.event("Started", 0, "Charging", WH, **token)
    assert (kind, answer) == (RESULT, {"idTokenInfo": {"status": "Accepted"}})
    assert station.event("Updated", 1, "Charging", {**WH, "value": 1001.25, **kilo}, soc) == [
        RESULT, {},
    ]  # fmt: skip
    station.event("Updated", 1, "SuspendedEV")  # its answer was lost
    station.event("Ended", 2, "EVConnected", {**WH, "value": 1_002_000})
    station.say("StatusNotification", {**status, "connectorStatus": "Available"})
    assert pilots(station) == ["B", "C", "C", "B", "A"]
    assert kilowatt_hours(station) == [1000.0, 1001.25, 1002.0]
    reports = station.world.recorder.of(VehicleReport)
    assert [each.soc_percent for each in reports if each.soc_percent] == [41]


def test_a_replayed_edge_sets_no_register_back(station: RawStation) -> None:
    """What was counted from the power stays, when an earlier start or end is said again."""
    power = {"value": 2300, "measurand": "Power.Active.Import"}
    station.event("Started", 0, "Charging", WH, transactionInfo={"transactionId": "earlier"})
    end = {**WH, "value": 1_000_100}
    station.event("Ended", 1, "Idle", end, transactionInfo={"transactionId": "earlier"})
    station.event("Started", 2, "Charging", {**WH, "value": 1_000_200})
    station.event("Updated", 3, "Charging", power)
    station.event("Updated", 6, "Charging", power)
    station.event("Ended", 1, "Idle", end, transactionInfo={"transactionId": "earlier"})
    station.event("Started", 2, "Charging", {**WH, "value": 1_000_200})
    station.event("Updated", 9, "Charging", power)
    assert kilowatt_hours(station)[-1] == 1000.43  # 2,300 W for 6 minutes: 230 Wh


def test_a_status_may_come_as_an_event(station: RawStation) -> None:
    """NotifyEvent about AvailabilityState, of the connector or of the whole station."""

    def noticed(component: str, value: str, **evse: int) -> None:
        event = {
            "eventId": 1, "timestamp": at(0), "trigger": "Delta", "actualValue": value,
            "eventNotificationType": "HardWiredNotification",
            "component": {"name": component, **({"evse": evse} if evse else {})},
            "variable": {"name": "AvailabilityState"},
        }  # fmt: skip
        odd = {**event, "variable": {"name": "Temperature"}}
        payload = {"generatedAt": at(0), "seqNo": 0, "eventData": [odd, event]}
        assert station.say("NotifyEvent", payload) == [RESULT, {}]

    noticed("Connector", "Occupied", id=1, connectorId=1)
    noticed("Connector", "Faulted", id=2, connectorId=1)
    noticed("ChargingStation", "Unavailable")
    assert pilots(station) == ["B", "F"]


def test_samples_that_do_not_fit_are_dropped_alone(station: RawStation) -> None:
    """The transaction is known all the same, and what else is right is read."""
    odd = [
        {"value": "1000500"},
        {"value": 1, "measurand": "Its.Own"},
        {"value": True},
        {"measurand": "Power.Active.Import"},
        "text",
        {"value": 7, "unitOfMeasure": {"unit": "Wh", "multiplier": 10**9}},
        {"value": 2300, "measurand": "Power.Active.Import", "phase": "L9"},
    ]
    kind, _ = station.event("Started", 0, "Charging", *odd)
    assert kind == RESULT
    assert kilowatt_hours(station) == [1000.5]
    assert pilots(station) == ["C"]


WRONG: dict[str, dict[str, Any]] = {
    "an unknown state": {"transactionInfo": {"transactionId": "a", "chargingState": "Asleep"}},
    "a name that is too long": {"transactionInfo": {"transactionId": "a" * 37}},
    "no number": {"seqNo": None},
    "an unknown key": {"extra": 1},
}


@pytest.mark.parametrize("version", ["2.0.1", "2.1"])
def test_what_does_not_fit_its_schema_is_refused(version: str, tmp_path: Path) -> None:
    """It is answered with an error, and changes nothing; so is an action that nobody knows."""
    with world_with(tmp_path) as world, station_on(world, version) as station:
        for wrong in WRONG.values():
            assert station.event("Started", 0, "Charging", **wrong)[0] == ERROR
        for action in ("MakeCoffee", "GetCertificateStatus", "BatterySwap"):
            kind, code, *_ = station.say(action, {})
            assert (kind, code) == (ERROR, "NotImplemented")
        assert pilots(station) == []
        assert station.say("Heartbeat", {})[0] == RESULT


def test_malformed_frames_do_no_harm(station: RawStation) -> None:
    """A frame that is no message is skipped; the next message gets its answer."""
    for frame in FRAMES:
        station.connection.send(frame)
        assert station.say("Heartbeat", {})[0] == RESULT


def test_what_is_only_acknowledged(station: RawStation) -> None:
    """Certificates and needs of a vehicle are refused, and nothing is promised."""
    needs = {"evseId": 1, "chargingNeeds": {"requestedEnergyTransfer": "AC_single_phase"}}
    asked = {"requestId": 1, "generatedAt": at(0), "seqNo": 0}
    for action, payload, answer in (
        ("NotifyEVChargingNeeds", needs, {"status": "Rejected"}),
        ("SignCertificate", {"csr": "a"}, {"status": "Rejected"}),
        ("DataTransfer", {"vendorId": "a"}, {"status": "UnknownVendorId"}),
        ("NotifyReport", asked, {}),
        ("FirmwareStatusNotification", {"status": "Idle"}, {}),
        ("LogStatusNotification", {"status": "Idle"}, {}),
        ("Authorize", {"idToken": {"idToken": "1", "type": "Local"}},
         {"idTokenInfo": {"status": "Accepted"}}),
    ):  # fmt: skip
        assert station.say(action, payload) == [RESULT, answer]


def test_security_events_are_logged_once_a_kind(station: RawStation) -> None:
    """A flood of them fills no log."""
    with capture_logs() as logs:
        for number in range(60):
            event = {"type": f"Tampered{number % 30}", "timestamp": at(0)}
            assert station.say("SecurityEventNotification", event) == [RESULT, {}]
    found = [each["event"] for each in logs if "security" in each["event"]]
    assert len(found) == 20


def test_limits_from_elsewhere_are_handed_on(station: RawStation) -> None:
    """Those of another EVSE are not; the limit comes with its schedules."""
    period = {"startPeriod": 0, "limit": 8.0}
    schedule = {"id": 1, "chargingRateUnit": "A", "chargingSchedulePeriod": [period]}
    limit = {"chargingLimit": {"chargingLimitSource": "SO"}, "chargingSchedule": [schedule]}
    station.say("NotifyChargingLimit", {**limit, "evseId": 2})
    station.say("NotifyChargingLimit", limit)
    station.say("ClearedChargingLimit", {"chargingLimitSource": "SO", "evseId": 1})
    notice, cleared = station.world.recorder.of(ChargingLimitNoticed)
    assert notice.notice is not None
    [given] = notice.notice["charging_schedule"]
    assert given["charging_schedule_period"] == [{"start_period": 0, "limit": 8.0}]
    assert (notice.source, cleared.source, cleared.notice) == ("SO", "SO", None)


def test_a_meter_of_the_home(tmp_path: Path) -> None:
    """At EVSE 0, for the location Inlet: what the home draws and gives."""
    watts = {"location": "Inlet", "unitOfMeasure": {"unit": "W"}}
    samples = [
        {"value": 9.5, "measurand": "Current.Import", "location": "Inlet"},
        {"value": 100, "measurand": "Power.Active.Import", **watts},
        {"value": 350, "measurand": "Power.Active.Export", **watts},
    ]
    payload = {"evseId": 0, "meterValue": [{"timestamp": at(0), "sampledValue": samples}]}
    with (
        world_with(tmp_path, home_phases=1, reports_grid=True) as world,
        station_on(world) as station,
    ):
        assert station.say("MeterValues", payload) == [RESULT, {}]
        assert world.recorder.of(HomeLoad)[0].amps == (9.5,)
        assert world.recorder.of(GridPower)[0].watts == (-250.0,)


def test_another_version_is_asked_anew(tmp_path: Path) -> None:
    """What it said and refused in another version of OCPP no longer counts."""
    with world_with(tmp_path, remembered_at=tmp_path / "kept.json") as world:
        world.ready()
        with station_on(world) as station:
            station.until_ready(2)
            assert "GetVariables" in [action for action, _ in station.asked]
