"""A month with a capacity charge adds up to a bill that is reckoned by hand here."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date, time
from decimal import Decimal
from pathlib import Path
from typing import Any

import pytest

from adapters.ledger.ledger import open_ledger
from daemon.nights.home_peaks import peaks_so_far
from daemon.service.house_loading import load_house
from daemon.service.household_watch import HouseholdWatch
from planners.accounts.by_source import GRID_INTERVAL, GridInterval
from planners.local_time.conversion import instant_of_local
from planners.power.live_load import LoadQuarter
from tests.daemon.month.recorded import DAY, EXAMPLES, QUARTER, hour, local, recorded
from tests.support.commands import Ran

Run = Callable[..., Ran]


def month_of(file: Path, run: Run, when: str = "2026-10", *options: str) -> Ran:
    ran = run("month", str(file), when, *options)
    assert (ran.code, ran.err) == (0, "")
    return ran


def json_of(file: Path, run: Run, when: str = "2026-10") -> dict[str, Any]:
    read: dict[str, Any] = json.loads(
        month_of(file, run, when, "--format", "json").out, parse_float=Decimal
    )
    return read


@pytest.fixture
def by_hours(tmp_path: Path) -> Path:
    charged = hour(2, 1, 6000) | hour(3, 2, 4000) | hour(5, 23, 5000) | hour(5, 22, 3000)
    return recorded(tmp_path, "highest-hours", charged | hour(8, 3, 2000))


def test_mean_of_three_highest_hours(by_hours: Path, run: Run) -> None:
    """By hand: 6, 5 and 4 kW of charging on three days, each with 2 A of the home: 5.46 kW.

    Between 5 and 10 kW the step is NOK 320 and 25 % of tax: 400. Without charging the mean of three
    days is 4 A, 0.92 kW: 120 and tax, 150. The second hour of 5 October does not count.
    """
    capacity = json_of(by_hours, run)["capacity"]
    assert capacity["billed_kw"] == Decimal("5.46")
    assert capacity["charge"] == Decimal("400.00")
    assert capacity["billed_kw_without_charging"] == Decimal("0.92")
    assert capacity["charge_without_charging"] == Decimal("150.00")
    peaks = [(peak["day"], peak["night"], peak["kw"]) for peak in capacity["peaks"]]
    assert peaks == [
        ("2026-10-02", "2026-10-01", Decimal("6.46")),
        ("2026-10-05", "2026-10-05", Decimal("5.46")),
        ("2026-10-03", "2026-10-02", Decimal("4.46")),
    ]


def test_month_adds_up(by_hours: Path, run: Run) -> None:
    """By hand: 20 kWh at 0.775, 31 days of 1.625, and the charge: 15.50 + 50.375 + 400 = 465.88."""
    text = " ".join(month_of(by_hours, run).out.split())
    assert (
        "capacity charge NOK 400.00 for 5.46 kW; NOK 150.00 without charging, for 0.92 kW" in text
    )
    assert (
        "highest hour Fri 02 Oct 01:00: 6.46 kW, 6.00 kW of it charging (night of Thu 01 Oct)"
        in text
    )
    assert "cost NOK 15.50; 0.7750 per kWh" in text
    assert "together NOK 465.88" in text
    row = json_of(by_hours, run)
    assert row["capacity_charge"] == Decimal("400.00")
    assert row["capacity_charge_without_charging"] == Decimal("150.00")


@pytest.mark.usefixtures("undrawn")
def test_page_shows_the_charge(by_hours: Path, run: Run) -> None:
    """The page of a month has the same lines."""
    page = month_of(by_hours, run, "2026-10", "--format", "html").out
    assert "NOK 400.00 for 5.46 kW" in page
    assert "Highest hour" in page


def test_quarter_hours_at_the_least_that_counts(tmp_path: Path, run: Run) -> None:
    """By hand: 0.5 kWh in a quarter-hour is 2 kW, 2.69 with the home's 3 A, x 3.90 x 1.06 = 11.12.

    Without charging the evening's 10 A, 2.3 kW, count as 2.5: 10.335.
    """
    charged = {local(2026, 10, 6, 2): 500}
    file = recorded(tmp_path, "quarter-hour-peaks", charged)
    capacity = json_of(file, run)["capacity"]
    assert capacity["billed_kw"] == Decimal("2.69")
    assert capacity["charge"] == Decimal("11.12")
    assert capacity["billed_kw_without_charging"] == Decimal("2.5")
    assert capacity["charge_without_charging"] == Decimal("10.34")  # 10.335, half to even


def test_mean_of_the_months_recorded(tmp_path: Path, run: Run) -> None:
    """By hand: 4.69 kW in September and 2.69 kW in October make 3.69 kW for October's bill."""
    charged = {local(2026, 9, 8, 3): 1000, local(2026, 10, 6, 2): 500}
    file = recorded(tmp_path, "quarter-hour-peaks", charged, nights=40)
    capacity = json_of(file, run)["capacity"]
    assert (capacity["billed_kw"], capacity["mean_of_months"]) == (Decimal("3.69"), 2)
    assert json_of(file, run, "2026-09")["capacity"]["billed_kw"] == Decimal("4.69")


