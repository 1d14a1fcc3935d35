"""Ways to limit a charge, by what the equipment can: the best one is taken, and none allows more.

What equipment may answer follows the Open Charge Alliance's OCPP 1.6, sections 3.13, 5.16 and 9.3
(cited from memory).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import pytest
from ocpp.exceptions import NotImplementedError as NotKnown
from ocpp.v16 import call

from adapters.ocpp_point.events import CallRefused, EquipmentReady, EquipmentTrouble
from adapters.ocpp_point.remembered import Remembered
from tests.adapters.ocpp.world import (
    MINUTE,
    NOW,
    PATIENCE,
    PLAN,
    STANDING,
    STOP,
    World,
    asked_for,
    start,
    world_with,
)
from tests.support.waiting import wait_until

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from tests.support.ocpp_equipment import EquipmentConnection

SMART = "Core,SmartCharging,RemoteTrigger"


def connected(
    world: World, configuration: dict[str, str] | None = None, **script: list[Any]
) -> EquipmentConnection:
    """Connect equipment with these answers, and wait until it is set up."""
    times = len(world.recorder.of(EquipmentReady)) + 1
    plugged = world.equipments.connect(world.port)
    plugged.point.configuration = configuration
    for name, answers in script.items():
        plugged.point.script[name] = answers
    plugged.boot()
    world.recorder.wait_for(EquipmentReady, times)
    asked_for(plugged, "ChangeConfiguration")  # comes after all profiles that stay
    return plugged


def limits_in(profile: dict[str, Any]) -> list[float]:
    return [each["limit"] for each in profile["charging_schedule"]["charging_schedule_period"]]


@pytest.fixture
def three_phases(tmp_path: Path) -> Iterator[World]:
    with world_with(tmp_path, phases=3) as world:
        yield world


def test_a_charge_that_begins_without_the_daemon_waits(world: World) -> None:
    """A default profile of 0 A from the start on, and the file's highest current, are stored."""
    plugged = connected(world)
    waiting, highest = (each["cs_charging_profiles"] for each in plugged.point.standing)
    assert (waiting["charging_profile_purpose"], limits_in(waiting)) == ("TxDefaultProfile", [0])
    assert waiting["charging_profile_kind"] == "Relative"
    assert (highest["charging_profile_purpose"], limits_in(highest)) == (
        "ChargePointMaxProfile", [32],
    )  # fmt: skip
    assert [each["connector_id"] for each in plugged.point.standing] == [1, 0]
    plugged.boot()  # which may have forgotten them
    wait_until(lambda: len(plugged.point.standing) == 2 * STANDING)


def test_a_declared_current_is_allowed_alone(tmp_path: Path) -> None:
    """A household may let a charge begin without the daemon, at a current that it names."""
    with world_with(tmp_path, alone_amps=8.0) as world:
        plugged = connected(world)
        assert limits_in(plugged.point.standing[0]["cs_charging_profiles"]) == [8]


def test_equipment_that_knows_watts_only(three_phases: World) -> None:
    """It gets the power of all phases, rounded down."""
    said = {"SupportedFeatureProfiles": SMART, "ChargingScheduleAllowedChargingRateUnit": "Power"}
    plugged = connected(three_phases, said)
    three_phases.send(start(16.07))
    profile = asked_for(plugged, "RemoteStartTransaction")["charging_profile"]
    assert profile["charging_schedule"]["charging_rate_unit"] == "W"
    assert limits_in(profile) == [11_088, 0]  # 16.07 A x 230 V x 3 = 11,088.3 W
    highest = plugged.point.standing[1]["cs_charging_profiles"]
    assert limits_in(highest) == [22_080]


def test_a_vehicle_with_fewer_phases_than_the_equipment(tmp_path: Path) -> None:
    """Watts are those of the vehicle's phases: all of them may flow on that one."""
    with world_with(tmp_path, phases=3, vehicle_phases=1) as world:
        said = {"ChargingScheduleAllowedChargingRateUnit": "Power"}
        plugged = connected(world, said)
        world.send(start(16))
        assert limits_in(asked_for(plugged, "RemoteStartTransaction")["charging_profile"]) == [
            3680, 0,
        ]  # fmt: skip


