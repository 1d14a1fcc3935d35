"""The page of an appraisal: whole in itself, safe to write names into, fit to be read."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from daemon.appraise.page import render_page
from tests.daemon.appraise.samples import POINT, SOCKET, appraisal, choice, evens, many, three
from tests.support.chromium import measured, printed
from tests.support.pages import A4_POINTS, HOSTILE, Tree

if TYPE_CHECKING:
    from pathlib import Path

    from planners.appraisal.appraisal import Appraisal


@pytest.fixture(scope="module")
def page() -> str:
    return render_page(appraisal())


@pytest.fixture(scope="module")
def tree(page: str) -> Tree:
    return Tree(page)


@pytest.fixture(scope="module")
def large() -> str:
    return render_page(many(8))


def test_the_page_is_well_formed(page: str, tree: Tree, large: str) -> None:
    """Every element ends where it should, ids are unique, and every reference has its target."""
    assert page.startswith("<!DOCTYPE html>")
    Tree(large)
    ids = [attributes["id"] for _, attributes in tree.starts if "id" in attributes]
    assert len(ids) == len(set(ids))
    used = re.findall(r'(?:href="#|url\(#|aria-labelledby=")([^")]+)', page)
    assert len(used) > 20
    assert set(used) <= set(ids)


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
def test_a_page_with_less_on_it_is_whole(odd: Appraisal) -> None:
    """One choice, no curve, no distance, nothing assumed, nothing that changes it."""
    tree = Tree(render_page(odd))
    assert tree.all("h1") == [{}]
    assert "None" not in tree.text


def test_the_page_needs_nothing_else(page: str, tree: Tree) -> None:
    """No script, nothing to load, no address of any kind; and it tells browsers so."""
    assert not re.search(r"(?i)\bhttps?:|\bsrc\s*=|@import|@font-face|javascript:|data:", page)
    assert not tree.all("script", "link", "img", "iframe", "object", "embed", "base", "form")
    assert all((each["href"] or "").startswith("#") for each in tree.all("a", "use"))
    assert not [key for _, attributes in tree.starts for key in attributes if key.startswith("on")]
    policy = [each.get("content") for each in tree.all("meta")]
    assert "default-src 'none'; style-src 'unsafe-inline'" in policy


def test_names_are_only_ever_text() -> None:
    """A home, a choice, a tariff, a band, a note or a caution may be called anything."""
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
    """Which choice to take, and below it at which figures that changes."""
    start = tree.text.index(f"Cheapest over 8 years: {POINT} : NZD 6,166, NZD 2,776 less than")
    changes = tree.text.index("It would lose its place below 13,498 km a year")
    assert start < changes < tree.text.index("The choices in pictures")


def test_the_texts_hold_the_figures(tree: Tree) -> None:
    """In the table, in the bands, under the pictures and in words."""
    assert ["total over 8 years", "8,942", "7,082", "6,166"] in tree.rows
    assert ["Socket, night tariff", "day", "0.3335", "1,800", "50 %", "600"] in tree.rows
    told = " ".join(str(it["aria-label"]) for it in tree.all("div") if it.get("role") == "img")
    assert "Charge point, night tariff NZD 6,166, of which NZD 1,900 once" in told
    assert "takes the place of the answer at 13,498 km. Now: 20,000 km." in told
    for line in (*appraisal().assumptions, *appraisal().cautions):
        assert line in tree.text
    assert "12 of 241 nights are short for the departure: 31.2 kWh at the meter" in tree.text


def test_ranges_stand_in_the_table(large: str) -> None:
    """Beside each figure that has one, and the page says what they are."""
    tree = Tree(large)
    row = next(row for row in tree.rows if row[0] == "total over 8 years")
    assert row[1] == "8,928 (8,571 to 9,285)"
    assert "nine in ten of the 1,000 years drawn" in tree.text


def test_a_screen_reader_finds_its_way(tree: Tree) -> None:
    """WCAG 2.2: language, headings in order, captions, scopes, pictures told, a way past them."""
    assert tree.all("html") == [{"lang": "en-GB"}]
    levels = [int(tag[1]) for tag, _ in tree.starts if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert len(tree.all("table")) == len(tree.all("caption")) == 3
    assert {each.get("scope") for each in tree.all("th")} == {"col", "row"}
    pictures = [each for each in tree.all("div") if each.get("role") == "img"]
    assert len(pictures) == len(tree.all("figure")) == 2
    assert all(SOCKET in (each["aria-label"] or "") for each in pictures)
    assert tree.all("a")[0] == {"class": "skip", "href": "#figures"}
    regions = [each for each in tree.all("div") if each.get("class") == "scroll"]
    assert all(each["tabindex"] == "0" and each["role"] == "region" for each in regions)


def test_the_page_fits_a_telephone_and_a_desk(page: str, large: str, tmp_path: Path) -> None:
    """Nothing stands out at 320, 360 or 1200 px, nor on paper with eight choices."""
    (tmp_path / "three").mkdir()
    views = measured(tmp_path / "three", page, [320, 360, 1200])
    for view in views:
        assert view.scroll == view.width
        assert view.out == []
        assert sum(width > 0 for width in view.pictures) == 2
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
