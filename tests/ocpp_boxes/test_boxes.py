"""A cheap part of the campaign, and proof that it can fail. `make boxes` plays all of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, Any

import pytest

from daemon.messaging.ocpp_equipment import OcppEquipment
from tests.ocpp_boxes.box import Drawn
from tests.ocpp_boxes.kinds import KINDS
from tests.ocpp_boxes.nights import CHEAP_FROM, MINUTE, PLUGS_IN, START, Night, Record
from tests.ocpp_boxes.profiles import Stored, allowed_amps, fault_of
from tests.ocpp_boxes.verdict import judge
from tests.support.brokers import free_port

if TYPE_CHECKING:
    from pathlib import Path

    from tests.support.brokers import Mosquitto

AMPERES = KINDS[0]
HOUR = timedelta(hours=1)


def kind_named(name: str) -> Any:  # noqa: ANN401 - a kind
    return next(kind for kind in KINDS if kind.name == name)


@pytest.mark.parametrize(
    ("name", "behaviour"),
    [("watts, unsaid, 3 phases", "unplugged in the charge"), ("no smart charging", "normal night")],
)
def test_a_night(
    name: str, behaviour: str, quick_mosquitto: Mosquitto, tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    """Nothing is above the command or outside the plan, and what is needed is charged."""
    monkeypatch.setattr("daemon.service.running.OcppEquipment", OcppEquipment)  # to undo its own
    kind = kind_named(name)
    night = Night(tmp_path, kind, behaviour, quick_mosquitto.bus.broker, free_port())
    verdict = judge(night.play(), kind, behaviour)
    assert verdict.wrong == ()
    assert verdict.kwh > 8.8


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