@pytest.mark.parametrize(("said", "watts"), [("true", 11_040), ("false", 3680)])
def test_watts_on_phases_that_are_switched(said: str, watts: int, tmp_path: Path) -> None:
    """Those of three phases are only sent to equipment that says that it switches them."""
    with world_with(tmp_path, phases=3, vehicle_phases=3) as world:
        configuration = {
            "ChargingScheduleAllowedChargingRateUnit": "Power",
            "ConnectorSwitch3to1PhaseSupported": said,
        }
        plugged = connected(world, configuration)
        world.send(start(16).model_copy(update={"phases": 3}))
        profile = asked_for(plugged, "RemoteStartTransaction")["charging_profile"]
        assert limits_in(profile) == [watts, 0]


def test_watts_are_found_out(world: World) -> None:
    """Equipment that does not say what it knows, and refuses amperes, is sent watts."""
    plugged = connected(world, None, TxDefaultProfile=["Rejected"])
    world.send(start(16))
    assert limits_in(asked_for(plugged, "RemoteStartTransaction")["charging_profile"]) == [3680, 0]


def test_a_profile_that_a_start_may_not_carry(world: World) -> None:
    """It begins alone, held back by the default profile, and gets its profile after."""
    plugged = connected(world, None, RemoteStartTransaction=["Rejected"])
    world.send(start(16))
    assert "charging_profile" not in asked_for(plugged, "RemoteStartTransaction", 2)
    plugged.begin(NOW)
    profile = asked_for(plugged, "SetChargingProfile")["cs_charging_profiles"]
    assert limits_in(profile) == [16, 0]


def test_a_default_profile_in_place_of_one_for_the_transaction(world: World) -> None:
    """It is set before the start, changed while the charge runs, and is 0 A again afterwards."""
    plugged = connected(world, {"MaxChargingProfilesInstalled": "1"})
    world.send(start(16), *PLAN)
    assert "charging_profile" not in asked_for(plugged, "RemoteStartTransaction")

    def defaults() -> list[list[float]]:
        return [limits_in(each["cs_charging_profiles"]) for each in plugged.point.standing]

    assert defaults() == [[0], [16, 0, 16, 0]]
    transaction = plugged.begin(NOW)
    wait_until(lambda: len(defaults()) == 3)
    world.send(STOP)
    wait_until(lambda: len(defaults()) == 4)
    assert defaults()[-1] == [0]
    plugged.end(transaction, NOW, 2000)
    world.send(replace_serial(STOP))
    wait_until(lambda: len(defaults()) == 5)
    last = plugged.point.standing[-1]["cs_charging_profiles"]
    assert last["charging_profile_kind"] == "Relative"
    assert plugged.asked("SetChargingProfile") == []


def replace_serial(command: Any) -> Any:  # noqa: ANN401 - a command
    return command.model_copy(update={"serial": command.serial + 1})


def test_transactions_that_only_the_default_profile_limits(world: World) -> None:
    """That its own profile is refused is found out once, and remembered."""
    refused = ["Rejected"] * 20
    plugged = connected(
        world, None, RemoteStartTransaction=["Rejected"], SetChargingProfile=refused
    )
    world.send(start(16))
    asked_for(plugged, "RemoteStartTransaction", 2)
    plugged.begin(NOW)
    wait_until(lambda: limits_in(plugged.point.standing[-1]["cs_charging_profiles"]) == [16, 0])
    tried = len(plugged.asked("SetChargingProfile"))
    world.send(STOP)
    wait_until(lambda: limits_in(plugged.point.standing[-1]["cs_charging_profiles"]) == [0])
    assert len(plugged.asked("SetChargingProfile")) == tried
    assert plugged.asked("RemoteStopTransaction") == []


def test_a_single_period(world: World) -> None:
    """It ends where the command does, and the default profile of 0 A counts afterwards."""
    plugged = connected(world, {"ChargingScheduleMaxPeriods": "1"})
    world.send(start(16), *PLAN)
    schedule = asked_for(plugged, "RemoteStartTransaction")["charging_profile"]["charging_schedule"]
    assert [each["limit"] for each in schedule["charging_schedule_period"]] == [16]
    assert schedule["duration"] == 91 * 60  # it begins a minute ago; the plan's part has 90


