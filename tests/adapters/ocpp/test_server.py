"""A charge point over OCPP 1.6J without faults: boot, start, charge, stop; its transactions."""

from __future__ import annotations

import json
from datetime import datetime
from pathlib import Path
from threading import Event

import pytest
from ocpp.exceptions import InternalError, NotSupportedError
from ocpp.v16 import call

from adapters.contract.messages import GridPower, HomeLoad, Reading, VehicleReport
from adapters.ocpp_point.events import CallRefused, EquipmentEvent, EquipmentReady
from tests.adapters.ocpp.world import (
    MINUTE,
    NOW,
    PLAN,
    STANDARD,
    STOP,
    World,
    asked_for,
    limits_of,
    start,
    world_with,
)
from tests.support.waiting import patience, wait_until


def test_from_boot_to_the_end(world: World) -> None:
    """A vehicle is plugged in and charged at the commanded current; every event is handed on."""
    plugged = world.equipments.connect(world.port)
    boot = plugged.boot()
    assert (boot.status, boot.interval, boot.current_time) == (
        "Accepted",
        300,
        "2026-06-03T09:00:00.000Z",
    )
    world.recorder.wait_for(EquipmentReady)
    plugged.status("Preparing")
    world.send(start(13.57), *PLAN)
    asked = asked_for(plugged, "RemoteStartTransaction")
    assert (asked["connector_id"], asked["id_tag"]) == (1, "lullwatt")
    assert limits_of(asked["charging_profile"]) == [(0, 13.5), (90, 0), (120, 13.5), (150, 0)]
    transaction = plugged.begin(NOW, 1_000_000)
    assert transaction == 100
    again = asked_for(plugged, "SetChargingProfile")["cs_charging_profiles"]
    assert (again["transaction_id"], again["stack_level"]) == (100, 1)
    plugged.status("Charging")
    power = {"value": "3.1", "measurand": "Power.Active.Import", "unit": "kW"}
    plugged.meter(NOW, {"value": "1000500"}, power, transaction=transaction)
    world.send(STOP)
    stopped = asked_for(plugged, "SetChargingProfile", 2)["cs_charging_profiles"]
    assert limits_of(stopped) == [(0, 0.0)]
    plugged.status("SuspendedEVSE")
    plugged.end(transaction, NOW, 1_000_700)
    plugged.status("Finishing")
    plugged.status("Available")
    assert [each.register_kwh for each in world.recorder.of(Reading)] == [1000.0, 1000.5, 1000.7]
    assert [each.watts for each in world.recorder.of(Reading)] == [None, 3100.0, None]
    assert [each.pilot for each in world.recorder.of(VehicleReport)] == list("BCBBA")
    assert {name for name, _ in world.recorder.events} == {"driveway"}
    assert world.recorder.of(CallRefused) == []


def test_the_standards_boot(world: World) -> None:
    """OCPP-J 1.6, section 4.2: the call of the example gets an answer like the example's result."""
    with world.raw() as connection:
        connection.send(json.dumps(STANDARD["call"]["frame"]))
        kind, unique, payload = json.loads(connection.recv(timeout=patience(5)))
    wanted_kind, wanted_unique, wanted = STANDARD["call_result"]["frame"]
    assert (kind, unique) == (wanted_kind, wanted_unique)
    assert payload["status"] == wanted["status"]
    assert payload["interval"] == wanted["heartbeatInterval"]
    shown = datetime.fromisoformat(payload["currentTime"])
    assert shown == NOW
    assert len(payload["currentTime"]) == len(wanted["currentTime"])


def test_status_meter_and_samples_are_asked_for(world: World) -> None:
    """Status and meter before the equipment is ready; then samples once a minute."""
    plugged = world.ready()
    triggered = [each["requested_message"] for each in plugged.asked("TriggerMessage")]
    assert triggered == ["StatusNotification", "MeterValues"]
    asked_for(plugged, "ChangeConfiguration", 2)
    interval, sampled = plugged.asked("ChangeConfiguration")
    assert (interval["key"], interval["value"]) == ("MeterValueSampleInterval", "60")
    assert sampled["key"] == "MeterValuesSampledData"
    assert "SoC" in sampled["value"].split(",")


