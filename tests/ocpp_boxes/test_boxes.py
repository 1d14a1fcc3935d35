"""A cheap part of the campaign, and proof that it can fail. `make boxes` plays all of it."""

from __future__ import annotations

from contextlib import contextmanager
from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from adapters.clocks.clock import VirtualClock
from config.household.loading import load_household
from daemon.messaging.ocpp_equipment import OcppEquipment, ocpp_server_of
from tests.ocpp_boxes.box import Box
from tests.ocpp_boxes.hardware import VOLTS, Drawn, Hardware, Vehicle
from tests.ocpp_boxes.kinds import KINDS, Kind
from tests.ocpp_boxes.link import Answer, Link
from tests.ocpp_boxes.nights import (
    CHEAP_FROM,
    IDENTITY,
    MINUTE,
    PASSWORD,
    PLUGS_IN,
    START,
    Night,
    Record,
    household,
)
from tests.ocpp_boxes.profiles import UNBOUNDED, Stored, allowed_amps, fault_of
from tests.ocpp_boxes.verdict import judge
from tests.support.brokers import free_port
from tests.support.waiting import patience, wait_until

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from adapters.ocpp.server import OcppServer
    from config.household.household_file import HouseholdFile
    from tests.support.brokers import Mosquitto

AMPERES = KINDS[0]
HOUR = timedelta(hours=1)


def kind_named(name: str) -> Kind:
    return next(kind for kind in KINDS if kind.name == name)


