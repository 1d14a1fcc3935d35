"""The page of an appraisal: self-contained, safe for any name, readable."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from daemon.appraisal_page.page import render_page
from tests.daemon.appraise.samples import (
    POINT,
    SOCKET,
    SOCKET_NIGHT,
    appraisal,
    choice,
    evens,
    hinges,
    many,
    three,
)
from tests.support.chromium import measured, printed
from tests.support.pages import (
    A4_POINTS,
    HOSTILE,
    Tree,
    check_accessible,
    check_references,
    check_self_contained,
    picture_labels,
)

if TYPE_CHECKING:
    from pathlib import Path

    from planners.appraisal.appraisal import Appraisal


@pytest.fixture(scope="module")
def page() -> str:
    return render_page(appraisal(hinges=hinges()))


@pytest.fixture(scope="module")
def tree(page: str) -> Tree:
    return Tree(page)


@pytest.fixture(scope="module")
def large() -> str:
    return render_page(many(8))


def test_the_page_is_well_formed(page: str, tree: Tree, large: str) -> None:
    """Every element ends, ids are unique, and every reference has its target."""
    assert page.startswith("<!DOCTYPE html>")
    Tree(large)
    check_references(page, tree)


@pytest.mark.parametrize(
    "odd",
    [
        appraisal(three()[:1]),
        appraisal(curve=()),
        appraisal(distance_km=None),
        appraisal(assumptions=(), cautions=()),
        appraisal(break_even=evens(distance_per_year=())),
        appraisal(tuple(replace(it, longest_day_km=None) for it in three())),
    ],
)
def test_a_page_with_less_on_it_is_complete(odd: Appraisal) -> None:
    """One choice, no curve, no distance, nothing assumed, nothing that changes it."""
    tree = Tree(render_page(odd))
    assert tree.all("h1") == [{}]
    assert "None" not in tree.text


def test_the_page_needs_nothing_else(page: str, tree: Tree) -> None:
    """No script, nothing to load, no address of any kind; and it tells browsers so."""
    check_self_contained(page, tree)


def test_names_are_only_ever_text() -> None:
    """A home, a choice, a tariff, a band, a note or a caution may have any text."""
    odd = choice(HOSTILE, 10, 100, 0, tariff=HOSTILE, outlay_note=HOSTILE)
    odd = replace(odd, by_band=(replace(odd.by_band[0], band=HOSTILE),))
    even = evens(rate_band=HOSTILE)
    it = appraisal((three()[0], odd), name=HOSTILE, break_even=even, cautions=(HOSTILE,))
    page = render_page(it)
    tree = Tree(page)
    assert "<script" not in page
    assert not tree.all("script")
    assert tree.text.count(HOSTILE) >= 8


def test_the_answer_is_the_heading(tree: Tree) -> None:
    """Which choice to take; below it, at which figures that changes."""
    start = tree.text.index(f"Cheapest over 8 years: {POINT} : NZD 6,166, NZD 2,776 less than")
    changes = tree.text.index("It would lose its place below 13,498 km a year")
    assert start < changes < tree.text.index("The choices in pictures")


def test_the_texts_hold_the_figures(tree: Tree) -> None:
    """In the table, in the bands, under the pictures and in words."""
    assert ["total over 8 years", "8,942", "7,082", "6,166"] in tree.rows
    assert ["Socket, night tariff", "day", "0.3335", "1,800", "50 %", "600"] in tree.rows
    described = " ".join(picture_labels(tree))
    assert "Charge point, night tariff NZD 6,166, of which NZD 1,900 once" in described
    assert "takes the place of the answer at 13,498 km. Now: 20,000 km." in described
    for line in (*appraisal().assumptions, *appraisal().cautions):
        assert line in tree.text
    assert "12 of 241 nights are short for the departure: 31.2 kWh at the meter" in tree.text


def test_what_the_answer_hangs_on_is_drawn_and_listed(tree: Tree) -> None:
    """The bar that moves it most first; a table with every value that was tried."""
    described = next(label for label in picture_labels(tree) if "with each input" in label)
    assert "costs than the best other choice, NZD 2,776 now" in described
    assert described.index("years kept: 4 years or 12") < described.index("consumption: 13.8")
    assert "interest: 2 % a year, 730" in described
    assert ["years kept", "8 years", "4 years", SOCKET_NIGHT, "2,776", "-492"] in tree.rows


def test_ranges_are_in_the_table(large: str) -> None:
    """Beside each figure that has one, and the page explains them."""
    tree = Tree(large)
    row = next(row for row in tree.rows if row[0] == "total over 8 years")
    assert row[1] == "8,928 (8,571 to 9,285)"
    assert "nine in ten of the 1,000 years drawn" in tree.text


def test_a_screen_reader_finds_its_way(tree: Tree) -> None:
    """WCAG 2.2: language, headings, captions, scopes, labels, a skip link."""
    check_accessible(tree, tables=4, pictures=3, skip_to="#figures")
    assert sum(SOCKET in label for label in picture_labels(tree)) == 2


def test_the_page_fits_a_telephone_and_a_desk(page: str, large: str, tmp_path: Path) -> None:
    """Nothing sticks out at 320, 360 or 1200 px, nor on paper with eight choices."""
    (tmp_path / "three").mkdir()
    views = measured(tmp_path / "three", page, [320, 360, 1200])
    for view in views:
        assert view.scroll == view.width
        assert view.out == []
        assert sum(width > 0 for width in view.pictures) == 3
    assert min(views[1].letters) >= 10
    assert all(inside <= outside for outside, inside in views[2].tables)
    paper = large.replace("@media print", "@media all")
    (sheet,) = measured(tmp_path, paper, [688])  # 182 mm between the margins, at 96 px to the inch
    assert all(inside <= outside for outside, inside in sheet.tables)
    assert sheet.scroll == sheet.width


def test_the_page_prints_on_a_few_sheets_of_a4(page: str, tmp_path: Path) -> None:
    """The answer and its pictures, figures, notes: three sheets at the most."""
    paper = printed(tmp_path, page)
    assert 2 <= paper.pages <= 3
    assert paper.size == pytest.approx(A4_POINTS, abs=1)
