"""The page of a month: self-contained, well formed, safe for any name, readable."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest

from daemon.month.page import render_page
from daemon.month.page_tables import MonthTables
from daemon.month.page_wording import MonthWords
from tests.daemon.month.samples import ALONE, GAP, SHORT, empty_month, full_month
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

    from planners.rates.spans import RateSpan

QUARTER = timedelta(minutes=15)


@pytest.fixture(scope="module")
def page() -> str:
    return render_page(full_month())


@pytest.fixture(scope="module")
def tree(page: str) -> Tree:
    return Tree(page)


def test_the_page_is_well_formed(page: str, tree: Tree) -> None:
    """Every element ends, also without nights; every reference has its target."""
    assert page.startswith("<!DOCTYPE html>")
    Tree(render_page(empty_month()))
    assert len([1 for _, attributes in tree.starts if "id" in attributes]) > 15
    check_references(page, tree)


def test_the_page_needs_nothing_else(page: str, tree: Tree) -> None:
    """No script, nothing to load, no address of any kind; and it tells browsers so."""
    check_self_contained(page, tree)


def test_names_are_only_ever_text() -> None:
    """A household, charge point, vehicle, band or alert may have any name."""
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


@pytest.mark.usefixtures("undrawn")
def test_each_vehicle_is_a_row(tree: Tree) -> None:
    """As in the text; the rows add up to the last, and one vehicle alone has none."""
    month = full_month()
    expected = [list(each) for each in MonthTables(month, MonthWords(month)).vehicles()]
    rows = [row for row in tree.rows if len(row) == 5 and row[0] in {"van", "hatchback", "All"}]
    *vehicles, total = rows[-3:]
    assert vehicles == expected
    assert total[1:3] == [f"{len(month.nights)}", f"{len(month.nights_short)}"]
    for place in (3, 4):
        assert sum(Decimal(row[place]) for row in vehicles) == Decimal(total[place])
    one = replace(month, nights=tuple(row for row in month.nights if row.vehicle == "van"))
    assert "By vehicle" not in Tree(render_page(one)).text


def test_every_night_is_a_row(tree: Tree) -> None:
    """With hours, energy, estimate, cost, charge, need and the other rules' costs."""
    month = full_month()
    rows = [row for row in tree.rows if len(row) == 12 and row[1] in {"van", "hatchback"}]
    assert len(rows) == len(month.nights) == 39
    for cells, night in zip(rows, month.nights, strict=True):
        assert cells[0] == f"{night.night:%a} {night.night.day} Oct"
        assert cells[1] == night.vehicle
        assert Decimal(cells[3]) == round(Decimal(night.energy_wh) / 1000, 2)
        assert abs(Decimal(cells[6]) - night.cost) <= Decimal("0.005")
        assert cells[8] == ("60 %: enough" if night.need_met else "60 %: short")
    assert " ".join(rows[1][2].split()) == "21:30 to 01:00"
    short = next(cells for cells in rows if cells[0] == f"Fri {SHORT} Oct")
    assert short[7:] == ["41 % to 48 %", "60 %: short", "2.04", "0.83", "0.83"]
    gap = next(cells for cells in rows if cells[0] == f"Wed {GAP} Oct")
    assert gap[4] == "2.15"


def test_the_texts_hold_the_totals(tree: Tree) -> None:
    """The month's own sums, in a sentence, in the tables and under the pictures."""
    month = full_month()
    assert month.saved_against_at_once is not None
    assert (
        f"{month.energy_wh / 1000:.2f} kWh in 30 nights for NZD {month.cost_rounded}" in tree.text
    )
    assert f"NZD {month.saved_against_at_once:.2f} less than charging at once" in tree.text
    assert ["Cost of that energy", f"NZD {month.cost_rounded}"] in tree.rows
    for line in month.by_band:
        cells = next(row for row in tree.rows if len(row) == 5 and row[0] == line.band)
        assert cells[1] == f"{line.rate:.4f}"
        assert abs(Decimal(cells[2]) * 1000 - line.wh) < 10
        assert abs(Decimal(cells[4]) - line.cost) < Decimal("0.01")
    described = " ".join(picture_labels(tree))
    for figure in (
        f"paid NZD {month.cost_rounded}",
        "Thu 1 Oct 21:30 to 01:00",
        "night 660.55 kWh",
    ):
        assert figure in described