def test_what_the_meter_showed_of_the_home_counts(by_hours: Path, run: Run) -> None:
    """By hand: 3.46 kW of the home on 2 October at 1: 9.46, 5.46 and 4.46 kW, mean 6.46.

    Without charging 3.46, 0.92 and 0.92: 1.767. An hour of which a quarter is missing is as the
    file has it.
    """
    zone = load_house(by_hours).file.zone
    kept = instant_of_local(date(2026, 9, 1), time(), zone)
    with open_ledger(by_hours.parent / "ledger.sqlite3") as ledger:
        for day, at, quarters in ((2, 1, 4), (6, 12, 3)):
            start = instant_of_local(date(2026, 10, day), time(at), zone)
            for number in range(quarters):
                ledger.add_load_quarter(LoadQuarter(start + number * QUARTER, 3460.0), kept)
    capacity = json_of(by_hours, run)["capacity"]
    assert capacity["billed_kw"] == Decimal("6.46")
    assert capacity["billed_kw_without_charging"] == Decimal("1.767")


def test_what_the_own_roof_gave_is_no_peak(by_hours: Path, run: Run) -> None:
    """By hand: 3 kW came from the grid on 2 October at 1, the rest of 6.46 kW from the roof.

    5.46, 4.46 and 3 kW have the mean 4.307; without charging the roof serves the home, and 0.92 of
    the evening is the highest of that day too.
    """
    zone = load_house(by_hours).file.zone
    start = instant_of_local(date(2026, 10, 2), time(1), zone)
    with open_ledger(by_hours.parent / "ledger.sqlite3") as ledger:
        for number in range(12):
            at = start + number * GRID_INTERVAL
            ledger.add_grid_interval(GridInterval(at, 250, 0), start)
    capacity = json_of(by_hours, run)["capacity"]
    assert capacity["billed_kw"] == Decimal("4.307")
    assert capacity["billed_kw_without_charging"] == Decimal("0.92")


def test_daemon_counts_with_the_peaks_of_the_ledger(by_hours: Path) -> None:
    """The peaks so far are those of the month's days until now, charging included."""
    house = load_house(by_hours)
    now = instant_of_local(date(2026, 10, 5), time(18), house.file.zone)
    with open_ledger(by_hours.parent / "ledger.sqlite3") as ledger:
        peaks = peaks_so_far(house, ledger, now)
        later = peaks_so_far(house, ledger, now + DAY)
        assert peaks_so_far(house, ledger, now + DAY, peaks) == later
        november = instant_of_local(date(2026, 11, 1), time(18), house.file.zone)
        assert [each.day for each in peaks_so_far(house, ledger, november, later)] == [
            date(2026, 11, 1)
        ]
    assert load_house(by_hours, now).peaks == peaks
    assert [round(each.kw, 2) for each in later] == [0.92, 6.46, 4.46, 0.92, 5.46, 0.92]


def test_daemon_keeps_to_the_power(run: Run) -> None:
    """A rehearsed night keeps to the current that the plan names, as its meter shows."""
    file = EXAMPLES / "quarter-hour-peaks.yaml"
    ran = run("rehearse", str(file), "--at", "2026-10-06T18:30:00+02:00")
    assert ran.code == 0
    assert "Kept to 7 A: above it the capacity charge" in ran.out
    assert "start at 7 A" in ran.out
    assert "raised" not in ran.out
    assert "enough for the departure, starts: 1." in ran.out


def test_daemon_reads_them_again_each_day_and_after_a_change(by_hours: Path) -> None:
    """A running daemon has the peaks so far, and reads all again if other hours count."""
    watch = HouseholdWatch(by_hours)
    now = instant_of_local(date(2026, 10, 5), time(18), watch.house.file.zone)
    with open_ledger(by_hours.parent / "ledger.sqlite3") as ledger:
        assert watch.learn_load(ledger, now)
        assert [each.day.day for each in watch.house.peaks] == [1, 2, 3, 4, 5]
        assert not watch.learn_load(ledger, now)
        assert watch.learn_load(ledger, now + DAY)
        assert [round(each.kw, 2) for each in watch.house.peaks][4:] == [5.46, 0.92]
        text = by_hours.read_text("utf-8")
        by_hours.write_text(text.replace("interval_minutes: 60", "interval_minutes: 15"), "utf-8")
        assert watch.load_changes(ledger) == "file"
        assert watch.learn_load(ledger, now + DAY)
        assert len(watch.house.peaks) == 6


def test_no_line_without_a_charge(tmp_path: Path, run: Run) -> None:
    """A tariff without a capacity charge has no line for it."""
    file = recorded(tmp_path, "highest-hours", hour(2, 1, 6000))
    text = file.read_text("utf-8")
    start, end = text.index("    capacity_charge:"), text.index("charge_points:")
    file.write_text(text[:start] + "\n" + text[end:], "utf-8")
    assert json_of(file, run)["capacity"] is None
    assert "capacity" not in month_of(file, run).out
