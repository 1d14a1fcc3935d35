"""What equipment says of itself in the variables of OCPP 2.0.1's device model."""

from __future__ import annotations

from typing import Any

import pytest
from jsonschema import Draft4Validator
from ocpp.messages import MessageType, get_validator

from adapters.ocpp_point.abilities import Abilities, abilities_from_json
from adapters.ocpp_point.words import abilities_in_words, lacks_in_words
from adapters.ocpp_versions.variables import VARIABLES, abilities_of, named


def said(component: str, variable: str, value: str = "", status: str = "Accepted") -> Any:  # noqa: ANN401 - JSON
    return {
        "attribute_status": status, "attribute_value": value,
        "component": {"name": component}, "variable": {"name": variable},
    }  # fmt: skip


ALL = [
    said("SmartChargingCtrlr", "Enabled", "true"),
    said("SmartChargingCtrlr", "Available", "true"),
    said("SmartChargingCtrlr", "RateUnit", "W,A"),
    said("SmartChargingCtrlr", "PeriodsPerSchedule", "4"),
    said("SmartChargingCtrlr", "ProfileStackLevel", "2"),
    said("SmartChargingCtrlr", "Entries", "5"),
    said("SmartChargingCtrlr", "Phases3to1", "false"),
    said("AuthCtrlr", "Enabled", "false"),
    said("TxCtrlr", "TxStopPoint", "EVConnected,EnergyTransfer"),
    said("EVSE", "AvailabilityState", status="UnknownComponent"),
]


def test_all_that_is_asked_for() -> None:
    """It is kept beside the ledger, and said in words."""
    known = abilities_of(ALL, Abilities(model="Kowhai", version="2.0.1"))
    assert known == Abilities(
        model="Kowhai", version="2.0.1", answered=True, limits_current=True, units=("A", "W"),
        most_periods=4, highest_level=2, most_profiles=5, connectors=1, switches_phases=False,
        asks_who=False, pause_ends=True,
    )  # fmt: skip
    assert abilities_from_json(known.to_json()) == known
    words = [*abilities_in_words(known), *lacks_in_words(known, sets_current=True)]
    for part in ("it speaks OCPP 2.0.1", "without a card or app", "set its TxStopPoint"):
        assert any(part in each for each in words), words


@pytest.mark.parametrize(
    ("results", "limits_current"),
    [
        ([], None),
        (["odd", {}, {"component": 1, "variable": 2}], None),
        ([said("SmartChargingCtrlr", "Enabled", "false")], False),
        ([said("SmartChargingCtrlr", "Available", "no")], None),
        ([said("SmartChargingCtrlr", "Enabled", status="UnknownComponent")], False),
        ([said("SmartChargingCtrlr", "Enabled", status="UnknownVariable")], None),
        ([said("SmartChargingCtrlr", "Enabled", "true", "Rejected")], None),
    ],
)
def test_whether_it_has_smart_charging(results: list[Any], limits_current: bool | None) -> None:  # noqa: FBT001 - a value
    """What it does not say is tried; a unit that was found out stays."""
    known = abilities_of(results, Abilities(units=("W",)))
    assert (known.limits_current, known.units) == (limits_current, ("W",))


def test_the_request_fits_its_schema() -> None:
    """GetVariablesRequest.json of OCPP 2.0.1, as the ocpp package carries it."""
    data = [
        {
            "component": each["component"],
            "variable": each["variable"],
            **({"attributeType": each["attribute_type"]} if "attribute_type" in each else {}),
        }
        for each in map(named, VARIABLES)
    ]
    validator: Draft4Validator = get_validator(MessageType.Call, "GetVariables", "2.0.1")
    validator.validate({"getVariableData": data})
