"""The page of a month: whole in itself, well formed, safe to write names into, fit to be read."""

from __future__ import annotations

import re
from dataclasses import replace
from decimal import Decimal
from itertools import pairwise
from typing import TYPE_CHECKING

import pytest

from daemon.month.page import render_page
from tests.daemon.month.samples import ALONE, GAP, SHORT, empty_month, full_month
from tests.support.chromium import measured, printed
from tests.support.pages import A4_POINTS, HOSTILE, Tree

if TYPE_CHECKING:
    from pathlib import Path


@pytest.fixture(scope="module")
def page() -> str:
    return render_page(full_month())


@pytest.fixture(scope="module")
def tree(page: str) -> Tree:
    return Tree(page)


def test_the_page_is_well_formed(page: str, tree: Tree) -> None:
    """Every element ends where it should, also of a month without nights; ids are unique."""
    assert page.startswith("<!DOCTYPE html>")
    Tree(render_page(empty_month()))
    ids = [attributes["id"] for _, attributes in tree.starts if "id" in attributes]
    assert len(ids) > 100
    assert len(ids) == len(set(ids))


def test_every_reference_has_its_target(page: str, tree: Tree) -> None:
    """Links, labels, and what pictures use of themselves."""
    ids = {attributes.get("id") for _, attributes in tree.starts}
    used = re.findall(r'(?:href="#|url\(#|aria-labelledby=")([^")]+)', page)
    assert len(used) > 20
    assert set(used) <= ids


def test_the_page_needs_nothing_else(page: str, tree: Tree) -> None:
    """No script, nothing to load, no address of any kind; and it tells browsers so."""
    assert not re.search(r"(?i)\bhttps?:|\bsrc\s*=|@import|@font-face|javascript:|data:", page)
    assert not tree.all("script", "link", "img", "iframe", "object", "embed", "base", "form")
    assert all((each["href"] or "").startswith("#") for each in tree.all("a", "use"))
    assert not [key for _, attributes in tree.starts for key in attributes if key.startswith("on")]
    policy = [each.get("content") for each in tree.all("meta")]
    assert "default-src 'none'; style-src 'unsafe-inline'" in policy


def test_names_are_only_ever_text() -> None:
    """A household, charge point, vehicle, band or alert may be called anything."""
    month = full_month(HOSTILE)
    row = month.nights[0]
    line = replace(row.by_band[0], band=HOSTILE)
    rates = tuple(replace(span, band=HOSTILE) for span in row.rates)
    row = replace(row, vehicle=HOSTILE, charge_point=HOSTILE, by_band=(line,), rates=rates)
    alert = replace(month.alerts[0], message=HOSTILE, charge_point=HOSTILE)
    page = render_page(replace(month, nights=(row, *month.nights[1:]), alerts=(alert,)))
    tree = Tree(page)
    assert "<script" not in page
    assert not tree.all("script")
    assert tree.text.count(HOSTILE) >= 6
    assert "{{ 7 * 7 }}" in tree.text


def test_every_night_is_a_row(tree: Tree) -> None:
    """With its hours, energy, estimate, cost, charge, need and what rules would have cost."""
    month = full_month()
    rows = [row for row in tree.rows if len(row) == 12 and row[1] in {"van", "hatchback"}]
    assert len(rows) == len(month.nights) == 39
    for cells, night in zip(rows, month.nights, strict=True):
        assert cells[0] == f"{night.night:%a} {night.night.day} Oct"
        assert cells[1] == night.vehicle
        assert Decimal(cells[3]) * 1000 == night.energy_wh
        assert abs(Decimal(cells[6]) - night.cost) <= Decimal("0.005")
        assert cells[8] == ("60 %: enough" if night.need_met else "60 %: short")
    assert " ".join(rows[1][2].split()) == "21:30 to 01:00"
    short = next(cells for cells in rows if cells[0] == f"Fri {SHORT} Oct")
    assert short[7:] == ["41 % to 48 %", "60 %: short", "2.04", "0.83", "0.83"]
    gap = next(cells for cells in rows if cells[0] == f"Wed {GAP} Oct")
    assert gap[4] == "2.150"