def test_a_night(
    quick_mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is above the command or outside the plan, and what is needed is charged."""
    monkeypatch.setattr("daemon.service.running.OcppEquipment", OcppEquipment)  # to undo its own
    kind, behaviour = kind_named("watts, unsaid, 3 phases"), "unplugged in the charge"
    night = Night(tmp_path, kind, behaviour, quick_mosquitto.bus.broker, free_port())
    verdict = judge(night.play(), kind, behaviour)
    assert verdict.wrong == ()
    assert verdict.kwh > 8.8


@pytest.mark.parametrize("name", ["amperes", "watts, unsaid, 3 phases", "default profile only"])
def test_a_box_is_not_left_dead(name: str, tmp_path: Path) -> None:
    """Its limit of 0 A is there while a daemon serves it, and gone once it is released."""
    assert_released(kind_named(name), tmp_path, Box)


def assert_released(kind: Kind, folder: Path, make_box: Callable[..., Hardware]) -> None:
    """Serve a box, then release it, and look what its profiles allow each time."""
    port = free_port()
    file = load_household(household(folder, kind, "", port, "mqtt://127.0.0.1:1883"))

    def connects(on_call: Callable[[str, dict[str, Any]], Answer | None]) -> Link:
        url = f"ws://127.0.0.1:{port}{kind.path}"
        return Link(
            url, IDENTITY, PASSWORD, on_call, answers_after=0, answer_seconds=30,
            version=kind.version, check=box.check,
        )  # fmt: skip

    box = make_box(kind, START, connects)
    box.plug_in(Vehicle(8.0, kind.vehicle_phases))

    def allowed() -> float:
        phases = kind.vehicle_phases
        return allowed_amps(box.stored, START + HOUR, START, volts=VOLTS, phases=phases)

    with serving(file, box, keeps_profiles=True):
        wait_until(lambda: allowed() == 0, what="a limit of 0 A")
    with serving(file, box, keeps_profiles=False) as server:
        assert allowed() == 0
        assert server.release("driveway", patience()) == ()
        assert allowed() == UNBOUNDED
    assert box.invalid == []


@contextmanager
def serving(file: HouseholdFile, box: Hardware, *, keeps_profiles: bool) -> Iterator[OcppServer]:
    """Serve a box until it is ready, and on."""
    assert file.ocpp is not None
    server = ocpp_server_of(
        file, lambda *_event: None, VirtualClock(START), keeps_profiles=keeps_profiles
    )
    server.start("127.0.0.1", file.ocpp.port)

    def is_ready() -> bool:
        box.report()
        return "driveway" in server.ready

    try:
        wait_until(is_ready, what="a connection")
        yield server
    finally:
        server.stop()
        box.disconnect()


def planned_night() -> Record:
    """Record an hour at 16 A, as planned and commanded."""
    end = CHEAP_FROM + HOUR
    account = {"energy_kwh": 3.68, "cost": 0.37}
    return Record(
        commands=[(START, 0.0, PLUGS_IN), (CHEAP_FROM, 16.0, end), (end, 0.0, end + HOUR)],
        plans=[(PLUGS_IN, [(CHEAP_FROM, end, 16.0)])],
        nights=[account],
        trace=[Drawn(CHEAP_FROM, end, 16.0)],
        register_kwh=3.68,
    )


FAULTS: dict[str, tuple[dict[str, Any], str]] = {
    "too much": (
        {"trace": [Drawn(CHEAP_FROM, CHEAP_FROM + HOUR, 17.0)]}, "drew more than commanded",
    ),
    "too long": (
        {"trace": [Drawn(CHEAP_FROM, CHEAP_FROM + 2 * HOUR, 16.0)]}, "outside the plan",
    ),
    "too early": (
        {"trace": [Drawn(PLUGS_IN, PLUGS_IN + 10 * MINUTE, 16.0)]}, "outside the plan",
    ),
    "too little": ({"missing_kwh": 1.0}, "of the need are missing"),
    "no account": ({"nights": []}, "no account"),
    "a wrong account": ({"register_kwh": 5.0}, "the account has"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_faults_are_found(fault: str) -> None:
    """Each thing that must never happen is wrong in the table."""
    assert judge(planned_night(), AMPERES, "normal night").wrong == ()
    changed, said = FAULTS[fault]
    found = judge(replace(planned_night(), **changed), AMPERES, "normal night").wrong
    assert any(said in each for each in found), found


def test_a_missing_alert_is_found() -> None:
    """A contactor that sticks must be alarmed of."""
    assert judge(planned_night(), AMPERES, "sticks on").wrong == ("no alert power-after-stop",)


def profile(purpose: str, limit: float, **more: Any) -> Stored:  # noqa: ANN401 - JSON
    schedule = {
        "chargingRateUnit": "A", "startSchedule": START.isoformat(),
        "chargingSchedulePeriod": [{"startPeriod": 0, "limit": limit}], **more,
    }  # fmt: skip
    return Stored(1, {
        "chargingProfilePurpose": purpose, "stackLevel": 0, "chargingProfileId": 1,
        "chargingProfileKind": "Absolute", "chargingSchedule": schedule,
    })  # fmt: skip


def test_what_profiles_allow_together() -> None:
    """That of the transaction counts before the default one, and the highest bounds both."""
    at = START + HOUR
    default, highest = profile("TxDefaultProfile", 0), profile("ChargePointMaxProfile", 10)
    own, ended = profile("TxProfile", 16), profile("TxProfile", 16, duration=60)
    stored: tuple[list[Stored], ...] = (
        [],
        [default],
        [default, own],
        [default, own, highest],
        [default, ended],
    )
    found = [allowed_amps(each, at, START, volts=230, phases=1) for each in stored]
    assert found == [1e9, 0, 16, 10, 0]
    watts = profile("TxProfile", 3680, chargingRateUnit="W")
    assert allowed_amps([watts], at, START, volts=230, phases=1) == 16


def test_what_a_box_can_not_take() -> None:
    """Its unit, its number of periods, its levels."""
    sent = profile("TxProfile", 16).profile
    limits = {"units": "A", "most_periods": 1, "levels": 0}
    assert fault_of(sent, **limits) is None  # type: ignore[arg-type]
    assert fault_of(sent, **(limits | {"units": "W"})) == "its unit"  # type: ignore[arg-type]
    assert fault_of(sent | {"stackLevel": 1}, **limits) == "its level"  # type: ignore[arg-type]