def test_the_bands_add_up_to_the_month_as_shown() -> None:
    """To the last decimal shown, although each band is rounded."""
    month = full_month()
    for nights in (month.nights, month.nights[:1], month.nights[3:12]):
        some = replace(month, nights=nights)
        bands = MonthTables(some, MonthWords(some)).bands()
        assert sum(Decimal(each.cost) for each in bands) == some.cost_rounded
        kwh = sum(Decimal(each.energy) for each in bands)
        assert kwh == round(Decimal(some.energy_wh) / 1000, 2)


def test_faults_are_mentioned(tree: Tree) -> None:
    """A short night and why, an estimate, an alert, a night without a record."""
    late = "It was plugged in only at Sat 06:30, 0.8 hours before the departure."
    short = f"It needed 60 % and had 48 %. {late}"
    assert f"{short} hatchback will reach 45 %" in tree.text
    assert "2.15 of 19.90 kWh are estimated" in tree.text
    assert "Wed 14 Oct 23:30, the household: the disk was full for 20 minutes" in tree.text
    assert f"No night was recorded on Tue {ALONE} Oct." in tree.text
    assert "On Sat 3 Oct the clock changes" in tree.text
    assert "This is an account of charging, not a bill" in tree.text


@pytest.mark.usefixtures("undrawn")
def test_amounts_have_the_decimals_of_their_currency() -> None:
    """None for the yen, three for the Bahraini dinar (ISO 4217, table A.1)."""
    assert (
        "in 30 nights for JPY 133, JPY 178 less"
        in Tree(render_page(full_month(currency="JPY"))).text
    )
    assert "for BHD 132.821, BHD 178.165 less" in Tree(render_page(full_month(currency="BHD"))).text


@pytest.mark.usefixtures("undrawn")
def test_one_night_without_a_baseline_is_worded_so() -> None:
    """One night is not "nights", and unknown is not zero."""
    month = full_month()
    row = replace(month.nights[1], at_once=None, timer=Decimal("4.00"), hindsight=None)
    text = Tree(render_page(replace(month, nights=(row,), alerts=(), distance=None))).text
    assert "charged 24.96 kWh in 1 night for NZD 4.82." in text
    assert "Charging at once instead not known" in text
    assert "Charging on a timer instead NZD 0.82 less" in text
    assert "All nights are of hatchback at driveway." in text
    assert "Cost per km" not in text


def test_a_screen_reader_finds_its_way(tree: Tree) -> None:
    """WCAG 2.2: language, headings, captions, scopes, labels, a skip link."""
    check_accessible(tree, tables=6, pictures=3, skip_to="#nights")
    assert all(len(label) > 60 for label in picture_labels(tree))


def test_the_page_fits_a_telephone_and_a_desk(page: str, tmp_path: Path) -> None:
    """Nothing sticks out at 320, 360 or 1200 px; wider tables scroll."""
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


def test_the_page_prints_on_three_sheets_of_a4(tmp_path: Path) -> None:
    """Totals and costs; hours and nights; notes: also if two vehicles are there every night."""
    month = full_month()
    vans = [row for row in month.nights if row.vehicle == "van"]
    rows = [row for row in month.nights if row.vehicle != "van"]
    rows += [replace(vans[place % len(vans)], night=row.night) for place, row in enumerate(rows)]
    rows.sort(key=lambda row: (row.night, row.charge_point))
    paper = printed(tmp_path, render_page(replace(month, nights=tuple(rows))))
    assert paper.pages <= 3
    assert paper.size == pytest.approx(A4_POINTS, abs=1)


def test_a_month_of_prices_by_the_quarter_hour_is_a_small_page() -> None:
    """At most 300 kB for two vehicles, though nearly 3000 prices stand behind its hours."""
    month = full_month()
    rows = [replace(row, rates=_by_the_quarter(row.rates)) for row in month.nights]
    page = render_page(replace(month, nights=tuple(rows)))
    assert len(page.encode()) <= 300_000


def _by_the_quarter(rates: tuple[RateSpan, ...]) -> tuple[RateSpan, ...]:
    """Give each quarter-hour a price of its own; invented."""
    spans = []
    for span in rates:
        for place in range((span.end - span.start) // QUARTER):
            start = span.start + place * QUARTER
            rate = span.rate + Decimal(start.hour * 613 % 97 + place * 389 % 61) / 500
            spans.append(replace(span, start=start, end=start + QUARTER, rate=rate))
    return tuple(spans)
