"""What equipment says it can: configuration keys of OCPP 1.6 (section 9, cited from memory)."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import pytest

from adapters.ocpp_point.abilities import Abilities, Feature, abilities_from_json, abilities_of
from adapters.ocpp_point.remembered import Remembered, remembered_at

if TYPE_CHECKING:
    from pathlib import Path


def said(**values: object) -> list[dict[str, Any]]:
    return [{"key": key, "readonly": True, "value": value} for key, value in values.items()]


FULL = said(
    SupportedFeatureProfiles="Core, SmartCharging",
    ChargingScheduleAllowedChargingRateUnit="Power,Current",
    ChargingScheduleMaxPeriods="6",
    ChargeProfileMaxStackLevel="0",
    MaxChargingProfilesInstalled="2",
    ConnectorSwitch3to1PhaseSupported="TRUE",
    NumberOfConnectors="1",
)


def test_all_that_is_said() -> None:
    """Units in the order of preference, numbers as numbers; keys whatever their case."""
    assert abilities_of(FULL, Abilities("KC-7")) == Abilities(
        "KC-7", answered=True, limits_current=True, units=("A", "W"), most_periods=6,
        highest_level=0, most_profiles=2, connectors=1, switches_phases=True,
    )  # fmt: skip
    shouted = [each | {"key": each["key"].upper()} for each in FULL]
    assert abilities_of(shouted, Abilities()) == abilities_of(FULL, Abilities())


@pytest.mark.parametrize(
    "configuration",
    [
        None, "SmartCharging", [], [None], [{"key": "ChargingScheduleMaxPeriods"}],
        said(ChargingScheduleMaxPeriods="many", NumberOfConnectors=True, Other="1"),
        said(ChargingScheduleMaxPeriods="0", ChargeProfileMaxStackLevel="-1"),
        said(ChargingScheduleAllowedChargingRateUnit="horses"),
    ],
)  # fmt: skip
def test_nonsense_says_nothing(configuration: object) -> None:
    """What can't be read counts as not said, and everything is tried."""
    found = abilities_of(configuration, Abilities())
    assert found == Abilities(answered=True)
    assert found.may_have("TxProfile")
    assert (found.units_to_try, found.periods_to_send, found.level(1)) == (("A", "W"), 20, 1)


def test_few_places_for_profiles() -> None:
    """With a single place the default profile does everything; with two none is for the ceiling."""
    kinds: tuple[Feature, ...] = (
        "TxProfile",
        "with-start",
        "TxDefaultProfile",
        "ChargePointMaxProfile",
    )
    found = {
        count: [each for each in kinds if Abilities(most_profiles=count).may_have(each)]
        for count in (1, 2, 3)
    }
    assert found == {1: ["TxDefaultProfile"], 2: list(kinds[:3]), 3: list(kinds)}


def test_equipment_that_contradicts_itself_is_tried() -> None:
    """A stack level belongs to Smart Charging, even if the profile is not listed."""
    core = said(SupportedFeatureProfiles="Core", ChargeProfileMaxStackLevel="1")
    assert abilities_of(core, Abilities()).may_have("TxProfile")
    assert not abilities_of(core[:1], Abilities()).may_have("TxProfile")


def test_what_was_seen_counts_more_than_what_is_said() -> None:
    """A kind of profile that was accepted is tried again, and one that was refused is not."""
    core = abilities_of(said(SupportedFeatureProfiles="Core"), Abilities().accepts("TxProfile"))
    assert core.may_have("TxProfile")
    assert not core.refuses("TxProfile").may_have("TxProfile")


def test_it_is_kept_beside_the_ledger(tmp_path: Path) -> None:
    """And read again as it was; a damaged file is forgotten, not a fault."""
    path = remembered_at(tmp_path / "ledger.sqlite3")
    known = abilities_of(FULL, Abilities("KC-7")).accepts("TxProfile").refuses("with-start")
    Remembered(path).keep("driveway", known)
    assert Remembered(path).of("driveway") == known
    assert abilities_from_json(json.loads(json.dumps(known.to_json()))) == known
    for damage in ("", "[1]", '{"driveway": 7}', "\x00", '{"driveway": {"units": ["V"]}}'):
        path.write_text(damage)
        assert Remembered(path).of("driveway") == Abilities()