def test_equipment_that_refuses_these_requests_is_ready_too(world: World) -> None:
    """These refusals do no harm, and are not reported."""
    plugged = world.equipments.connect(world.port)
    plugged.point.script["TriggerMessage"] = ["NotImplemented", NotSupportedError()]
    plugged.point.script["ChangeConfiguration"] = [
        "NotSupported",
        "Rejected",
        "Rejected",
        "Rejected",
    ]
    plugged.boot()
    world.recorder.wait_for(EquipmentReady)
    assert asked_for(plugged, "ChangeConfiguration", 4)["value"] == "Energy.Active.Import.Register"
    assert world.recorder.of(CallRefused) == []


def test_other_messages_are_acknowledged(world: World) -> None:
    """Cards are accepted, vendors' data refused, firmware notices acknowledged."""
    plugged = world.ready()
    before = len(world.recorder.events)
    assert plugged.say(call.Authorize("tag")).id_tag_info["status"] == "Accepted"
    assert plugged.say(call.DataTransfer("VendorX")).status == "UnknownVendorId"
    assert plugged.say(call.Heartbeat()).current_time == "2026-06-03T09:00:00.000Z"
    plugged.say(call.FirmwareStatusNotification("Idle"))
    plugged.say(call.DiagnosticsStatusNotification("Idle"))
    assert len(world.recorder.events) == before


def test_a_reading_on_another_connector_is_not_ours(world: World) -> None:
    """Messages about a second connector are acknowledged, and nothing more."""
    plugged = world.ready()
    other = plugged.begin(NOW, 5000, connector=2)
    plugged.status("Charging", connector=2)
    plugged.end(other, NOW, 6000)
    assert world.recorder.of(Reading) == []
    assert world.recorder.of(VehicleReport) == []


def test_what_is_acknowledged_has_been_handled(tmp_path: Path) -> None:
    """Equipment gets its answer only after its message has been handled."""
    handling, may_go_on = Event(), Event()

    def on_event(_charge_point: str, event: EquipmentEvent) -> None:
        if isinstance(event, Reading):
            handling.set()
            assert may_go_on.wait(patience(5))

    with world_with(tmp_path, on_event=on_event) as world, world.raw() as connection:
        values = [{"timestamp": NOW.isoformat(), "sampledValue": [{"value": "5"}]}]
        payload = {"connectorId": 1, "meterValue": values}
        connection.send(json.dumps([2, "7", "MeterValues", payload]))
        assert handling.wait(patience(5))
        with pytest.raises(TimeoutError):
            connection.recv(timeout=0.1)
        may_go_on.set()
        assert json.loads(connection.recv(timeout=patience(5))) == [3, "7", {}]


def test_a_message_that_could_not_be_stored_is_not_acknowledged(world: World) -> None:
    """If the ledger fails, the answer is InternalError, and equipment may repeat the message."""
    plugged = world.ready()
    world.recorder.fails = OSError("disk full")
    with pytest.raises(InternalError):
        plugged.begin(NOW)
    world.recorder.fails = None
    assert plugged.begin(NOW) == 100
    assert [each.register_kwh for each in world.recorder.of(Reading)] == [1.0]


def test_an_event_that_could_not_be_handled(world: World) -> None:
    """If an event that is no message of the equipment fails, the connection goes on."""
    world.recorder.fails = OSError("disk full")
    plugged = world.equipments.connect(world.port)
    plugged.boot()
    wait_until(lambda: world.server.ready == {"driveway"})
    world.recorder.fails = None
    world.send(start())
    asked_for(plugged, "RemoteStartTransaction")


def test_a_fault_of_the_server_closes_the_connection(
    world: World, monkeypatch: pytest.MonkeyPatch
) -> None:
    """If sending a command fails, the connection is closed (1011), and equipment returns."""
    plugged = world.ready()
    monkeypatch.setattr("adapters.ocpp.limiter.limits", None)
    world.send(start())
    wait_until(lambda: plugged.closed)
    assert plugged.closed == (1011, "")
    monkeypatch.undo()
    back = world.ready()
    world.send(start())
    asked_for(back, "RemoteStartTransaction")


