"""The stays of a night, as people and programs read them."""

from __future__ import annotations

import csv
from datetime import date
from decimal import Decimal
from io import StringIO
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from daemon.month.page_tables import MonthTables
from daemon.month.page_wording import MonthWords
from daemon.month.rows import month_values
from daemon.month.show_month import show_month
from daemon.month.wording import why_short
from daemon.night_log.month_reading import read_month
from daemon.night_log.night_rows import night_row, nights_csv
from daemon.night_log.show_nights import show_nights
from daemon.presentation.output import rich_text
from daemon.why.command import whys_of
from tests.daemon.control.test_nightbook import twice_a_night, van_after_hatchback
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NOON, World, kowhai

if TYPE_CHECKING:
    from adapters.ledger.ledger import Ledger

FILE = Path("house.yaml")
SHORT = "For Thu 07:20 it needed 60 % and had 47 %: 7.4 kWh were missing."


def test_every_report_says_what_each_departure_had(ledger: Ledger) -> None:
    """The second departure's shortage is in the table, the sums, the page and the reasons, once."""
    world = twice_a_night(ledger)
    world.plug_in(20.0)
    world.wait(LEAVES + MINUTE)
    world.unplug()
    world.wait(NOON + HOUR)
    house, currency = world.house, "NZD"
    rows = [night_row(record) for record in ledger.nights()]
    text = rich_text(show_nights("Kowhai Cottage", currency, rows, house.file.days), 100)
    assert [line.split() for line in text.splitlines() if "to 47" in line] == [
        ["20", "to", "47", "short"]
    ]
    assert (
        "Wed 03 Jun, 2 departures: for Wed 15:00 it needed 30 %, it had 40 %; for Thu 07:20 it"
        " needed 60 %, it had 47 %, 7.4 kWh short."
    ) in " ".join(text.split())
    (cells,) = csv.DictReader(StringIO(nights_csv(rows, currency)))
    assert (cells["need_met"], cells["departures"], cells["missing_kwh"]) == ("false", "2", "7.38")

    month = read_month(FILE, house, ledger, (2026, 6), world.now)
    shown = " ".join(rich_text(show_month(month), 100).split())
    assert "1, 1 short for the departure" in shown
    assert shown.count(SHORT) == 1
    values = month_values(month)
    assert [stay["need_met"] for stay in values["per_night"][0]["stays"]] == [True, False]
    assert values["nights_short"] == 1
    (night,) = MonthTables(month, MonthWords(month)).nights()
    assert (night.soc, night.departure) == (
        "40 % to 40 %, 20 % to 47 %",
        "30 %: enough, 60 %: short",
    )

    (why,) = whys_of(FILE, house, ledger, (date(2026, 6, 3), None), world.now)
    assert "At 15:00 the battery held about 40 %; 30 % were needed." in why.explanation.text
    assert "It was 7.4 kWh short for the departure: at 07:21" in why.explanation.text
    assert "unplugged at 15:02" not in why.explanation.text, "it left late, not before its hours"


def test_every_report_says_which_vehicle_took_what(ledger: Ledger) -> None:
    """By hand: an hour at 7.36 kW for the first, 5 % of 100 kWh at 90 % for the second."""
    world = van_after_hatchback(ledger)
    world.ask(vehicle="van")
    world.wait(LEAVES + MINUTE)
    world.unplug()
    world.wait(NOON + HOUR)
    rows = [night_row(record) for record in ledger.nights()]
    table = show_nights("Kowhai Cottage", "NZD", rows, world.house.file.days)
    lines = [line.split() for line in rich_text(table, 120).splitlines()]
    assert ["driveway:", "hatchback,", "van"] in lines
    assert ["van", "40", "to", "45", "enough"] in lines
    (first,) = [line for line in lines if line[:4] == ["Wed", "03", "Jun", "hatchback"]]
    assert first[4] == "12.92"
    assert "none" in first, "the hatchback left before its departure"

    month = read_month(FILE, world.house, ledger, (2026, 6), world.now)
    sums = {each.vehicle: (each.nights, each.wh, each.cost) for each in month.by_vehicle}
    assert sums["hatchback"] == (1, 7360, Decimal("1.84"))
    assert sums["van"][1] == pytest.approx(5556, abs=15)
    assert sum(wh for _nights, wh, _cost in sums.values()) == month.nights[0].energy_wh
    (why,) = whys_of(FILE, world.house, ledger, (date(2026, 6, 3), None), world.now)
    assert "the battery of van held about 45 %" in why.explanation.text


def test_a_person_who_asked_not_to_charge_is_the_reason(ledger: Ledger) -> None:
    """Not that charging never started, nor that the time was short."""
    world = World(kowhai(), EVENING, ledger)
    world.read()
    world.plug_in(20.0)
    world.now += MINUTE
    world.ask(stop=True)
    world.wait(LEAVES + MINUTE)
    world.unplug()
    (row,) = (month := read_month(FILE, world.house, ledger, (2026, 6), world.now)).nights
    assert why_short(month, row) == (
        "It needed 60 % and had 20 %: 23.1 kWh were missing."
        " Somebody had asked not to charge, from Wed 18:31 on."
    )
