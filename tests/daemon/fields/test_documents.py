"""Every document fits its schema, and what a program read of version 1 it can read for ever."""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from config.schema import letter_schema
from daemon.appraise.rows import FIGURES
from daemon.bill.show_bill import BAND_COLUMNS, HOUR_COLUMNS
from daemon.desk.appraised_view import COLUMNS as APPRAISED_COLUMNS
from daemon.desk.sums import SUMMARY
from daemon.fields.documents import DOCUMENTS, VERSION, document_schema
from daemon.fields.field import fields_of
from daemon.night_log.half_hour_rows import COLUMNS as HALF_HOUR_COLUMNS
from daemon.night_log.night_rows import COLUMNS as NIGHT_COLUMNS
from tests.config.edited_files import places_of_errors
from tests.daemon.fields.documents import breaks, closed, documents
from tests.daemon.fields.keep import KEPT
from tests.support.commands import Ran

EXAMPLES = Path(__file__).parents[3] / "config" / "examples"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, Any]]]:
    return documents(tmp_path_factory.mktemp("documents"))


def faults(schema: dict[str, Any], document: Any) -> list[str]:  # noqa: ANN401 - JSON
    errors = Draft202012Validator(schema).iter_errors(document)
    return [f"{'/'.join(map(str, each.path))}: {each.message[:120]}" for each in errors]


@pytest.mark.parametrize("name", DOCUMENTS)
def test_documents_have_what_their_schema_says_and_nothing_else(
    name: str, made: dict[str, list[dict[str, Any]]]
) -> None:
    """A key without a line in daemon/fields/fields.toml is found here."""
    schema = closed(document_schema(name))
    Draft202012Validator.check_schema(schema)
    for document in made[name]:
        plain = json.loads(json.dumps(document, default=float))
        assert faults(schema, plain) == []
        assert (plain["schema"], plain["version"]) == (name, VERSION)


@pytest.mark.parametrize("path", sorted(KEPT.glob("*.samples.json")), ids=lambda path: path.name)
def test_kept_documents_fit_the_schema_of_their_version(path: Path) -> None:
    """Today's, as long as there is no newer version; else the one that was kept."""
    name, _, version = path.name.removesuffix(".samples.json").rpartition("-")
    kept: dict[str, Any] = json.loads((KEPT / f"{name}-{version}.schema.json").read_text("utf-8"))
    is_today = int(version) == VERSION
    for document in json.loads(path.read_text("utf-8")):
        found = faults(document_schema(name) if is_today else kept, document)
        assert found == [], "the kind of a key that is added begins with ~"
    if is_today:
        assert breaks(kept, document_schema(name)) == [], "a new version is due"


def test_every_document_is_kept() -> None:
    """Of today's version, so that the test above holds it."""
    names = {path.name for path in KEPT.glob("*")}
    assert {f"{name}-{VERSION}.schema.json" for name in DOCUMENTS} <= names
    assert {f"{name}-{VERSION}.samples.json" for name in DOCUMENTS} <= names


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda night: night["properties"].pop("cost"), "night.cost is gone"),
        (lambda night: night["properties"]["starts"].update(type="string"), "night.starts was"),
        (lambda night: night["required"].remove("energy_kwh"), "night.energy_kwh was always"),
        (lambda night: night["properties"]["cost"].update(type=["number", "null"]), "night.cost"),
        (lambda night: night["properties"].update(new={"type": "string"}), None),
    ],
)
def test_a_change_that_breaks_readers_is_found(
    change: Callable[[dict[str, Any]], object], said: str | None
) -> None:
    """A key that goes, becomes something else, or is not always there any more; adding is free."""
    before = document_schema("month")
    now = copy.deepcopy(before)
    change(now["$defs"]["night"])
    found = breaks(before, now)
    assert [each.startswith(said) for each in found] == [True] if said else found == []


@pytest.mark.parametrize(
    ("columns", "section"),
    [
        (NIGHT_COLUMNS, "night"),
        (HALF_HOUR_COLUMNS, "half_hour"),
        (SUMMARY, "home_month"),
        (APPRAISED_COLUMNS, "home_appraisal"),
        (tuple(FIGURES), "choice"),
        (HOUR_COLUMNS, "bill_half_hour"),
        (BAND_COLUMNS, "bill_band"),
    ],
)
def test_every_column_says_what_it_means(columns: tuple[str, ...], section: str) -> None:
    """Each column of CSV is a field, with its meaning and where it is from."""
    fields = fields_of(section)
    assert [name for name in columns if name not in fields] == []
    assert [name for name in columns if not fields[name].source] == []


def test_units_are_those_of_the_names() -> None:
    """A figure whose name ends in a unit has that unit."""
    ends = {"kwh": "kWh", "percent": "%", "amps": "A", "km": "km", "kw": "kW", "minutes": "min"}
    for section in ("night", "month", "home_month", "choice", "bill_band", "capacity"):
        for name, field in fields_of(section).items():
            unit = ends.get(name.rpartition("_")[2])
            assert unit is None or unit in field.unit, name


def test_schemas_are_printed(run: Callable[..., Ran]) -> None:
    """The shipped letter fits its schema; many homes and half-hours have schemas of their own."""
    assert json.loads(run("schema", "letter").out) == letter_schema()
    text = (EXAMPLES / "letter.yaml").read_text("utf-8")
    assert places_of_errors(Draft202012Validator(letter_schema()), text) == []
    for command, name in (
        (("night",), "night"),
        (("night", "--half-hours"), "half-hours"),
        (("month",), "month"),
        (("month", "--homes"), "months"),
        (("appraisal",), "appraisal"),
        (("appraisal", "--homes"), "appraisals"),
    ):
        assert json.loads(run("schema", *command).out) == document_schema(name)