def test_a_repeated_start_is_one_transaction(world: World) -> None:
    """A StartTransaction repeated after a lost answer gets the same number."""
    plugged = world.ready()
    assert plugged.begin(NOW) == plugged.begin(NOW) == 100
    assert plugged.begin(NOW + MINUTE) == 101


def test_a_repeated_end_sets_no_register_back(world: World) -> None:
    """What was counted from the power since another start stays."""
    plugged = world.ready()
    power = {"value": "2300", "measurand": "Power.Active.Import", "unit": "W"}
    earlier = plugged.begin(NOW, 1000)
    plugged.end(earlier, NOW, 1100)
    now = plugged.begin(NOW + MINUTE, 1200)
    plugged.meter(NOW + 2 * MINUTE, power, transaction=now)
    plugged.end(earlier, NOW, 1100)
    plugged.meter(NOW + 8 * MINUTE, power, transaction=now)
    assert world.recorder.of(Reading)[-1].register_kwh == 1.43  # 2,300 W for 6 minutes: 230 Wh


def test_a_transaction_that_begins_by_itself_is_stopped(world: World) -> None:
    """While a stop is in force, a vehicle that is plugged in gets no current."""
    plugged = world.ready()
    world.send(STOP)
    plugged.status("Preparing")
    transaction = plugged.begin(NOW)
    asked = asked_for(plugged, "SetChargingProfile")["cs_charging_profiles"]
    assert (asked["transaction_id"], limits_of(asked)) == (transaction, [(0, 0)])


def test_a_start_names_its_phases_and_a_stop_keeps_them(tmp_path: Path) -> None:
    """Equipment that switches is told one phase or three with each start, and none by a stop."""
    with world_with(tmp_path, phases=3) as world:
        plugged = world.ready()
        on_one = start(8.0).model_copy(update={"phases": 1})
        world.send(on_one)
        asked_for(plugged, "RemoteStartTransaction")
        plugged.begin(NOW)
        found = []
        again = start(10.0).model_copy(update={"phases": 1, "serial": 9})
        on_all = start(8.0).model_copy(update={"phases": 3, "serial": 11})
        stop = STOP.model_copy(update={"serial": 10})
        asked_for(plugged, "SetChargingProfile")
        for number, command in enumerate((again, stop, on_all), start=2):
            world.send(command)
            profile = asked_for(plugged, "SetChargingProfile", number)["cs_charging_profiles"]
            periods = profile["charging_schedule"]["charging_schedule_period"]
            found.append((periods[0]["limit"], periods[0]["number_phases"]))
    assert found == [(10.0, 1), (0.0, 1), (8.0, 3)]


def test_a_command_that_was_never_sent_is_not_accepted(world: World) -> None:
    """Whoever waits for a stop names it: that of a start before it does not count."""
    plugged = world.ready()
    first = start(8.0)
    world.send(first)
    asked_for(plugged, "RemoteStartTransaction")
    wait_until(lambda: world.server.has_accepted("driveway", first.serial), what="the start")
    assert not world.server.has_accepted("driveway", STOP.serial)
    assert not world.server.has_accepted("elsewhere", first.serial)


def test_the_end_of_a_transaction_ends_the_charge(world: World) -> None:
    """Equipment may report no status and send no sample after it."""
    plugged = world.ready()
    transaction = plugged.begin(NOW)
    plugged.status("Charging")
    plugged.end(transaction, NOW + MINUTE, 2000)
    reports = [(each.at, each.pilot) for each in world.recorder.of(VehicleReport)]
    assert reports == [(NOW, "C"), (NOW + MINUTE, "B")]


def test_a_late_end_does_not_end_the_present_transaction(world: World) -> None:
    """The end of an earlier transaction, reported late, leaves the present one running."""
    plugged = world.ready()
    earlier, present = plugged.begin(NOW - 60 * MINUTE), plugged.begin(NOW)
    plugged.end(earlier, NOW - 30 * MINUTE, 900)
    world.send(start())
    asked = asked_for(plugged, "SetChargingProfile")["cs_charging_profiles"]
    assert asked["transaction_id"] == present


