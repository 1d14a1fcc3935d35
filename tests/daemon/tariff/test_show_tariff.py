"""A week of a tariff in a terminal: a strip for each day, signs, and the legend."""

from __future__ import annotations

import io
from datetime import date
from decimal import Decimal

import pytest
from rich.console import Console

from daemon.tariff.show_tariff import show_tariff
from tests.daemon.tariff.weeks import HOLIDAYS, SERIES, Week, half_hours, week_of
from tests.planners.households import band, bands
from tests.planners.planned import THREE_BANDS

EVERY_TWO = "            00  02  04  06  08  10  12  14  16  18  20  22"
EARLY = {**THREE_BANDS, "name": "Early", "valid_from": date(2026, 4, 1)}


def lines_of(week: Week, columns: int = 80) -> list[str]:
    """Print at a width, without spaces at line ends."""
    out = io.StringIO()
    Console(file=out, width=columns).print(show_tariff(week.file, week.prices, week.days))
    return [line.rstrip() for line in out.getvalue().splitlines()]


def strips_of(lines: list[str]) -> dict[str, str]:
    """Find the strips, by the day they are for."""
    days = ("Mon ", "Tue ", "Wed ", "Thu ", "Fri ", "Sat ", "Sun ")
    return {line[:10]: line[12:] for line in lines if line.startswith(days)}


def test_a_week_of_the_demo_household_with_a_change_of_the_clock() -> None:
    """The whole output: the hours on top shift for the day of 23 hours, and back."""
    assert lines_of(week_of("2026-09-25", 4)) == [
        "Kowhai Cottage: Fri 25 Sep 2026 to Mon 28 Sep 2026, Pacific/Auckland",
        "",
        EVERY_TWO,
        "Fri 25 Sep  " + 14 * "▁" + 8 * "█" + 12 * "▄" + 8 * "█" + 6 * "▁",
        "Sat 26 Sep  " + 14 * "▁" + 28 * "▄" + 6 * "▁",
        "",
        "            00  03  05  07  09  11  13  15  17  19  21  23",
        "Sun 27 Sep  " + 12 * "▁" + 28 * "▄" + 6 * "▁",
        "            23 hours: the clock goes forward at 02:00",
        "",
        EVERY_TWO,
        "Mon 28 Sep  " + 14 * "▁" + 8 * "█" + 12 * "▄" + 8 * "█" + 6 * "▁",
        "",
        "Three-band",
        "NZD per kWh, tax of 15 % included.",
        "     band      rate  before tax",
        "  ▁  night   0.1932      0.1680",
        "  █  peak    0.4738      0.4120",
        "  ▄  day    0.35075      0.3050",
        "Standing charge: NZD 2.185 a day (1.90 before tax).",
    ]


def test_a_band_with_several_entries_is_listed_once() -> None:
    """Cheap at night, and all day on weekends: one line for the band."""
    tariff = bands(
        band("cheap", "0.10", hours=["00:00-06:00"], days=["mon", "tue", "wed", "thu", "fri"]),
        band("cheap", "0.10", hours=["00:00-24:00"], days=["sat", "sun"]),
        band("other", "0.30"),
    )
    lines = lines_of(week_of("2026-06-05", 2, [tariff]))
    listed = [line.split()[-2:] for line in lines if "0.1000" in line or "0.3000" in line]
    assert listed == [["cheap", "0.1000"], ["other", "0.3000"]]


@pytest.mark.parametrize(
    ("zone", "first", "cells"),
    [
        ("Pacific/Auckland", "2026-04-04", [48, 50, 48]),
        ("Pacific/Auckland", "2026-09-26", [48, 46, 48]),
        ("Australia/Lord_Howe", "2026-04-04", [48, 49, 48]),
        ("Australia/Lord_Howe", "2026-10-03", [48, 47, 48]),
        ("Antarctica/Troll", "2026-10-24", [48, 52, 48]),
        ("Pacific/Apia", "2011-12-29", [48, 0, 48]),
    ],
)
def test_a_day_has_a_cell_for_each_of_its_half_hours(
    zone: str, first: str, cells: list[int]
) -> None:
    """However long the day is; and each has its strip."""
    lines = lines_of(week_of(first, 3, zone=zone))
    assert [len(strip) for strip in strips_of(lines).values()] == cells
    assert sum("hours: the clock goes" in line for line in lines) == 1


def test_the_hours_on_top_are_those_of_the_day() -> None:
    """On the day of 25 hours 02 comes twice; the cell below a mark is its hour."""
    lines = lines_of(week_of("2026-04-05", 1))
    marks, strip = lines[2], lines[3]
    assert marks == "            00  02  03  05  07  09  11  13  15  17  19  21  23"
    assert strip[marks.index("07")] == "█"
    assert strip[marks.index("07") - 1] == "▁"
    assert strip[marks.index("21")] == "▁"
    assert strip[marks.index("21") - 1] == "█"


def test_a_change_of_tariff_is_named_where_it_happens() -> None:
    """The new name is above its first day, and each tariff is in the legend."""
    dear = {**THREE_BANDS, "name": "Dearer", "valid_from": date(2026, 6, 4), "tax_percent": 0}
    lines = lines_of(week_of("2026-06-03", 3, [THREE_BANDS, dear]))
    place = lines.index("From Thu 04 Jun 2026: Dearer")
    assert lines[place - 2].startswith("Wed 03 Jun")
    assert lines[place + 1] == EVERY_TWO
    assert lines[place + 2].startswith("Thu 04 Jun")
    assert "Dearer, valid from Thu 04 Jun 2026" in lines
    assert "NZD per kWh, no tax added." in lines
    assert lines[-1] == "Standing charge: NZD 1.90 a day."
    assert "Standing charge: NZD 2.185 a day (1.90 before tax)." in lines


