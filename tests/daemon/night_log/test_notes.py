"""Remarks on the costs by other rules: hours that were too few, and nights of earlier versions."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from decimal import Decimal
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from rich.console import Console, RenderableType

from config.calendar.account_days import AccountDays
from daemon.control.events import LoweredByLoad
from daemon.desk.homes import HomeMonths
from daemon.desk.months_view import HomesView, Wanted, show_homes
from daemon.month.page import render_page
from daemon.month.rows import month_values
from daemon.month.show_month import show_month
from daemon.night_log.night_rows import night_row, night_values
from daemon.night_log.notes import rule_notes
from daemon.night_log.show_nights import show_nights
from tests.daemon.month.samples import ZONE, full_month
from tests.daemon.month.samples import night_row as sample_row
from tests.daemon.nights.test_account import charged, record_of
from tests.daemon.worlds import HOUR, NIGHT_BEGINS

DAYS = AccountDays(ZONE)
ROW = replace(
    sample_row(date(2026, 6, 3), "driveway", "hatchback", 20.0, 24_000), timer_outside_wh=613
)


def text_of(shown: RenderableType) -> str:
    out = StringIO()
    Console(file=out, width=160).print(shown)
    return out.getvalue()


def test_a_rule_whose_hours_were_too_few_is_marked_where_its_cost_is() -> None:
    """The cost has a mark, a sentence says what it stands for, and the values have the energy."""
    text = text_of(show_nights("Kowhai Cottage", "NZD", [ROW], DAYS))
    assert f"{ROW.timer}+" in text
    assert (
        "+ On a timer, the cheapest hours were too few for 0.61 kWh (1 night): priced at the next"
        " cheapest hours."
    ) in " ".join(text.split())
    assert night_values(ROW, "NZD")["timer_outside_kwh"] == Decimal("0.613")
    assert not list(rule_notes([replace(ROW, timer_outside_wh=0)]))


@pytest.mark.usefixtures("undrawn")
def test_a_cost_at_estimated_rates_is_marked_wherever_it_is() -> None:
    """In the tables and sums of nights and of a month, in the values, and on the page."""
    month = full_month()
    night = replace(month.nights[0], estimated_rate_wh=10_639)
    month = replace(month, nights=(night, *month.nights[1:]))
    for text in (
        text_of(show_nights("Kowhai Cottage", "NZD", [night], DAYS)),
        text_of(show_month(month)),
    ):
        assert f"{night.cost:.2f}~" in text
        assert "10.64 kWh of it at estimated rates" in text
    assert "as of Mon 02 Nov 2026 09:00" in text_of(show_month(month))
    home = HomeMonths(Path("house.yaml"), month.household, (month,))
    view = HomesView([home], Wanted((month.year, month.month)))
    assert "~" in text_of(show_homes(view)).splitlines()[3]
    assert night_values(night, "NZD")["estimated_rate_kwh"] == Decimal("10.639")
    assert month_values(month)["estimated_rate_kwh"] == Decimal("10.639")
    assert month_values(month)["as_of"] == "2026-11-01T21:00:00Z"
    page = render_page(month)
    # Beside the night, and beside the month's sum.
    assert page.count("10.64 kWh of it at estimated rates") == 2
    assert f"{night.cost:.2f}~" in page


def test_costs_that_an_earlier_version_worked_out_are_left_out_and_said() -> None:
    """They may be those of less energy, so no sum may hold them."""
    record: dict[str, Any] = record_of(charged(NIGHT_BEGINS + HOUR, 60))
    assert night_row(record).timer is not None
    record["baselines"] = {
        rule: {"cost": each["cost"]} for rule, each in record["baselines"].items()
    }
    row = night_row(record)
    assert (row.at_once, row.timer, row.hindsight) == (None, None, None)
    assert night_values(row, "NZD")["timer_outside_kwh"] is None
    (note,) = rule_notes([row])
    assert note.startswith("On 1 night an earlier version compared other rules")


@pytest.mark.usefixtures("undrawn")
def test_an_energy_that_is_not_fully_known_is_marked_wherever_it_is() -> None:
    """In the table and on the page, with a sentence; the values have the hours."""
    month = full_month()
    night = replace(month.nights[0], unknown_hours=1.75)
    month = replace(month, nights=(night, *month.nights[1:]))
    text = " ".join(text_of(show_nights("Kowhai Cottage", "NZD", [night], DAYS)).split())
    words = "? It is unknown what flowed in 1.8 h of the charging (1 night): the meter was silent"
    for shown in (text, " ".join(render_page(month).split())):
        assert words in shown
        assert f"{night.energy_wh / 1000:.2f}?" in shown
    assert night_values(night, "NZD")["unknown_hours"] == 1.75
    record = record_of(charged(NIGHT_BEGINS, 60)) | {"unknown_hours": Decimal("1.75")}
    assert night_row(record).unknown_hours == 1.75


def test_a_night_says_for_how_long_the_home_lowered_a_charge() -> None:
    """In its record, in the text, and in the values; a night that was stopped says so."""
    record = record_of(charged(NIGHT_BEGINS, 60), lowered=LoweredByLoad(23 * 60.0, 10.0, 41.4))
    assert record["lowered_by_load"] == {"minutes": 23, "least_amps": 10.0, "load_amps": 41.4}
    row = night_row(record)
    (note,) = rule_notes([row])
    assert note == (
        "Wed 03 Jun: lowered for 23 min, to 10 A at the least: the rest of the home drew up to 41"
        " A."
    )
    values = night_values(row, "NZD")
    assert values["lowered_minutes"] == 23
    assert (values["lowered_to_amps"], values["home_load_amps"]) == (10.0, 41.4)
    stopped = replace(row, lowered_minutes=65, lowered_to_amps=0.0)
    (note,) = rule_notes([stopped])
    assert (
        note
        == "Wed 03 Jun: lowered or stopped for 1 h 05 min: the rest of the home drew up to 41 A."
    )
    assert "lowered_by_load" not in record_of(charged(NIGHT_BEGINS, 60))
