"""Make the JSON Schema of each report's document, and put its version into it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from daemon.fields.field import CURRENCY, fields_of

if TYPE_CHECKING:
    from collections.abc import Mapping

    from daemon.fields.field import Field

VERSION: Final = 1
"""Of every document. A new one is due once a field is taken away or means something else."""
DOCUMENTS: Final[Mapping[str, tuple[str, str]]] = {
    "night": ("nights_document", "Nights of one home, as `lullwatt nights --format json` has them"),
    "half-hours": ("half_hours_document", "Metered energy by half-hours, of `lullwatt nights`"),
    "month": ("month", "Month of one home, as `lullwatt month --format json` has it"),
    "months": ("months_document", "Month of many homes, of `lullwatt month`"),
    "appraisal": ("appraisal_document", "Appraisal, as `lullwatt appraise --json` has it"),
    "appraisals": (
        "appraisals_document",
        "Appraisal of many homes, of `lullwatt appraise --homes`",
    ),
}
"""The section of each document, and its title."""
_TYPES: Final[Mapping[str, dict[str, Any]]] = {
    "text": {"type": "string"},
    "date": {"type": "string", "format": "date"},
    "instant": {"type": "string", "format": "date-time"},
    "local": {"type": "string", "format": "date-time"},
    "count": {"type": "integer"},
    "number": {"type": "number"},
    "money": {"type": "number"},
    "exact": {"type": "number"},
    "rate": {"type": "number"},
    "percent": {"type": "number"},
    "yes_no": {"type": "boolean"},
    "texts": {"type": "array", "items": {"type": "string"}},
    "numbers": {"type": "array", "items": {"type": ["number", "null"]}},
    "ranges": {
        "type": "object",
        "additionalProperties": {
            "type": "array",
            "items": {"type": ["number", "null"]},
            "minItems": 2,
            "maxItems": 2,
        },
    },
}


def versioned(name: str, values: Mapping[str, Any]) -> dict[str, Any]:
    """Put the name and the version of a document in front of its values."""
    return {"schema": name, "version": VERSION, **values}


def document_schema(name: str) -> dict[str, Any]:
    """Make the JSON Schema of a document.

    Parameters
    ----------
    name : str
        One of `DOCUMENTS`.

    Returns
    -------
    dict
        JSON Schema 2020-12. Keys that it does not name are allowed: a later Lullwatt may add some
        without a new version.
    """
    section, title = DOCUMENTS[name]
    parts: dict[str, Any] = {}
    whole = _object(section, parts)
    stamp = {
        "schema": {"const": name, "description": "Which document this is."},
        "version": {"const": VERSION, "description": "Version of its schema."},
    }
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": f"{title}.",
        "description": f"{CURRENCY} in a unit stands for the currency of the document or the row.",
        "type": "object",
        "properties": stamp | whole["properties"],
        "required": [*stamp, *whole["required"]],
        "$defs": dict(sorted(parts.items())),
    }


def _object(section: str, parts: dict[str, Any]) -> dict[str, Any]:
    fields = fields_of(section)
    return {
        "type": "object",
        "properties": {name: _property(field, parts) for name, field in fields.items()},
        "required": [name for name, field in fields.items() if field.required],
    }


def _property(field: Field, parts: dict[str, Any]) -> dict[str, Any]:
    unit = f" [{field.unit}]" if field.unit else ""
    source = f" From: {field.source}." if field.source else ""
    text = f"{field.meaning[0].upper()}{field.meaning[1:]}{unit}.{source}"
    return {"description": text} | _type(field, parts)


def _type(field: Field, parts: dict[str, Any]) -> dict[str, Any]:
    if not field.section:
        plain = _TYPES[field.kind]
        return plain | {"type": [plain["type"], "null"]} if field.nullable else plain
    if field.section not in parts:
        parts[field.section] = {}  # so that it is not made again
        parts[field.section] = _object(field.section, parts)
    refers = {"$ref": f"#/$defs/{field.section}"}
    if field.kind == "list":
        return {"type": "array", "items": refers}
    return {"anyOf": [refers, {"type": "null"}]} if field.nullable else refers
