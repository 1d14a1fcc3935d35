"""A cheap part of the campaign, and proof that it can fail. `make stations` plays all of it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from daemon.messaging.ocpp_equipment import OcppEquipment
from tests.ocpp_boxes.link import CALL, RESULT
from tests.ocpp_boxes.nights import Night
from tests.ocpp_boxes.test_boxes import assert_released
from tests.ocpp_boxes.verdict import judge
from tests.ocpp_stations.kinds import KINDS
from tests.ocpp_stations.schemas import fault_in
from tests.ocpp_stations.station import Station
from tests.support.brokers import free_port

if TYPE_CHECKING:
    from pathlib import Path

    from tests.ocpp_boxes.kinds import Kind
    from tests.support.brokers import Mosquitto


def kind_named(name: str) -> Kind:
    return next(kind for kind in KINDS if kind.name == name)


def test_a_night(
    quick_mosquitto: Mosquitto, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing is above the command or outside the plan, and what is needed is charged."""
    monkeypatch.setattr("daemon.service.running.OcppEquipment", OcppEquipment)  # to undo its own
    kind, behaviour = kind_named("2.1"), "reconnects in the charge"
    night = Night(
        tmp_path, kind, behaviour, quick_mosquitto.bus.broker, free_port(), make_box=Station
    )
    verdict = judge(night.play(), kind, behaviour)
    assert verdict.wrong == ()
    assert verdict.kwh > 8.8


@pytest.mark.parametrize("name", ["2.0.1", "default profile only"])
def test_a_station_is_not_left_dead(name: str, tmp_path: Path) -> None:
    """Its limit of 0 A is there while a daemon serves it, and gone once it is released."""
    assert_released(kind_named(name), tmp_path, Station)


def test_messages_that_do_not_fit_are_found() -> None:
    """The schemas that judge them are those of the version."""
    evse = {"connectorId": 1, "evseId": 1, "connectorStatus": "Occupied"}
    status = {"timestamp": "2026-06-03T09:00:00Z", **evse}
    assert fault_in("2.0.1", CALL, "StatusNotification", status) is None
    fault = fault_in("2.0.1", CALL, "StatusNotification", evse)
    assert fault == "StatusNotificationRequest: 'timestamp' is a required property"
    limited = {"status": "NoChargingProfile"}
    assert fault_in("2.1", RESULT, "NotifyEVChargingNeeds", limited) is None
    assert fault_in("2.0.1", RESULT, "NotifyEVChargingNeeds", limited) is not None
