"""An appraisal in a terminal: readable at any width, complete, plain."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from rich.console import Console

from config.choices.money_over_years import Grant, Maintenance
from daemon.appraise.hinges import rows_of
from daemon.appraise.remarks import LESS, ROUNDED
from daemon.appraise.rows import document
from daemon.appraise.show_appraisal import show_appraisal
from daemon.appraise.tables import COMPARED, bands, figures
from daemon.appraise.wording import AppraisalWords
from planners.appraisal.appraisal import BandYear, Spread, VehicleYear
from planners.worth.lifetime import Lifetime
from tests.daemon.appraise.samples import (
    POINT,
    SOCKET,
    SOCKET_NIGHT,
    appraisal,
    choice,
    hinges,
    many,
    three,
)

if TYPE_CHECKING:
    from planners.appraisal.appraisal import Appraisal


def shown(it: Appraisal, width: int) -> str:
    console = Console(width=width, highlight=False)
    with console.capture() as captured:
        console.print(show_appraisal(it))
    return captured.get()


@pytest.mark.parametrize("width", [80, 120])
@pytest.mark.parametrize("count", [2, 3, 5, 8])
@pytest.mark.parametrize("draws", [0, 1000])
def test_every_figure_is_complete_at_any_width(width: int, count: int, draws: int) -> None:
    """No line is too long, nothing is cut off, and each total and name is there."""
    it = many(count, draws=draws)
    text = shown(it, width)
    assert max(map(len, text.splitlines())) <= width
    assert "…" not in text
    words = AppraisalWords(it)
    for each in it.choices:
        assert words.amount(each.total_over_years) in text
        assert each.name in " ".join(text.split())


def test_the_parts_of_a_year_add_up_to_its_total() -> None:
    """As they are printed, although each is rounded; and the text says what no total counts."""
    first, second, _ = three()
    second = replace(
        second,
        cost=700.4,
        standing_charge_difference=36.4,
        home_cost_difference=20.4,
        year_cost=700.4 + 36.4 + 20.4,
    )
    text = shown(appraisal((first, second)), 120)
    rows = {line[:21].strip(): line.split()[-1] for line in text.splitlines() if line.strip()}
    total = int(rows["total a year"])
    assert (rows["energy, a year"], rows["rest of the home,"]) == ("701", "20")
    assert total == 757 == 701 + int(rows["standing charge,"]) + 20
    assert (
        "The standing charge of that choice, NZD 400 a year, is paid without the vehicle too, and"
        " is in no total." in " ".join(text.split())
    )


def test_two_choices_are_side_by_side_at_80_columns() -> None:
    """And so do three, with ranges too."""
    for it in (appraisal(), many(3)):
        (line,) = [line for line in shown(it, 80).splitlines() if line.startswith("total over 8")]
        assert len(line.split()) == 4 + 3


def test_eight_choices_are_shown_in_parts() -> None:
    """In parts of 3, 3 and 2 with ranges."""
    lines = [line for line in shown(many(8), 80).splitlines() if line.startswith("total over 8")]
    assert [len(line.split()) - 4 for line in lines] == [2, 3, 3]


def test_a_range_is_below_its_figure() -> None:
    """From the low to the high end, 4 % to either side of 8928."""
    lines = shown(many(2), 80).splitlines()
    place = next(n for n, line in enumerate(lines) if line.startswith("total over 8"))
    assert "(8,571 to 9,285)" in lines[place + 1]


def test_a_range_that_is_no_wider_than_its_figure_is_left_out() -> None:
    """One that has shrunk to another figure is shown; an endless payback is never."""
    third = three()[2]
    spreads = {
        "cost": Spread(third.cost - 0.01, third.cost + 0.01),
        "outlay": Spread(2000.0, 2000.0),
        "payback_years": Spread(3.0, math.inf),
    }
    it = appraisal((*three()[:2], replace(third, spreads=spreads)))
    ranges = {row.label: row.cells[2].range for row in figures(AppraisalWords(it))}
    assert ranges["energy, a year"] == ""
    assert ranges["outlay, once"] == "(2,000)"
    assert ranges["payback, years"] == "(3.0 to never)"


def test_the_answer_comes_first_and_cautions_last() -> None:
    """With what would change it between them."""
    text = shown(appraisal(), 100)
    assert text.startswith(f"Cheapest over 8 years: {POINT}")
    titles = ("What would change it", "Longest day", "Nights short", "What was assumed", "Cautions")
    assert sorted(titles, key=text.index) == list(titles)
    for line in (*appraisal().assumptions, *appraisal().cautions):
        assert line in text


def test_markup_in_a_name_is_text() -> None:
    """Square brackets are not styles."""
    it = appraisal((choice("[bold]A[/bold]", 10, 0, 0), choice("[/red]", 20, 0, 0)))
    text = shown(it, 120)
    assert "[bold]A[/bold]" in text
    assert "[/red]" in text


def test_paybacks_are_years_or_words() -> None:
    """Never, at once, or so many years; the first choice has none."""
    choices = (*three(), replace(three()[2], name="Golden", payback_years=None))
    words = AppraisalWords(appraisal(choices))
    rows = {row.label: [cell.text for cell in row.cells] for row in figures(words)}
    assert rows["payback, years"] == ["", "at once *", "3.3", "never"]
    assert rows[COMPARED] == ["", "233 less *", "585 less", "585 less"]
    assert rows["above the cheapest"] == ["2,776", "916 *", "cheapest", "0"]


def test_savings_by_delivering_less_are_marked_and_explained() -> None:
    """For short nights or energy from elsewhere; otherwise no mark and no note."""
    assert LESS in " ".join(shown(appraisal(), 300).split())
    elsewhere = tuple(
        replace(it, nights_short=0, charged_elsewhere_kwh=it.outlay / 10) for it in three()
    )
    words = AppraisalWords(appraisal(elsewhere))
    (row,) = [it for it in figures(words) if it.label == COMPARED]
    assert [cell.text for cell in row.cells] == ["", "233 less", "585 less *"]
    good = tuple(replace(it, nights_short=0) for it in three())
    assert "*" not in shown(appraisal(good), 100)


def test_a_payback_of_some_days_is_not_zero() -> None:
    """Ten euros paid back at 302 a year."""
    soon = replace(three()[2], payback_years=0.03)
    words = AppraisalWords(appraisal((*three()[:2], soon)))
    (row,) = [it for it in figures(words) if it.label == "payback, years"]
    assert row.cells[2].text == "less than 0.1"


def test_empty_figures_are_left_out() -> None:
    """An unknown distance, no energy from elsewhere, no years drawn."""
    unknown = tuple(
        replace(it, cost_per_km=None, cost_per_mile=None, longest_day_km=None) for it in three()
    )
    labels = {row.label for row in figures(AppraisalWords(appraisal(unknown, distance_km=None)))}
    assert (
        not {"per km", "per mile", "longest day, km", "charged elsewhere, kWh in the battery"}
        & labels
    )
    assert "rest of the home, difference" not in labels
    more = tuple(replace(it, charged_elsewhere_kwh=3.25, estimated_kwh=40.0) for it in three())
    rows = {row.label: row.cells[0].text for row in figures(AppraisalWords(appraisal(more)))}
    assert rows["charged elsewhere, kWh in the battery"] == "3.2"
    assert rows["at estimated rates, kWh at the meter"] == "40.0"
    assert rows["per mile"] == "0.0899"


def _number(text: str) -> int:
    return int(text.replace(",", "").split()[0])


def test_all_that_is_written_adds_up() -> None:
    """15,642.6 and 15,205.7 are 30,848; the standing charge takes the rounding of the year."""
    halves = (
        BandYear("night", Decimal("0.1380"), 15_642.6, 2158.6),
        BandYear("day", Decimal("0.3335"), 15_205.7, 5071.7),
    )
    first, second, third = three()
    second = replace(
        second, by_band=halves, energy_kwh=30_848.3, cost=7230.3, standing_charge_difference=36.4,
        year_cost=7266.7, total_over_years=58_133.6,
    )  # fmt: skip
    third = replace(third, year_cost=533.4, total_over_years=6167.4)
    words = AppraisalWords(appraisal((first, second, third)))
    rows = {row.label: [cell.text for cell in row.cells] for row in figures(words)}
    of_second = [line for line in bands(words) if line.choice == second.name]
    assert sum(_number(line.energy) for line in of_second) == _number(rows["kWh at the meter"][1])
    assert sum(_number(line.cost) for line in of_second) == _number(rows["energy, a year"][1])
    parts = (rows["energy, a year"][1], rows["standing charge, difference"][1])
    year = [_number(text) for text in rows["total a year"]]
    assert sum(map(_number, parts)) == year[1]
    assert [_number(text) for text in rows[COMPARED][1:]] == [
        abs(year[0] - other) for other in year[1:]
    ]
    totals = [_number(text) for text in rows["total over 8 years"]]
    above = [_number(text) for text in rows["above the cheapest"][:2]]
    assert above == [total - totals[2] for total in totals[:2]]
    assert ROUNDED in " ".join(shown(appraisal(), 300).split())
    assert f"NZD {totals[0] - totals[2]:,} less than {first.name}" in words.answer()


def test_a_choice_alone_is_compared_with_nothing() -> None:
    """Its table has no savings."""
    labels = {row.label for row in figures(AppraisalWords(appraisal(three()[:1])))}
    assert "total over 8 years" in labels
    assert not {COMPARED, "payback, years", "above the cheapest"} & labels


def test_bands_are_listed_choice_by_choice() -> None:
    """With rates and shares; a price series has no rate, zero energy no shares."""
    lines = bands(AppraisalWords(appraisal()))
    assert [line[1:] for line in lines] == [
        ("all hours", "0.3105", "3,600", "100 %", "1,118"),
        ("night", "0.138", "1,800", "50 %", "249"),
        ("day", "0.3335", "1,800", "50 %", "600"),
        ("night", "0.138", "3,600", "100 %", "497"),
    ]
    unused = (BandYear("price", None, 0.0, 0.0),)
    series = replace(three()[0], by_band=unused, energy_kwh=0.0, cost=0.0)
    words = AppraisalWords(appraisal((series,)))
    assert bands(words)[0] == (SOCKET, "price", "by the hour", "0", "", "0")


def test_each_of_several_vehicles_has_its_own_lines() -> None:
    """Its energy, and its short nights if it has any; JSON holds the same."""
    car, van = (
        VehicleYear("first vehicle", 2400.4, 260, 0, 0.0),
        VehicleYear("van", 900, 260, 7, 0.0),
    )
    nowhere = VehicleYear("van", 0.0, 0, 0, 810.0)
    one, two, three_ = three()
    made = appraisal(
        (
            replace(one, vehicles=(car, nowhere)),
            replace(two, vehicles=(car, van)),
            replace(three_, vehicles=(car, van)),
        )
    )
    rows = {row.label: [cell.text for cell in row.cells] for row in figures(AppraisalWords(made))}
    assert rows["first vehicle: kWh at the meter"] == ["2,400"] * 3
    assert rows["van: kWh at the meter"] == ["0", "900", "900"]
    assert rows["van: nights short"] == ["0", "7", "7"]
    assert "first vehicle: nights short" not in rows
    assert [each["nights"] for each in document(made)["choices"][0]["vehicles"]] == [260, 0]
    assert "vehicles" not in document(appraisal())["choices"][0]


def test_interest_grants_and_maintenance_are_said_plainly() -> None:
    """What a total is, both paybacks, every line; and the parts still add up."""
    socket, _, point = three()
    point = replace(
        point,
        year_cost=point.year_cost + 35.5,
        payback_years=2.5,
        discounted_payback_years=2.71,
        grants=(Grant(amount=Decimal(400), note="a regional grant"),),
        maintenance=(Maintenance(amount=Decimal(71), every_years=2, note="an inspection"),),
    )
    late = replace(point, name="Late", discounted_payback_years=None, total_over_years=9999.0)
    life = Lifetime(8, 4.0, {"energy": 2.0})
    text = " ".join(shown(appraisal((socket, point, late), lifetime=life), 120).split())
    for sentence in (
        "Its outlay, NZD 1,500 more than that of “Socket, one rate” after grants, is paid back",
        "after 2.5 years at the first year's saving, and after 2.7 years counting interest and",
        "what the payments of 8 years are worth today (their present value): at 4 % interest",
        "NZD 100 paid after one year counts as 96.15, and after 8 years as 73.07.",
        f"{POINT}: receives NZD 400 (a regional grant)",
        f"{POINT}: costs NZD 71 every 2 years (an inspection)",
        "discounted payback, 2.7 not in time",
        "grants received 0 400 400",
    ):
        assert sentence in text, sentence
    words = AppraisalWords(appraisal((socket, point), lifetime=life))
    parts = words.parts_of_year(point)
    assert sum(parts.values()) == round(Decimal(str(point.year_cost)))
    never = replace(point, discounted_payback_years=None)
    assert "but not within 8 years counting interest and the growth of prices." in " ".join(
        shown(appraisal((socket, never), lifetime=life), 120).split()
    )
    plain = document(appraisal((socket, point), lifetime=life))
    assert (plain["interest_percent"], plain["price_growth"]["energy_percent"]) == (4.0, 2.0)
    made = plain["choices"][1]
    assert (made["granted"], made["maintenance_per_year"]) == (400.0, 35.5)
    assert (made["payback_years"], made["discounted_payback_years"]) == (2.5, 2.71)


def test_what_the_answer_hangs_on_is_a_table_and_sentences() -> None:
    """A row for each value that is not today's, and from where on another choice wins."""
    it = appraisal(hinges=hinges())
    rows = rows_of(AppraisalWords(it))
    assert [row[:4] for row in rows][-4:] == [
        ("all rates at home", "as declared", "20 % higher", "the same"),
        ("interest", "0 % a year", "2 % a year", "the same"),
        ("years kept", "8 years", "4 years", SOCKET_NIGHT),
        ("years kept", "8 years", "12 years", "the same"),
    ]
    assert rows[4][3:] == (SOCKET_NIGHT, "2,776", "-20")
    for width in (80, 120):
        assert max(map(len, shown(it, width).splitlines())) <= width
    text = " ".join(shown(it, 120).split())
    assert text.index("What the answer hangs on") < text.index("What would change it")
    for sentence in (
        f"With all rates at home more than 14 % lower, “{SOCKET_NIGHT}” would be the answer.",
        f"Kept for less than 5.4 years (8 years now), “{SOCKET_NIGHT}” would be the answer.",
        "It stays the answer with consumption from 0.0 kWh per 100 km to 20.0 kWh per 100 km",
        "kWh per 100 km and interest from 0 % a year to 20 % a year.",
    ):
        assert sentence in text, sentence
    made = document(it)["hinges"]
    assert [each["input"] for each in made] == [each.what for each in it.hinges]
    assert made[3]["tried"] == [
        {"value": 2.0, "cheapest": POINT, "saves_over_years": 2776.0, "ahead": 730.0}
    ]
    assert made[4]["breaks"] == [{"at": 5.39, "rival": SOCKET_NIGHT}]
    in_miles = appraisal(hinges=hinges(), distance_unit="mile")
    assert rows_of(AppraisalWords(in_miles))[2][2] == "22.2 kWh per 100 miles"