def test_a_public_holiday_is_marked_if_a_band_lists_it() -> None:
    """Good Friday 2026 in New Zealand (Holidays Act 2003, section 44, from memory)."""
    lines = lines_of(week_of("2026-04-02", 2, [HOLIDAYS], public_holidays="NZ"))
    strips = strips_of(lines)
    assert strips["Fri 03 Apr"] == 48 * "▁" + "  public holiday"
    assert strips["Thu 02 Apr"] == 16 * "▃" + 20 * "█" + 12 * "▃"
    assert max(map(len, lines)) <= 80


def test_a_price_series_is_summed_up_in_figures() -> None:
    """Range, mean over time, time below zero, estimates, and until when it is known.

    24 half hours at 0.10 and 20 at -0.06, then 4 without a price: estimated from no earlier day,
    as the mean of what is known. With 0.02 added and 25 % of tax.
    """
    prices = half_hours("2026-06-02T12:00:00", *["0.10"] * 24, *["-0.06"] * 20)
    tariff = {
        "name": "Day-ahead",
        "tax_percent": Decimal(25),
        "prices": {
            "file": "prices.csv", "step_minutes": 30, "add": Decimal("0.02"),
            "at_least": Decimal("-0.03"),
        },
    }  # fmt: skip
    lines = lines_of(week_of("2026-06-03", 1, [tariff], points=prices))
    known = (24 * Decimal("0.15") + 20 * Decimal("-0.0375")) / 44
    assert strips_of(lines) == {"Wed 03 Jun": 24 * "█" + 20 * "▁" + 4 * "▒"}
    assert lines[-8:] == [
        "Day-ahead",
        "NZD per kWh, tax of 25 % included.",
        "  Before tax: 1 x price + 0.02, at least -0.03.",
        f"  -0.0375 to 0.1500, mean {known:.6f} over 24 hours.",
        "  Below zero: 10 hours.",
        "  Estimated: 2 hours.",
        "  Known without a gap until Wed 03 Jun 2026 22:00.",
        "No standing charge.",
    ]
    assert "░▒▓ estimated, from low to high." in lines


def test_gaps_are_drawn_and_explained() -> None:
    """Question marks, with the time and the reason, within the terminal's width."""
    lines = lines_of(week_of("2026-03-31", 2, [EARLY]))
    assert strips_of(lines)["Tue 31 Mar"] == 48 * "?"
    text = " ".join(lines)
    assert (
        "? not known from Tue 31 Mar 2026 00:00 to Wed 01 Apr 2026 00:00: the first tariff is"
        " valid from 2026-04-01." in text
    )
    assert max(map(len, lines)) <= 80


def test_bands_that_begin_within_a_cell_are_explained() -> None:
    """A cell shows one rate; if a half hour has two, the legend says which."""
    odd = bands(band("boost", "0.05", hours=["12:15-13:15"]), band("rest", "0.30"))
    lines = lines_of(week_of("2026-06-03", 1, [odd]))
    assert strips_of(lines)["Wed 03 Jun"] == 25 * "█" + 2 * "▁" + 21 * "█"
    note = "Each cell shows the rate at the start of its half hour."
    assert note in lines
    assert note not in lines_of(week_of("2026-06-03", 1))


def test_every_band_is_in_the_legend() -> None:
    """Also one of another season, without a height; and one with tiers, tier by tier."""
    tiers = [{"up_to_kwh": Decimal(10), "rate": Decimal("0.30")}, {"rate": Decimal("0.40")}]
    tiered = {
        "name": "Tiered",
        "tiers_per": "day",
        "usual_kwh": Decimal(12),
        "bands": [
            {"name": "winter", "rate": Decimal("0.5"), "hours": ["17:00-21:00"], "months": [6, 7]},
            {"name": "rest", "tiers": tiers},
        ],
    }
    lines = lines_of(week_of("2026-02-02", 1, [tiered]))
    assert lines[-6:] == [
        "     band                        rate",
        "     winter                    0.5000",
        "     rest, up to 10 kWh a day  0.3000",
        "  ▁  rest, beyond that         0.4000",
        "  The strips show the rates after the home's usual 12 kWh a day.",
        "No standing charge.",
    ]


@pytest.mark.parametrize("days", [1, 7, 31, 366])
def test_any_number_of_days_fits(days: int) -> None:
    """80 columns are enough, each month has its own hours on top, no day is missing."""
    lines = lines_of(week_of("2026-01-01", days, [HOLIDAYS], public_holidays="NZ"))
    assert len(strips_of(lines)) == days
    assert max(map(len, lines)) <= 80
    blocks = sum(line.startswith("            00") for line in lines)
    assert blocks >= (12 if days == 366 else 1)


def test_a_currency_without_minor_units_has_none() -> None:
    """Yen are not split (ISO 4217: JPY, no minor unit); the standing charge is exact."""
    week = week_of("2026-06-03", 1)
    home = week.file.household.model_copy(update={"currency": "JPY"})
    file = week.file.model_copy(update={"household": home})
    assert lines_of(Week(file, week.prices, week.days))[-1] == (
        "Standing charge: JPY 2.185 a day (1.9 before tax)."
    )


def test_series_of_two_tariffs_are_told_apart() -> None:
    """A day's rates count for the tariff in force, not for the other."""
    prices = half_hours("2026-09-30T11:00:00", *["0.1"] * 48)
    lines = lines_of(week_of("2026-09-30", 2, [THREE_BANDS, SERIES], points=prices))
    assert "  0.1000 to 0.1000, mean 0.1000 over 24 hours." in lines
    assert "Day-ahead, valid from Thu 01 Oct 2026" in lines
