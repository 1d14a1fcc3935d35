"""Make the JSON Schemas of the bus from the types of the payloads.

Draft 07, which AsyncAPI 3.0 assumes by default. Payloads that the daemon reads may contain nulls
and omit keys with a default; payloads that it writes never do.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from pydantic import BaseModel, TypeAdapter
from pydantic.json_schema import GenerateJsonSchema, JsonSchemaValue
from pydantic_core import CoreSchema, core_schema
from typing_extensions import override

from adapters.contract.messages import (
    Command,
    GridLimit,
    GridPower,
    HomeLoad,
    Reading,
    Request,
    VehicleReport,
)
from adapters.contract.table import BusTopic

Schema = dict[str, Any]

INSTANT_PATTERN: Final = (
    r"^[0-9]{4}-[0-9]{2}-[0-9]{2}[Tt][0-9]{2}:[0-9]{2}:[0-9]{2}(\.[0-9]+)?"
    r"([Zz]|[+-][0-9]{2}:[0-9]{2})$"
)
"""RFC 3339, section 5.6: an instant has an offset."""

_REF = "#/components/schemas/{model}"
_NO_REQUEST_KEYS: Final = frozenset({"v", "id", "by", "preview"})
"""Keys of a request that ask for nothing by themselves."""


class _BusSchemaGenerator(GenerateJsonSchema):
    @override
    def datetime_schema(self, schema: core_schema.DatetimeSchema) -> JsonSchemaValue:
        return {"type": "string", "format": "date-time", "pattern": INSTANT_PATTERN}

    @override
    def decimal_schema(self, schema: core_schema.DecimalSchema) -> JsonSchemaValue:
        above, below = schema.get("gt"), schema.get("lt")
        bounds = {"exclusiveMinimum": above, "exclusiveMaximum": below}
        numbers = {key: float(bound) for key, bound in bounds.items() if bound is not None}
        return {"type": "number", **numbers}

    @override
    def default_schema(self, schema: core_schema.WithDefaultSchema) -> JsonSchemaValue:
        if schema.get("default", ...) is not None:
            return super().default_schema(schema)
        if self.mode == "serialization":
            return self.generate_inner(_without_null(schema["schema"]))
        return self.generate_inner(schema["schema"])

    @override
    def field_is_required(
        self,
        field: core_schema.ModelField | core_schema.DataclassField | core_schema.TypedDictField,
        total: bool,
    ) -> bool:
        if self.mode == "serialization" and field["type"] == "model-field":
            return field["schema"].get("default", ...) is not None
        return super().field_is_required(field, total)

    @override
    def field_title_should_be_set(self, schema: Any) -> bool:
        return False


def _without_null(schema: CoreSchema) -> CoreSchema:
    return schema["schema"] if schema["type"] == "nullable" else schema


def payload_schemas(topics: Sequence[BusTopic]) -> tuple[dict[str, Schema], dict[str, Schema]]:
    """Make the schemas of all payloads.

    Parameters
    ----------
    topics
        The table of topics.

    Returns
    -------
    tuple of two dicts
        For each topic's name a reference to the schema of its payload; and all schemas by their
        names. References point to ``#/components/schemas``.
    """
    references, made = TypeAdapter.json_schemas(
        [
            (
                topic.name,
                "serialization" if topic.from_daemon else "validation",
                TypeAdapter(topic.payload_type),
            )
            for topic in topics
        ],
        ref_template=_REF,
        schema_generator=_BusSchemaGenerator,
    )
    named = {name: _tidied(name, schema) for name, schema in sorted(made["$defs"].items())}
    return {name: schema for (name, _), schema in references.items()}, named


def _tidied(name: str, schema: Schema) -> Schema:
    """Add the rules between keys, and remove the line breaks of docstrings."""
    if "description" in schema:
        schema["description"] = " ".join(schema["description"].split())
    model = name.partition("-")[0]
    return schema | _RULES_BETWEEN_KEYS.get(model, {})


def _at_least_one_of(names: Sequence[str]) -> Schema:
    """Return the rule that at least one of these keys is present and not null."""
    return {
        "anyOf": [{"required": [name], "properties": {name: {"not": {"type": "null"}}}}
                  for name in names]
    }  # fmt: skip


def _all_of(values: Mapping[str, object]) -> Schema:
    """Return the rule that these keys have these values; an ellipsis is any but null."""
    return {
        "required": list(values),
        "properties": {
            name: {"not": {"type": "null"}} if value is ... else {"const": value}
            for name, value in values.items()
        },
    }


def _keys(model: type[BaseModel], without: frozenset[str]) -> Sequence[str]:
    return [name for name in model.model_fields if name not in without]


_RULES_BETWEEN_KEYS: Final[Mapping[str, Schema]] = {
    Command.__name__: {
        "if": {"properties": {"do": {"const": "start"}}},
        "then": {"required": ["amps"]},
        "else": {"not": {"required": ["amps"]}},
    },
    HomeLoad.__name__: {"not": {"properties": {"amps": {"minItems": 2, "maxItems": 2}}}},
    GridLimit.__name__: {
        "oneOf": [_all_of({"kw": ...}), _all_of({"amps": ...}), _all_of({"lifted": True})],
        "not": _all_of({"lifted": True, "until": ...}),
    },
    GridPower.__name__: {"not": {"properties": {"watts": {"minItems": 2, "maxItems": 2}}}},
    Reading.__name__: _at_least_one_of(_keys(Reading, frozenset({"v", "at"}))),
    VehicleReport.__name__: _at_least_one_of(_keys(VehicleReport, frozenset({"v", "at"}))),
    Request.__name__: {
        **_at_least_one_of(_keys(Request, _NO_REQUEST_KEYS)),
        "if": _all_of({"preview": True}),
        "then": _all_of({"id": ...}),
        "not": {
            "anyOf": [
                _all_of({"charge_now": True, "skip_until": ...}),
                _all_of({"stop": True, "skip_until": ...}),
                _all_of({"stop": True, "charge_now": True}),
            ]
        },
    },
}
"""What the models' validators check, except that want_percent is not below need_percent."""
