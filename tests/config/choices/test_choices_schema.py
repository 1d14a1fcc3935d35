"""The JSON Schema of the choices file is valid, complete, and agrees with the loader."""

from __future__ import annotations

import pytest
from jsonschema import Draft202012Validator

from config.choices.choices_file import ChoicesFile
from config.schema import choices_schema
from tests.config.choices.cases import CHOICES, driving, edited
from tests.config.edited_files import places_of_errors
from tests.config.test_examples import CHOICES as EXAMPLE
from tests.config.test_examples import ROOF_CHOICES, TWO_CAR_CHOICES
from tests.config.test_schema import properties

SCHEMA = choices_schema()
VALIDATOR = Draft202012Validator(SCHEMA)


def places(text: str) -> list[str]:
    """List the keys at which a file breaks the schema."""
    return places_of_errors(VALIDATOR, text)


def test_schema_is_valid() -> None:
    """It is a JSON Schema 2020-12, and its title names the file."""
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["title"] == "Choices file of Lullwatt"


@pytest.mark.parametrize(
    "text",
    [
        EXAMPLE.read_text(encoding="utf-8"),
        TWO_CAR_CHOICES.read_text(encoding="utf-8"),
        ROOF_CHOICES.read_text(encoding="utf-8"),
        CHOICES,
        driving("  distance_per_year: 15000 mi\n"),
        driving("  ledger: {path: l.sqlite3, vehicle: hatchback}\n"),
    ],
    ids=["example", "two cars", "roof", "trips", "distance", "ledger"],
)
def test_good_files_fit(text: str) -> None:
    """Files that the loader accepts fit the schema, also the example that is shipped."""
    assert places(text) == []


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("45 km", "45", "driving/trips/0/distance"),
        ("45 km", "45 metres", "driving/trips/0/distance"),
        ("draws: 200", "draws: 20000", "driving/draws"),
        ("year: 2027", "year: 1999", "appraisal/year"),
        ("keep_years: 8", "keep_years: 0", "appraisal/keep_years"),
        ("planner: timer", "planner: clever", "choices/2/planner"),
        ("outlay: 2350.50", "outlay: -1", "choices/1/outlay"),
        ("chemistry: nmc", "charge_point: driveway", "vehicle"),
        ("standing_charge: 1.80", "valid_from: 2027-07-01", "choices/0/tariff"),
        ("max_amps: 10", "max_amps: 10\n      confirm_seconds: 60", "choices/0/charge_point"),
        ('hours: "07:00-23:00"', "hours: day", "home_use/0/hours"),
    ],
)
def test_schema_refuses(old: str, new: str, place: str) -> None:
    """An editor with the schema shows what the loader refuses in a single value."""
    assert places(edited({old: new})) == [place]


def test_every_key_is_described() -> None:
    """Every key has a description; a number with a unit in its name gives the unit."""
    found = dict(properties(SCHEMA))
    assert set(ChoicesFile.model_fields) < set(found)
    assert [key for key, value in found.items() if not value.get("description")] == []
    units = ("_amps", "_percent", "_minutes", "_volts", "_kwh", "_years", "kwh_per_day")
    measured = [key for key in found if key.endswith(units)]
    assert [key for key in measured if "[" not in found[key]["description"]] == []


def test_closed_and_without_loose_parts() -> None:
    """No part of the file takes unknown keys, and every definition is of a part of the file."""
    parts = [SCHEMA, *SCHEMA["$defs"].values()]
    objects = [part for part in parts if part.get("type") == "object"]
    assert [part["title"] for part in objects if part["additionalProperties"] is not False] == []
    assert set(SCHEMA["$defs"]) == {
        *(
            "AppraisedHome",
            "AppraisedVehicle",
            "DrivingPattern",
            "DrivingRecord",
            "Trip",
            "HomeUse",
            "AppraisedGeneration",
            "Grant",
            "Maintenance",
            "MonthlyTemperature",
            "PriceGrowth",
            "YearOfWeather",
            "Roof",
            "ExportRate",
            "OtherVehicle",
        ),
        *(
            "Choice",
            "ChargePoint",
            "Tariff",
            "DateSet",
            "AnnouncedDays",
            "AnnouncedKind",
            "CheapestHours",
            "Band",
            "Tier",
            "PriceFile",
            "PoweredHours",
        ),
        *(
            "RateComponent",
            "Fee",
            "MinimumBill",
            "Percentage",
            "PercentTier",
            "CapacityCharge",
            "CapacityStep",
        ),
    }
