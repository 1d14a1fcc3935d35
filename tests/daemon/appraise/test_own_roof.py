"""A report that tells roof and grid apart: in words, in tables, in JSON, CSV and on the page."""

from __future__ import annotations

import csv
import io
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from daemon.appraisal_page.chart import bars_of
from daemon.appraisal_page.page import render_page
from daemon.appraise.remarks import notes, remarks
from daemon.appraise.rows import appraisal_csv, document
from daemon.appraise.tables import bands, figures
from daemon.appraise.wording import AppraisalWords
from planners.appraisal.appraisal import BandYear, RoofShare
from tests.daemon.appraise.samples import appraisal, choice
from tests.support.pages import Tree

if TYPE_CHECKING:
    from planners.appraisal.appraisal import Appraisal

ROOF = RoofShare(
    gives_kwh=7425.0,
    per_kwp_kwh=1350.0,
    surplus_kwh=5559.0,
    kwh=1400.0,
    cost=112.0,
    grid_cost=303.6,
    all_grid_cost=756.2,
    earns=332.7,
)


@pytest.fixture(scope="module")
def sunny() -> Appraisal:
    """Compare a home without a roof with one whose roof pays for the car and more."""
    without = choice("No roof", 13.8, 0, 0)
    night = BandYear("all hours", without.by_band[0].rate, 2200.0, 303.6)
    with_roof = choice(
        "Roof",
        13.8,
        9000,
        0,
        cost=415.6,
        by_band=(night, BandYear("roof", None, 1400.0, 112.0)),
        roof=ROOF,
        home_cost_difference=-1700.0,
        year_cost=-1284.4,
        total_over_years=9000 - 8 * 1284.4,
    )
    return appraisal((without, replace(with_roof, saves_per_year=1781.2, payback_years=5.05)))


def test_the_answer_says_what_the_sun_charges_and_what_the_grid(sunny: Appraisal) -> None:
    assert (
        "With “Roof”, 1,400 kWh are from the roof, whose export would have earned NZD 112, and"
        " 2,200 kWh from the grid, for NZD 304. All from the grid in the same hours would have cost"
        " NZD 756."
    ) in remarks(AppraisalWords(sunny))


def test_the_tables_tell_roof_and_grid_apart(sunny: Appraisal) -> None:
    words = AppraisalWords(sunny)
    rows = {row.label: [cell.text for cell in row.cells] for row in figures(words)}
    assert rows["from the roof, kWh"] == ["0", "1,400"]
    assert rows["from the grid, kWh"] == ["3,600", "2,200"]
    assert rows["of it roof, export lost"] == ["0", "112"]
    assert rows["if all from the grid"] == ["497", "756"]
    assert ("Roof", "roof", "export lost", "1,400", "39 %", "112") in bands(words)


def test_a_total_below_zero_is_explained(sunny: Appraisal) -> None:
    """A roof may save and earn more than everything costs; no other appraisal needs the note."""
    explained = "A total below 0"
    assert any(note.startswith(explained) for note in notes(AppraisalWords(sunny)))
    assert not any(note.startswith(explained) for note in notes(AppraisalWords(appraisal())))


def test_scripts_get_them_too(sunny: Appraisal) -> None:
    without, roof = document(sunny)["choices"]
    assert (roof["roof_kwh"], roof["grid_kwh"]) == (1400.0, 2200.0)
    assert (roof["roof_cost"], roof["all_grid_cost"]) == (112.0, 756.2)
    assert roof["roof"]["surplus_kwh"] == 5559.0
    assert (without["roof_kwh"], "roof" in without) == (0.0, False)
    rows = list(csv.DictReader(io.StringIO(appraisal_csv(sunny))))
    assert [row["roof_kwh"] for row in rows] == ["0.0", "1400.0"]


def test_the_page_says_it_beside_the_picture(sunny: Appraisal) -> None:
    """In words at the bar, also where a roof earns more than the car costs."""
    assert [bar.remark for bar in bars_of(AppraisalWords(sunny))] == [
        "",
        "cheapest, 1,400 kWh a year from the roof, 2,200 from the grid",
    ]
    tree = Tree(render_page(sunny))
    assert ["from the roof, kWh", "0", "1,400"] in tree.rows
    assert "1,400 kWh are from the roof" in tree.text


def test_nothing_is_said_of_roofs_where_there_is_none() -> None:
    words = AppraisalWords(appraisal())
    assert not [row.label for row in figures(words) if "roof" in row.label]
    assert not [line for line in remarks(words) if "roof" in line]
