"""Make the JSON Schemas of household file, choices file, a letter's words, and an extract."""

from __future__ import annotations

import json
from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema
from typing_extensions import override

from config.choices.choices_file import ChoicesFile
from config.choices.own_roof import DAEMON_KEYS as ROOF_KEYS
from config.choices.rules import DAEMON_KEYS, TARIFF_KEYS
from config.extract.extract_file import Extract
from config.fields.value_types import Model
from config.household.household_file import HouseholdFile
from config.letter.letter_file import LetterFile


class _SchemaWithoutNull(GenerateJsonSchema):
    """Generate schemas without null: a key of a file is either absent or has a value."""

    @override
    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    @override
    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        plain = super().default_schema(schema)
        return {key: value for key, value in plain.items() if (key, value) != ("default", None)}


def household_schema() -> dict[str, Any]:
    """Make the JSON Schema of the household file.

    Returns
    -------
    dict
        JSON Schema 2020-12, with titles and descriptions, units in square brackets. It leaves out
        the rules between keys; `load_household` checks those too.
    """
    return _schema_of(HouseholdFile, "Household file of Lullwatt")


def choices_schema() -> dict[str, Any]:
    """Make the JSON Schema of the choices file; see `household_schema`."""
    schema = _schema_of(ChoicesFile, "Choices file of Lullwatt")
    for part, keys in (
        ("Tariff", TARIFF_KEYS),
        ("ChargePoint", DAEMON_KEYS),
        ("PriceFile", ("fetch",)),
        ("AppraisedGeneration", ROOF_KEYS),
    ):
        for key in keys:
            del schema["$defs"][part]["properties"][key]
    _drop_unused(schema)
    return schema


def letter_schema() -> dict[str, Any]:
    """Make the JSON Schema of the file of a letter's words; see `household_schema`."""
    return _schema_of(LetterFile, "Words of a letter of Lullwatt")


def extract_schema() -> dict[str, Any]:
    """Make the JSON Schema of an extract; what is not shared is left out of it."""
    return _schema_of(Extract, "Extract of Lullwatt")


def _drop_unused(schema: dict[str, Any]) -> None:
    """Drop the definitions that no other part refers to."""
    parts = schema["$defs"]
    while unused := [name for name in parts if f'"#/$defs/{name}"' not in json.dumps(schema)]:
        for name in unused:
            del parts[name]


def _schema_of(model: type[Model], title: str) -> dict[str, Any]:
    schema = model.model_json_schema(schema_generator=_SchemaWithoutNull)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": title,
    }
