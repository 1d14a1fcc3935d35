"""A rehearsed month agrees with a second accountant to the watt-hour and cent."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal
from fractions import Fraction
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from daemon.night_log.show_half_hours import show_half_hours
from daemon.presentation.output import rich_text
from planners.local_time.settlement import HalfHour
from tests.daemon.night_log.rehearsed_month import (
    FIRST,
    GAP,
    LAST,
    LATE,
    RESET,
    Rehearsed,
    rehearse,
)
from tests.daemon.night_log.second_accountant import SecondAccountant, half_even
from tests.support.commands import Ran

DAY = timedelta(days=1)
NOON = time(12)
HALF_HOUR = timedelta(minutes=30)
Run = Callable[..., Ran]


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Rehearsed:
    return rehearse(tmp_path_factory.mktemp("month"))


@pytest.fixture(scope="module")
def accountant(rehearsed: Rehearsed) -> SecondAccountant:
    return SecondAccountant(rehearsed.household, rehearsed.ledger)


@pytest.fixture
def month(rehearsed: Rehearsed, run: Run) -> dict[str, Any]:
    ran = run("month", str(rehearsed.household), "2026-10", "--format", "json")
    assert (ran.code, ran.err) == (0, "")
    read: dict[str, Any] = json.loads(ran.out, parse_float=Decimal)
    return read


def bounds(accountant: SecondAccountant, night: date) -> tuple[datetime, datetime]:
    return accountant.instant(night, NOON), accountant.instant(night + DAY, NOON)


def fraction(amount: Decimal | int) -> Fraction:
    return Fraction(amount)


def test_every_night_agrees_to_the_watt_hour(
    month: dict[str, Any], accountant: SecondAccountant
) -> None:
    """All 31: energy, by band and rate, and what is estimated or metered."""
    rows = month["per_night"]
    assert [row["night"] for row in rows] == [(FIRST + i * DAY).isoformat() for i in range(31)]
    for row in rows:
        within = bounds(accountant, date.fromisoformat(row["night"]))
        assert fraction(row["energy_kwh"]) * 1000 == accountant.energy(*within), row["night"]
        assert fraction(row["estimated_kwh"]) * 1000 == accountant.estimated(*within), row["night"]
        assert row["metered_kwh"] == row["energy_kwh"] - row["estimated_kwh"]
        ours = {(it["band"], fraction(it["rate"])): it["kwh"] * 1000 for it in row["by_band"]}
        assert ours == accountant.bands(*within), row["night"]


def test_every_night_agrees_to_the_cent_and_the_month_is_rounded_once(
    month: dict[str, Any], accountant: SecondAccountant
) -> None:
    """Each night is rounded half-even, the month from the unrounded nights."""
    exact = []
    for row in month["per_night"]:
        cost = accountant.cost(*bounds(accountant, date.fromisoformat(row["night"])))
        exact.append(cost)
        assert fraction(row["cost_exact"]) == cost, row["night"]
        assert fraction(row["cost"]) == half_even(cost), row["night"]
    assert fraction(month["cost_exact"]) == sum(exact)
    assert fraction(month["cost"]) == half_even(sum(exact, Fraction(0)))
    days = [FIRST + i * DAY for i in range((LAST - FIRST).days + 1)]
    standing = sum((accountant.standing_charge(day) for day in days), Fraction(0))
    assert fraction(month["standing_charge"]) == half_even(standing)


def test_nothing_that_flowed_is_lost(month: dict[str, Any], rehearsed: Rehearsed) -> None:
    """Despite a reset, a gap and a clock change the month has all the energy."""
    assert abs(float(month["energy_kwh"]) * 1000 - rehearsed.flowed_wh) <= 2, "two registers' Wh"
    assert month["energy_kwh"] == sum(row["energy_kwh"] for row in month["per_night"])
    assert month["energy_kwh"] == sum(line["kwh"] for line in month["by_band"])
    rates = [(line["band"], line["rate"]) for line in month["by_band"]]
    assert len(set(rates)) == len(rates) >= 3, "old night and peak, new night, each once"


def test_what_is_not_measured_is_marked(month: dict[str, Any]) -> None:
    """Only the nights of the reset and of the gap are partly estimated."""
    estimated = [row["night"] for row in month["per_night"] if row["estimated_kwh"]]
    assert estimated == [RESET.isoformat(), GAP.isoformat()]
    assert month["nights_estimated"] == 2
    assert month["metered_kwh"] + month["estimated_kwh"] == month["energy_kwh"]


def test_the_night_that_was_short_says_why(month: dict[str, Any]) -> None:
    """The vehicle came an hour before it left; the alert of that time is shown."""
    (short,) = month["short"]
    assert short["night"] == LATE.isoformat()
    assert "needed 60 %" in short["why"]
    (row,) = (row for row in month["per_night"] if row["night"] == LATE.isoformat())
    lacking = 52 * (60 - float(row["soc_after_percent"])) / 100 / 0.9
    assert f"{lacking:.1f} kWh were missing" in short["why"]
    assert "need-out-of-reach" in {alert["code"] for alert in month["alerts"]}


def test_savings_follow_from_the_recorded_costs(month: dict[str, Any]) -> None:
    """The rules' costs as each night recorded them, less the month's unrounded cost."""
    for rule, key, sign in (
        ("at_once", "saved_against_at_once", 1),
        ("timer", "saved_against_timer", 1),
        ("hindsight", "hindsight_would_save", -1),
    ):
        rules = sum(fraction(row[rule]) for row in month["per_night"])
        assert fraction(month[key]) == half_even(sign * (rules - fraction(month["cost_exact"])))
    assert month["saved_against_at_once"] > 20


def test_no_night_cost_less_than_at_the_cheapest_possible_hours(month: dict[str, Any]) -> None:
    """Late arrivals, a gap, a reset: hindsight <= paid, at once and timer, on every night."""
    assert len(month["per_night"]) > 25
    for row in month["per_night"]:
        assert row["hindsight"] <= min(round(row["cost_exact"], 6), row["at_once"], row["timer"])


def test_the_distance_is_in_the_unit_of_the_file(month: dict[str, Any]) -> None:
    """16.5 kWh per 100 km from the battery, which gains 90 % of the metered energy."""
    expected = float(month["energy_kwh"]) * 0.9 / 0.165
    assert month["distance_unit"] == "km"
    assert float(month["distance"]) == pytest.approx(expected, abs=0.06)
    assert float(month["cost_per_distance"]) == pytest.approx(
        float(month["cost_exact"]) / expected, rel=1e-4
    )


def test_half_hours_add_up_and_follow_the_clock(
    rehearsed: Rehearsed, accountant: SecondAccountant, run: Run
) -> None:
    """1,490 in October, 50 on the 25th; to the watt-hour, in UTC and local time."""
    ran = run(
        "nights", str(rehearsed.household), "--half-hours", "--format", "csv",
        "--from", "2026-10-01", "--to", "2026-10-31",
    )  # fmt: skip
    assert (ran.code, ran.err) == (0, "")
    rows = list(csv.DictReader(io.StringIO(ran.out)))
    assert list(rows[0]) == ["start_utc", "start_local", "kwh", "estimated_kwh"]
    assert len(rows) == 31 * 48 + 2
    assert sum(row["start_local"].startswith("2026-10-25") for row in rows) == 50
    assert len({row["start_local"] for row in rows}) == len(rows), (
        "the repeated hour is unambiguous"
    )
    unread = [row for row in rows if not row["kwh"]]
    assert {row["start_local"][:10] for row in unread} == {"2026-10-01"}, "before the first reading"
    assert len(unread) == 20, "from midnight to ten"
    for row in rows[20:]:
        start = datetime.fromisoformat(row["start_utc"]).astimezone(UTC)
        end = start + timedelta(minutes=30)
        assert fraction(Decimal(row["kwh"])) * 1000 == accountant.energy(start, end), row
        assert fraction(Decimal(row["estimated_kwh"])) * 1000 == accountant.estimated(start, end)


def test_half_hours_print_text_too(
    rehearsed: Rehearsed, accountant: SecondAccountant, run: Run
) -> None:
    """A line for each half-hour with energy, by the local clock, and sums that agree."""
    days = ("--from", "2026-10-24", "--to", "2026-10-25")
    ran = run("nights", str(rehearsed.household), "--half-hours", *days)
    assert (ran.code, ran.err) == (0, "")
    lines = [" ".join(line.split()) for line in ran.out.splitlines()]
    assert lines[1].startswith("Sat 24 Oct 2026 to Sun 25 Oct 2026, ")
    start = accountant.instant(date(2026, 10, 24), time(0))
    end = accountant.instant(date(2026, 10, 26), time(0))
    whole = Decimal(int(accountant.energy(start, end))) / 1000
    assert f"{whole:.2f} kWh in all. Half-hours without energy are left out." in lines
    shown = [line for line in lines if re.match(r"\d\d:\d\d to", line)]
    step = timedelta(minutes=30)
    halves = (start + i * step for i in range((end - start) // step))
    energies = [wh for at in halves if (wh := accountant.energy(at, at + step))]
    assert [line.split()[3] for line in shown] == [
        f"{Decimal(int(wh)) / 1000:.2f}" for wh in energies
    ]
    assert max(map(len, ran.out.splitlines())) <= 80


def test_unread_half_hours_are_counted(rehearsed: Rehearsed, run: Run) -> None:
    """Before the first reading nothing is known; a day without energy has one line."""
    days = ("--from", "2026-09-30", "--to", "2026-10-01")
    ran = run("nights", str(rehearsed.household), "--half-hours", *days)
    assert re.search(r"^Wed 30 Sep +not known$", ran.out, re.MULTILINE)
    assert "The energy of 68 half-hours is not known" in ran.out


def test_half_hours_to_come_are_not_counted_as_unknown() -> None:
    """Nobody can have read a meter in the future."""
    zone, start = ZoneInfo("UTC"), datetime(2026, 10, 1, tzinfo=UTC)
    rows = [HalfHour(start + i * HALF_HOUR, start + (i + 1) * HALF_HOUR, None, 0) for i in range(9)]
    for past, said in ((0, None), (1, "of 1 half-hour is"), (3, "of 3 half-hours is")):
        shown = rich_text(show_half_hours("Home", rows, zone, start + past * HALF_HOUR))
        assert said in shown if said else "not known:" not in shown


def test_a_bill_by_bands_that_is_right_agrees(
    rehearsed: Rehearsed, accountant: SecondAccountant, run: Run
) -> None:
    """The second accountant's own bill, midnight to midnight, shows no difference."""
    within = accountant.instant(FIRST, time(0)), accountant.instant(LAST + DAY, time(0))
    bill = rehearsed.household.with_name("bill.csv")
    lines = [
        f"{band},{float(Fraction(wh, 1000)):.3f},{float(rate * wh / 1000):.4f}"
        for (band, rate), wh in accountant.bands(*within).items()
    ]
    days = [FIRST + i * DAY for i in range(31)]
    standing = float(sum(accountant.standing_charge(day) for day in days))
    bill.write_text("\n".join(["band,kwh,cost", *lines, f"standing_charge,,{standing:.2f}"]))
    ran = run("month", str(rehearsed.household), "2026-10", "--bill", str(bill), "--format", "csv")
    assert (ran.code, ran.err) == (0, "")
    rows = list(csv.DictReader(io.StringIO(ran.out)))
    assert {row["band"] for row in rows} == {"night", "peak", "standing_charge"}
    assert all(abs(float(row["difference_kwh"])) < 0.001 for row in rows)
    assert all(row["energy_cause"] == row["cost_cause"] == "" for row in rows)
    text = run("month", str(rehearsed.household), "2026-10", "--bill", str(bill))
    assert "Every band agrees" in text.out