def test_the_texts_hold_the_totals(tree: Tree) -> None:
    """As the month's own sums have them, in a sentence, in the tables and under the pictures."""
    month = full_month()
    assert month.saved_against_at_once is not None
    assert (
        f"{month.energy_wh / 1000:.3f} kWh in 30 nights for NZD {month.cost_rounded}" in tree.text
    )
    assert f"NZD {month.saved_against_at_once:.2f} less than charging at once" in tree.text
    assert ["Cost of that energy", f"NZD {month.cost_rounded}"] in tree.rows
    for line in month.by_band:
        cells = next(row for row in tree.rows if len(row) == 5 and row[0] == line.band)
        assert cells[1] == f"{line.rate}"
        assert Decimal(cells[2]) * 1000 == line.wh
        assert cells[4] == f"{line.cost:.2f}"
    told = " ".join(
        str(each["aria-label"]) for each in tree.all("div") if each.get("role") == "img"
    )
    for figure in (
        f"paid NZD {month.cost_rounded}",
        "Thu 1 Oct 21:30 to 01:00",
        "night 660.554 kWh",
    ):
        assert figure in told


def test_what_is_amiss_is_said(tree: Tree) -> None:
    """A need missed and why, an estimate, an alert, a night without a record."""
    assert "It needed 60 % and had 48 %. hatchback will reach 45 %" in tree.text
    assert "2.150 of 19.897 kWh are estimated" in tree.text
    assert "Wed 14 Oct 23:30, the household: the disk was full for 20 minutes" in tree.text
    assert f"No night was recorded on Tue {ALONE} Oct." in tree.text
    assert "On Sat 3 Oct the clock changes" in tree.text
    assert "This is an account of charging, not a bill" in tree.text


def test_amounts_have_the_decimals_of_their_currency() -> None:
    """None for the yen, three for the Bahraini dinar (ISO 4217, table A.1)."""
    assert (
        "in 30 nights for JPY 133, JPY 178 less"
        in Tree(render_page(full_month(currency="JPY"))).text
    )
    assert "for BHD 132.821, BHD 178.165 less" in Tree(render_page(full_month(currency="BHD"))).text


def test_one_night_and_no_baseline_are_worded_as_they_are() -> None:
    """One night is no nights, and what is not known is not zero."""
    month = full_month()
    row = replace(month.nights[1], at_once=None, timer=Decimal("4.00"), hindsight=None)
    text = Tree(render_page(replace(month, nights=(row,), alerts=(), distance=None))).text
    assert "charged 24.962 kWh in 1 night for NZD 4.82." in text
    assert "Charging at once instead not known" in text
    assert "Charging on a timer instead NZD 0.82 less" in text
    assert "All nights are of hatchback at driveway." in text
    assert "Cost per km" not in text


def test_a_screen_reader_finds_its_way(tree: Tree) -> None:
    """WCAG 2.2: language, headings in order, captions, scopes, pictures told, a way past them."""
    assert tree.all("html") == [{"lang": "en-GB"}]
    levels = [int(tag[1]) for tag, _ in tree.starts if re.fullmatch(r"h[1-6]", tag)]
    assert levels[0] == 1
    assert levels.count(1) == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    assert len(tree.all("table")) == len(tree.all("caption")) == 5
    assert {each.get("scope") for each in tree.all("th")} == {"col", "row"}
    pictures = [each for each in tree.all("div") if each.get("role") == "img"]
    assert len(pictures) == len(tree.all("figure")) == 3
    assert all(len(each["aria-label"] or "") > 60 for each in pictures)
    assert tree.all("a")[0] == {"class": "skip", "href": "#nights"}
    regions = [each for each in tree.all("div") if each.get("class") == "scroll"]
    assert all(each["tabindex"] == "0" and each["role"] == "region" for each in regions)


def test_the_page_fits_a_telephone_and_a_desk(page: str, tmp_path: Path) -> None:
    """Nothing stands out at 320, 360 or 1200 px; tables that are wider move in themselves."""
    least, phone, desk = measured(tmp_path, page, [320, 360, 1200])
    for view in (least, phone, desk):
        assert view.scroll == view.width
        assert view.out == []
        assert sum(width > 0 for width in view.pictures) == 3
    assert phone.width == 360
    assert min(phone.letters) >= 10
    assert phone.tables[-1][1] > phone.tables[-1][0]
    assert all(inside <= outside for outside, inside in desk.tables)
    paper = page.replace("@media print", "@media all")
    (sheet,) = measured(tmp_path, paper, [688])  # 182 mm between the margins, at 96 px to the inch
    assert all(inside <= outside for outside, inside in sheet.tables)
    assert sheet.scroll == sheet.width


def test_the_page_prints_on_a_few_sheets_of_a4(page: str, tmp_path: Path) -> None:
    """Totals and cost, hours and energy, nights, notes: four sheets."""
    paper = printed(tmp_path, page)
    assert paper.pages == 4
    assert paper.size == pytest.approx(A4_POINTS, abs=1)