def test_samples_of_an_earlier_transaction_do_not_bring_it_back(world: World) -> None:
    """Meter values stored while the connection was lost name a transaction that is over."""
    plugged = world.ready()
    earlier, present = plugged.begin(NOW - 60 * MINUTE), plugged.begin(NOW)
    plugged.meter(NOW - 50 * MINUTE, {"value": "5"}, transaction=earlier)
    world.send(start())
    asked = asked_for(plugged, "SetChargingProfile")["cs_charging_profiles"]
    assert asked["transaction_id"] == present


def test_a_transaction_whose_end_was_never_reported(world: World) -> None:
    """If a profile is refused and the status shows no transaction, a new one is begun."""
    plugged = world.ready()
    plugged.begin(NOW)
    plugged.status("Preparing")  # after a loss of power, say
    plugged.point.script["SetChargingProfile"] = ["Rejected"] * 9
    world.send(start(11))
    asked = asked_for(plugged, "RemoteStartTransaction")["charging_profile"]
    assert "transaction_id" not in asked
    assert limits_of(asked) == [(0, 11.0), (30, 0.0)]
    assert world.recorder.of(CallRefused) == []


def test_a_restarted_daemon_learns_the_transaction(world: World) -> None:
    """Meter values name a transaction that began before the daemon did."""
    plugged = world.ready()
    plugged.status("Charging")
    world.send(start(10))
    first = asked_for(plugged, "SetChargingProfile")["cs_charging_profiles"]
    assert "transaction_id" not in first
    plugged.meter(NOW, {"value": "5"}, transaction=77)
    second = asked_for(plugged, "SetChargingProfile", 2)["cs_charging_profiles"]
    assert second["transaction_id"] == 77


@pytest.mark.parametrize("home_phases", [3, 0])
def test_a_meter_of_the_home_is_handed_on(tmp_path: Path, home_phases: int) -> None:
    """Only where it is declared; of the whole equipment, and every 10 seconds."""
    currents = {"L1": "21.3", "L2": "4", "L3": "6.5"}
    sampled = [
        {"value": value, "measurand": "Current.Import", "location": "Inlet", "phase": phase}
        for phase, value in currents.items()
    ]
    values = [{"timestamp": NOW.isoformat(), "sampled_value": sampled}]
    with world_with(tmp_path, home_phases=home_phases) as world:
        plugged = world.ready()
        asked_for(plugged, "ChangeConfiguration", 4 if home_phases else 2)
        plugged.say(call.MeterValues(0, values))
        loads = world.recorder.of(HomeLoad)
        asked = {each["key"]: each["value"] for each in plugged.asked("ChangeConfiguration")}
    assert [each.amps for each in loads] == ([(21.3, 4.0, 6.5)] if home_phases else [])
    assert asked["MeterValueSampleInterval"] == ("10" if home_phases else "60")
    assert asked.get("ClockAlignedDataInterval") == ("10" if home_phases else None)


def test_a_meter_at_the_grid_is_handed_on(tmp_path: Path) -> None:
    """Its export is asked for, and with less if the equipment refuses that."""
    sampled = [
        {"value": value, "measurand": f"Power.Active.{way}", "location": "Inlet"}
        for way, value in (("Import", "0"), ("Export", "1840.5"))
    ]
    values = [{"timestamp": NOW.isoformat(), "sampled_value": sampled}]
    with world_with(tmp_path, home_phases=1, reports_grid=True) as world:
        plugged = world.ready()
        asked_for(plugged, "ChangeConfiguration", 4)
        plugged.say(call.MeterValues(0, values))
        powers = world.recorder.of(GridPower)
        asked = {each["key"]: each["value"] for each in plugged.asked("ChangeConfiguration")}
    assert [each.watts for each in powers] == [(-1840.5,)]
    assert asked["MeterValuesAlignedData"] == (
        "Current.Import,Power.Active.Import,Power.Active.Export"
    )
