"""The JSON Schema of the household file is valid, complete, and agrees with the loader."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from config.household.household_file import HouseholdFile
from config.schema import household_schema
from tests.config.cottage import COTTAGE, edited
from tests.config.edited_files import places_of_errors
from tests.config.test_examples import FILES

SCHEMA = household_schema()
VALIDATOR = Draft202012Validator(SCHEMA)


def places(text: str) -> list[str]:
    """List the keys at which a file breaks the schema."""
    return places_of_errors(VALIDATOR, text)


def test_schema_is_valid() -> None:
    """It is a JSON Schema 2020-12, and says so."""
    Draft202012Validator.check_schema(SCHEMA)
    assert SCHEMA["$schema"] == "https://json-schema.org/draft/2020-12/schema"


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_examples_fit(path: Any) -> None:  # noqa: ANN401 - a Path
    """Every example that is shipped fits the schema."""
    assert places(path.read_text(encoding="utf-8")) == []


def test_cottage_fits() -> None:
    """So does the household of these tests."""
    assert places(COTTAGE) == []


@pytest.mark.parametrize(
    ("old", "new", "place"),
    [
        ("rate: 0.168", "rate: twelve", "tariffs/0/bands/0/rate"),
        ("rate: 0.168", 'rate: "0.168"', "tariffs/0/bands/0/rate"),
        (
            "    max_amps: 32\n    min_amps",
            "    max_amps: 90\n    min_amps",
            "charge_points/driveway/max_amps",
        ),
        ("at: 07:20", "at: 24:20", "departures/0/at"),
        ('"21:00-07:00"', '"21:00"', "tariffs/0/bands/0/hours/0"),
        ("valid_from: 2026-04-01", "valid_from: 1/4/2026", "tariffs/0/valid_from"),
        ("days: [mon, tue], at", "days: [holiday], at", "departures/0/days/0"),
        ("clock: wall", "clock: sun", "tariffs/0/clock"),
        ("    prefer: early", "    colour: red", "vehicles/hatchback"),
        ("ledger: {path: ledger.sqlite3}", "ledger: {}", "ledger"),
        ("at: 07:20", "at: 07:20, returns: noon", "departures/0/returns"),
        ("at: 07:20", "at: 07:20, uses_km: 5000", "departures/0/uses_km"),
        (
            "public_holidays: NZ",
            "known_load: [{amps: 24}]",
            "household/known_load/0",
        ),
    ],
)
def test_schema_refuses(old: str, new: str, place: str) -> None:
    """An editor with the schema shows what the loader refuses in a single value."""
    assert places(edited({old: new})) == [place]


def properties(node: Any) -> Iterator[tuple[str, dict[str, Any]]]:  # noqa: ANN401 - JSON
    if isinstance(node, dict):
        yield from node.get("properties", {}).items()
        for value in node.values():
            yield from properties(value)


def test_every_key_is_described() -> None:
    """Every key has a title and a description; a number with a unit in its name gives the unit."""
    found = dict(properties(SCHEMA))
    assert set(HouseholdFile.model_fields) < set(found)
    assert [key for key, value in found.items() if not value.get("description")] == []
    measured = [key for key in found if key.endswith(("_amps", "_percent", "_minutes", "_volts"))]
    assert [key for key in measured if "[" not in found[key]["description"]] == []


def test_closed() -> None:
    """No part of the file takes unknown keys."""
    parts = [SCHEMA, *SCHEMA["$defs"].values()]
    objects = [part for part in parts if part.get("type") == "object"]
    assert [part["title"] for part in objects if part["additionalProperties"] is not False] == []
