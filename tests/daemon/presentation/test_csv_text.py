"""Tests of CSV text: what a spreadsheet may run as a formula is written as text."""

from __future__ import annotations

import csv
import io
from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from daemon.presentation.csv_text import CsvStyle, csv_text

# OWASP, "CSV Injection": a cell must not begin with one of these, nor with the full-width form of
# the first four. OWASP ASVS 5.0, requirement 1.2.10, adds the null character. An apostrophe in
# front makes a spreadsheet take the cell as text.
DANGEROUS = "=+-@\t\r\n\0\uff1d\uff0b\uff0d\uff20"


def cells(value: object) -> list[str]:
    """Return what a reader of the CSV text of one value finds in its only row."""
    (_, row) = csv.reader(io.StringIO(csv_text(["name"], [{"name": value}]), newline=""))
    return row


@pytest.mark.parametrize("mark", DANGEROUS)
def test_a_text_that_could_be_a_formula_is_written_as_text(mark: str) -> None:
    assert cells(f"{mark}1+2") == [f"'{mark}1+2"]


@given(st.text(st.characters(codec="utf-8"), min_size=1))
def test_any_other_text_stays_and_nothing_is_lost(text: str) -> None:
    (cell,) = cells(text)
    assert cell == (f"'{text}" if text[0] in DANGEROUS else text)


@pytest.mark.parametrize(
    ("value", "cell"),
    [(Decimal("-3.98"), "-3.98"), (-4, "-4"), (-0.5, "-0.5"), (None, ""), (True, "true")],
)
def test_a_number_stays_a_number(value: object, cell: str) -> None:
    assert cells(value) == [cell]


def test_no_column_name_can_be_a_formula() -> None:
    assert csv_text(["=1"], []) == "'=1\r\n"


def test_a_style_changes_marks_and_nothing_else() -> None:
    """Decimal commas are those of numbers; what got an apostrophe is remembered."""
    style = CsvStyle(separator=";", decimal=",", has_mark=True)
    row = {"name": "1.5; =x", "kwh": Decimal("-7.20"), "soc": 35.5, "bad": "=1+2"}
    text = csv_text(list(row), [row], style)
    assert text == '\ufeffname;kwh;soc;bad\r\n"1.5; =x";-7,20;35,5;\'=1+2\r\n'
    assert style.guarded == ["=1+2"]