def test_a_single_period_without_a_default_profile_never_ends(world: World) -> None:
    """Where nothing counts after its end, more could flow than was commanded."""
    no = [NotKnown("")] * 4
    plugged = connected(world, {"ChargingScheduleMaxPeriods": "1"}, TxDefaultProfile=no)
    world.send(start(16), *PLAN)
    schedule = asked_for(plugged, "RemoteStartTransaction")["charging_profile"]["charging_schedule"]
    assert "duration" not in schedule


CORE = {"SupportedFeatureProfiles": "Core,FirmwareManagement"}


def test_equipment_without_smart_charging_only_gets_its_full_current(world: World) -> None:
    """A start at less would be exceeded: it is not sent, and the alert says what to declare."""
    plugged = connected(world, CORE)
    assert plugged.point.standing == []
    world.recorder.wait_for(EquipmentTrouble)
    (trouble,) = world.recorder.of(EquipmentTrouble)
    assert trouble.code == "no-current-control"
    world.send(start(16))
    world.recorder.wait_for(CallRefused)
    assert plugged.asked("RemoteStartTransaction") == []
    world.send(start(32))
    assert "charging_profile" not in asked_for(plugged, "RemoteStartTransaction")
    transaction = plugged.begin(NOW)
    world.send(start(16).model_copy(update={"serial": 9}))  # it can't be lowered, so it ends
    assert asked_for(plugged, "RemoteStopTransaction") == {"transaction_id": transaction}
    assert plugged.asked("SetChargingProfile") == []


def test_equipment_that_is_only_switched(tmp_path: Path) -> None:
    """Declared as on_off it is started and stopped, and nothing is wrong."""
    with world_with(tmp_path, sets_current=False) as world:
        plugged = connected(world, CORE)
        world.send(start(16))
        assert "charging_profile" not in asked_for(plugged, "RemoteStartTransaction")
        transaction = plugged.begin(NOW)
        world.send(STOP)
        assert asked_for(plugged, "RemoteStopTransaction") == {"transaction_id": transaction}
        assert world.recorder.of(EquipmentTrouble) == []


def test_a_start_without_an_end_beside_others_on_the_fuse(tmp_path: Path) -> None:
    """Others count on the end of a charge: one that can't end by itself does not begin."""
    with world_with(tmp_path, may_not_end=False) as world:
        plugged = connected(world, CORE)
        world.send(start(32))
        world.recorder.wait_for(CallRefused)
        assert plugged.asked("RemoteStartTransaction") == []


def test_a_current_that_can_not_be_lowered(world: World) -> None:
    """The second refusal of a lower current ends the transaction."""
    plugged = connected(world)
    world.send(start(16))
    asked_for(plugged, "RemoteStartTransaction")
    transaction = plugged.begin(NOW)
    plugged.status("Charging")
    asked_for(plugged, "SetChargingProfile")
    plugged.point.script["SetChargingProfile"] = ["Rejected"] * 1000
    world.send(start(10).model_copy(update={"serial": 9}))
    assert asked_for(plugged, "RemoteStopTransaction") == {"transaction_id": transaction}


def test_what_was_refused_is_remembered(tmp_path: Path) -> None:
    """Also by the next daemon, until other firmware reports."""
    kept = tmp_path / "kept.json"
    with world_with(tmp_path, remembered_at=kept) as world:
        plugged = connected(world, None, RemoteStartTransaction=["Rejected"])
        world.send(start(16))
        asked_for(plugged, "RemoteStartTransaction", 2)
        wait_until(lambda: "with-start" in kept.read_text())
    with world_with(tmp_path, remembered_at=kept) as world:
        plugged = connected(world)
        world.send(start(16))
        assert "charging_profile" not in asked_for(plugged, "RemoteStartTransaction")
        plugged.say(call.BootNotification("KC-7", "Kowhai Cottage", firmware_version="2.0"))
        world.recorder.wait_for(EquipmentReady, 2)
        world.send(start(16).model_copy(update={"serial": 9}))
        assert "charging_profile" in asked_for(plugged, "RemoteStartTransaction", 2)


