"""The JSON Schema of the household file, for editors; it is made from the models."""

from __future__ import annotations

from typing import Any

from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import core_schema
from typing_extensions import override

from config.household import HouseholdFile


class _Generator(GenerateJsonSchema):
    """Leaves out null: a key of the file is either left out or has a value."""

    @override
    def nullable_schema(self, schema: core_schema.NullableSchema) -> JsonSchemaValue:
        return self.generate_inner(schema["schema"])

    @override
    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        made = super().default_schema(schema)
        return {key: value for key, value in made.items() if (key, value) != ("default", None)}


def household_schema() -> dict[str, Any]:
    """Make the JSON Schema of the household file.

    Returns
    -------
    dict
        After JSON Schema 2020-12, with titles and descriptions, units in square brackets. Rules
        between keys are not in it; `config.load_household` checks those too.
    """
    schema = HouseholdFile.model_json_schema(schema_generator=_Generator)
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "Household file of Lullwatt",
    }
