"""What an extract holds of a household file: what is listed, and nothing that names a file."""

from __future__ import annotations

from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from config.extract import household_part
from config.extract.household_part import as_file, shared_part, strange_keys
from config.fields.value_types import Model
from config.files.texts import read_text
from config.files.yaml_tree import read_yaml
from config.household.household_file import (
    ChargePoint,
    Household,
    HouseholdFile,
    Tariff,
    Vehicle,
)
from config.household.loading import load_household
from tests.config.test_examples import FILES


def data_of(path: Path) -> dict[str, Any]:
    data = read_yaml(read_text(path, "a household file", 1 << 18)).data
    assert isinstance(data, dict)
    return data


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_the_shared_part_of_every_example_prices_alike(path: Path) -> None:
    """It is a valid household file; its tariffs are the same but for files and export."""
    part = shared_part(data_of(path), lambda _file: ["2026-12-24"])
    assert strange_keys(part) == []
    read = HouseholdFile.model_validate(as_file(part), context={"directory": Path()})
    whole = load_household(path)
    for ours, theirs in zip(read.tariffs, whole.tariffs, strict=True):
        assert ours.name == theirs.name
        assert ours.bands == theirs.bands
        assert ours.standing_charge == theirs.standing_charge
        assert (ours.capacity_charge is None) == (theirs.capacity_charge is None)
    assert read.vehicles.keys() == whole.vehicles.keys()


def test_dates_of_a_file_stand_in_its_place() -> None:
    """The path does not leave the home; the dates do."""
    data = {
        "household": {"name": "a", "special_days": [{"name": "off", "file": "secret.csv"}]},
        "tariffs": [{"name": "t", "prices": {"file": "p.csv", "fetch": {"url": "u"}, "add": 0.1}}],
        "charge_points": {"d": {"max_amps": 10, "wiring": {}, "plugged_in": "18:00-07:00"}},
        "vehicles": {"v": {"usable_kwh": 50, "daily_distance_km": 45}},
        "departures": [{"at": "07:20"}],
        "bus": {"password_file": "p"},
    }  # fmt: skip
    part = shared_part(data, lambda file: [f"2026-12-2{len(file) - 6}"])
    assert part == {
        "household": {"name": "a", "special_days": [{"name": "off", "dates": ["2026-12-24"]}]},
        "tariffs": [{"name": "t", "prices": {"add": 0.1}}],
        "charge_points": {"d": {"max_amps": 10}},
        "vehicles": {"v": {"usable_kwh": 50}},
    }


@pytest.mark.parametrize(
    ("change", "found"),
    [
        ({"bus": {}}, ["bus"]),
        ({"tariffs": [{"components": [{"prices": {"file": "x"}}]}]}, ["file"]),
        ({"charge_points": {"d": {"ocpp": {}}}}, ["ocpp"]),
        ({"household": {"on_alert": ["x"]}}, ["on_alert"]),
        ({"vehicles": {"v": Decimal(1)}}, ["household"]),
    ],
    ids=str,
)
def test_what_no_extract_may_hold_is_found(change: dict[str, Any], found: list[str]) -> None:
    """At any depth, and in any part."""
    plain: dict[str, Any] = {"household": {}, "tariffs": [], "charge_points": {}, "vehicles": {}}
    assert strange_keys(plain) == []
    assert strange_keys(plain | change) == found


@pytest.mark.parametrize(
    ("model", "shared", "stays_at_home"),
    [
        (
            Household,
            household_part._HOUSEHOLD,
            """grid_limit grid_meter known_load load_meter main_fuse_amps max_power_kw
            max_unbalance_amps morning_line on_alert reserve_amps topic""",
        ),
        (Tariff, household_part._TARIFF, "export_rate"),
        (
            ChargePoint,
            household_part._POINT,
            """confirm_seconds delays_itself_seconds ocpp phase_switching_seconds plugged_in
            random_delay_seconds wiring""",
        ),
        (Vehicle, household_part._VEHICLE, "arrives_with_percent daily_distance_km priority"),
    ],
)
def test_every_key_is_shared_or_kept_at_home_on_purpose(
    model: type[Model], shared: frozenset[str], stays_at_home: str
) -> None:
    """A new key of a tariff that stayed at home by mistake would price nights wrong."""
    assert set(model.model_fields) == shared | set(stays_at_home.split())
    assert not shared & set(stays_at_home.split())