def test_a_command_that_is_refused_three_times(world: World) -> None:
    """It is reported with what to do, and again when the command is accepted."""
    plugged = connected(world, None, RemoteStartTransaction=["Rejected"] * 7)
    world.send(start(16))
    world.recorder.wait_for(EquipmentTrouble, 2)
    wrong, over = world.recorder.of(EquipmentTrouble)
    assert wrong.trouble is not None
    assert wrong.trouble.startswith("RemoteStartTransaction: Rejected; look whether a vehicle")
    assert over == replace(wrong, trouble=None)
    assert len(plugged.asked("RemoteStartTransaction")) == 8


def test_release(tmp_path: Path) -> None:
    """All profiles are cleared by their numbers; what can't be cleared is opened."""
    with world_with(tmp_path, keeps_profiles=False) as world:
        plugged = connected(world)
        assert plugged.point.standing == []
        assert world.server.release("driveway", 10) == ()
        assert [each["id"] for each in plugged.asked("ClearChargingProfile")] == [1, 2, 3]
        no = NotKnown("")
        plugged.point.script["ClearChargingProfile"] = ["Unknown", "Unknown", no, no, no, no]
        assert world.server.release("driveway", 10) == ("it keeps its ChargePointMaxProfile",)
        (opened,) = plugged.point.standing
        assert limits_in(opened["cs_charging_profiles"]) == [32]
    assert world.server.release("driveway", 10) is None


def test_equipment_that_pauses_by_itself(world: World) -> None:
    """SuspendedEVSE, though it may charge, is reported after two minutes, and its end."""
    plugged = connected(world)
    world.send(start(16))
    asked_for(plugged, "RemoteStartTransaction")
    plugged.begin(NOW)
    asked_for(plugged, "SetChargingProfile")
    for minute, status in ((1, "Charging"), (2, "SuspendedEVSE"), (3, "SuspendedEVSE")):
        world.clock.advance_to(NOW + minute * MINUTE)
        plugged.status(status)
        plugged.say(call.Heartbeat())  # what follows a message is over once the next is answered
    assert world.recorder.of(EquipmentTrouble) == []
    world.clock.advance_to(NOW + 4 * MINUTE)
    plugged.say(call.Heartbeat())
    world.recorder.wait_for(EquipmentTrouble)
    plugged.status("Charging")
    world.recorder.wait_for(EquipmentTrouble, 2)
    paused, over = world.recorder.of(EquipmentTrouble)
    assert (paused.code, over) == ("equipment-pauses", replace(paused, trouble=None))


def test_equipment_that_accepts_a_start_and_does_nothing(tmp_path: Path) -> None:
    """It is asked for its status, which shows that no charge has begun."""
    patience = replace(PATIENCE, start_seconds=0.05)
    with world_with(tmp_path, patience) as world:
        plugged = connected(world)
        asked = len(plugged.asked("TriggerMessage"))
        world.send(start(16))
        asked_for(plugged, "RemoteStartTransaction")
        asked_for(plugged, "TriggerMessage", asked + 2)


def test_a_default_profile_that_is_refused_once(world: World) -> None:
    """The one of 0 A is still there, and holds the next start back."""
    plugged = connected(world, None, RemoteStartTransaction=["Rejected"])
    world.send(start(16))
    asked_for(plugged, "RemoteStartTransaction", 2)
    plugged.point.script["SetChargingProfile"] = ["Rejected"] * 10**6
    plugged.point.script["TxDefaultProfile"] = ["Rejected"] * 10**6
    transaction = plugged.begin(NOW)
    world.recorder.wait_for(CallRefused)
    plugged.end(transaction, NOW, 2000)
    plugged.status("Preparing")
    world.clock.advance_to(NOW + MINUTE)
    world.send(start(16).model_copy(update={"serial": 9}))
    asked_for(plugged, "RemoteStartTransaction", 3)


def test_what_was_not_answered_is_asked_again(tmp_path: Path) -> None:
    """The answer may have been lost: once a command is refused twice, what it can is asked."""
    kept = tmp_path / "kept.json"
    with world_with(tmp_path, remembered_at=kept) as world:
        plugged = world.ready()
        plugged.point.configuration = {"ChargingScheduleMaxPeriods": "3"}
        plugged.point.script["RemoteStartTransaction"] = ["Rejected"] * 100
        world.send(start())
        wait_until(
            lambda: Remembered(kept).of("driveway").most_periods == 3, what="asked once more"
        )
