"""Workbooks hold what the text and JSON hold, typed; read back with openpyxl."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from openpyxl import load_workbook
from openpyxl.utils.escape import unescape

from config.fields.currencies import minor_units
from daemon.fields.documents import DOCUMENTS
from daemon.fields.field import fields_of
from daemon.sheets.reports import workbook
from daemon.sheets.workbook import LONGEST_TEXT, Sheet, Workbook
from planners.accounts.money import format_amount
from tests.daemon.desk.test_months import NAME, charged
from tests.daemon.fields.documents import documents
from tests.daemon.month.recorded import recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]
FORMULA = '=HYPERLINK("http://127.0.0.1/","pay")'
ZONE = ZoneInfo("Pacific/Auckland")


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> dict[str, list[dict[str, Any]]]:
    return documents(tmp_path_factory.mktemp("documents"))


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> str:
    """Record a home whose name would be a formula."""
    folder = tmp_path_factory.mktemp("home")
    nights = charged(2, 3, wh=7210)
    return str(recorded(folder, "kowhai", nights, 4, changes=[(NAME, f"name: '{FORMULA}'")]))


def read(book: bytes) -> Any:  # noqa: ANN401 - openpyxl has no types
    return load_workbook(io.BytesIO(book))


def table(page: Any) -> list[dict[str, Any]]:  # noqa: ANN401
    header, *rows = page.iter_rows(values_only=True)
    return [dict(zip(header, row, strict=True)) for row in rows]


@pytest.mark.parametrize("name", DOCUMENTS)
def test_every_document_has_a_workbook_with_its_definitions(
    name: str, made: dict[str, list[dict[str, Any]]]
) -> None:
    """Each column of each sheet is defined; headers stay in sight, and none stands twice."""
    for values in made[name]:
        book = read(workbook(name, values))
        defined = [
            (row["sheet"], row["column"]) for row in table(book["Definitions"]) if row["column"]
        ]
        assert len(defined) == len(set(defined))
        for page in book.worksheets[:-1]:
            is_list = page["A1"].value == "figure"
            shown = page["A"][1:] if is_list else page[1]
            assert [(page.title, cell.value) for cell in shown] == [
                each for each in defined if each[0] == page.title
            ]
            assert page.freeze_panes == "B2"
            assert all(cell.data_type != "f" for row in page.iter_rows() for cell in row)


def test_nights_are_typed_and_add_up_to_what_the_text_says(
    file: str, tmp_path: Path, run: Run
) -> None:
    """Dates are dates, times those of the household's clock, and the total is that of the text."""
    output = tmp_path / "nights.xlsx"
    ran = run("nights", file, "--format", "xlsx", "--output", str(output))
    assert (ran.code, ran.out, ran.err) == (0, "", "")
    book = load_workbook(output)
    *rows, total = table(book["Nights"])
    night = rows[1]
    [plain] = json.loads(
        run("nights", file, "--format", "json", "--from", "2026-10-02", "--to", "2026-10-02").out
    )["nights"]
    assert night["night"] == datetime(2026, 10, 2)  # noqa: DTZ001 - a cell knows no zone
    assert (night["energy [kWh]"], night["cost [NZD]"]) == (plain["energy_kwh"], plain["cost"])
    plugged = datetime.fromisoformat(plain["plugged_since"]).astimezone(ZONE)
    assert night["plugged since [Pacific/Auckland]"] == plugged.replace(tzinfo=None)
    assert night["enough for the departure"] is plain["need_met"]
    assert book["Nights"]["H2"].number_format == "#,##0.00"
    text = run("nights", file).out
    assert total["night"] == "total"
    assert f"{total['energy [kWh]']:.2f} kWh at the meter for NZD {total['cost [NZD]']:.2f}" in text


def test_a_name_that_would_be_a_formula_stays_a_text(file: str, tmp_path: Path, run: Run) -> None:
    """Of one home and of many; in a month, what the text adds up is there."""
    for options in ((), ("--sort", "cost")):
        output = tmp_path / "month.xlsx"
        asked = ("month", file, "2026-10", *options)
        ran = run(*asked, "--format", "xlsx", "--output", str(output))
        assert (ran.code, ran.err) == (0, "")
        book = load_workbook(output)
        page = book.worksheets[0]
        cell = page["A2"] if options else page["B2"]
        assert (cell.value, cell.data_type) == (FORMULA, "s")
    book = load_workbook(tmp_path / "month.xlsx")
    row, total = table(book["Homes"])
    assert (row["cost [NZD]"], total["household"]) == (total["cost [NZD]"], "total")
    assert f"{row['cost [NZD]']:.2f}" in run("month", file, "2026-10").out


def test_a_month_without_nights_has_a_workbook(file: str, tmp_path: Path, run: Run) -> None:
    """Its figures are 0, and there is no sheet of nights."""
    output = tmp_path / "empty.xlsx"
    ran = run("month", file, "2026-06", "--format", "xlsx", "--output", str(output))
    assert (ran.code, ran.err) == (0, "")
    book = load_workbook(output)
    assert book.sheetnames == ["Month", "Definitions"]
    assert {row["figure"]: row["value"] for row in table(book["Month"])}["nights"] == 0


@pytest.mark.parametrize("currency", ["NZD", "JPY", "KWD"])
def test_amounts_have_the_decimals_of_their_currency(currency: str) -> None:
    """By ISO 4217: none for yen, three for Kuwaiti dinars; also where rows differ in currency."""
    fields = fields_of("home_month")
    sheet = Sheet(
        "Homes", [fields["currency"], fields["cost"]], [{"currency": currency, "cost": 12}]
    )
    cell = read(Workbook("x", [sheet]).to_bytes())["Homes"]["B2"]
    decimals = minor_units(currency)
    assert cell.number_format == ("#,##0" if not decimals else f"#,##0.{'0' * decimals}")
    shown = format_amount(cell.value, currency)
    assert len(shown.partition(".")[2]) == decimals


def test_texts_of_any_kind_are_kept_and_too_long_ones_say_so() -> None:
    """Control characters, an escape of Office Open XML, and more than a cell can hold."""
    field = fields_of("home_month")["remark"]
    texts = ["\x07bell\n", "_x0041_", "+1", "@x", "\uff1dx", "x" * (LONGEST_TEXT + 1)]
    sheet = Sheet("Homes", [field], [{"remark": text} for text in texts])
    found = [row["remark"] for row in table(read(Workbook("x", [sheet]).to_bytes())["Homes"])]
    assert [unescape(found[0]), *found[1:-1]] == texts[:-1]
    assert (len(found[-1]), found[-1][-5:]) == (LONGEST_TEXT, "(cut)")


def test_a_workbook_needs_a_file(file: str, tmp_path: Path, run: Run) -> None:
    """It can't be printed, and says so; a folder can't be written to."""
    for command in (("nights", file), ("month", file, "2026-10"), ("appraise", file)):
        ran = run(*command, "--format", "xlsx")
        assert (ran.code, ran.out) == (2, "")
        assert ran.err.strip().endswith("expected --output with a file such as month.xlsx")
    ran = run("nights", file, "--format", "xlsx", "--output", str(tmp_path))
    assert "can't be written" in ran.err
