"""Nights that nobody closed in time: what the meter tells later is accounted for, all of it."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING

import pytest

from adapters.contract.messages import Reading
from adapters.ledger.ledger import Ledger
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NIGHT_BEGINS, NOON

if TYPE_CHECKING:
    from datetime import datetime
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("no_log")

DAY = timedelta(days=1)


def charging(tmp_path: Path, ledger: Ledger, until: datetime) -> Site:
    site = Site(household_file(tmp_path), ledger, EVENING)
    site.begin()
    site.read()
    site.plug_in(35.0)
    site.pass_time(until - EVENING, every=5 * MINUTE)
    return site


def started_again(tmp_path: Path, site: Site, at: datetime) -> Site:
    again = Site(household_file(tmp_path), site.ledger, at, meter_wh=site.meter_wh)
    again.begin()
    return again


def nights_wh(ledger: Ledger) -> dict[str, int]:
    return {night["night"]: int(night["energy_kwh"] * 1000) for night in ledger.nights()}


@pytest.mark.parametrize("away", [9 * HOUR, DAY, 3 * DAY, 30 * DAY])
def test_nights_that_were_missed_are_accounted_for(
    tmp_path: Path, ledger: Ledger, away: timedelta
) -> None:
    """What flowed while nobody looked is in the nights it was away for, and marked estimated."""
    site = charging(tmp_path, ledger, NIGHT_BEGINS + HOUR)
    known_wh = round(site.meter_wh)
    site.meter_wh += 9000
    again = started_again(tmp_path, site, NIGHT_BEGINS + HOUR + away)
    again.unplug()
    again.read()
    again.pass_time(DAY + 2 * HOUR, every=10 * MINUTE)
    assert (
        sum(nights_wh(ledger).values())
        == round(again.meter_wh) - 1_000_000
        == (known_wh + 9000 - 1_000_000)
    )
    estimated = sum(night["estimated_kwh"] for night in ledger.nights())
    assert estimated * 1000 == 9000


@pytest.mark.parametrize("minutes", [-1, 0, 1, 10, 19, 21])
def test_a_start_around_noon(tmp_path: Path, ledger: Ledger, minutes: int) -> None:
    """Started in the minutes in which a night is closed, it closes it once, with all of it."""
    site = charging(tmp_path, ledger, NIGHT_BEGINS + 4 * HOUR)
    site.unplug()
    again = started_again(tmp_path, site, NOON + minutes * MINUTE)
    again.pass_time(3 * HOUR, every=10 * MINUTE)
    assert nights_wh(ledger) == {"2026-06-03": round(again.meter_wh) - 1_000_000}


def test_what_flows_without_a_vehicle_is_in_a_night_too(tmp_path: Path, ledger: Ledger) -> None:
    """A charge point's own use, or an unreported vehicle: every watt-hour is in a night."""
    site = Site(household_file(tmp_path), ledger, EVENING)
    site.begin()
    site.unplug()
    for _ in range(3 * 24):
        site.read()
        site.meter_wh += 5
        site.pass_time(HOUR, every=HOUR)
    assert sum(nights_wh(ledger).values()) == pytest.approx(5 * (17.5 + 48), abs=5)
    assert set(nights_wh(ledger)) == {"2026-06-03", "2026-06-04", "2026-06-05"}


def test_a_night_that_needs_nothing_more_is_left_alone(tmp_path: Path, ledger: Ledger) -> None:
    """Day by day nothing is revised, and a night without energy is no record."""
    site = charging(tmp_path, ledger, NIGHT_BEGINS + 4 * HOUR)
    site.pass_time(7 * HOUR, every=10 * MINUTE)
    site.unplug()
    site.pass_time(4 * DAY, every=10 * MINUTE)
    assert len(nights_wh(ledger)) == 1
    rows = ledger._connection.execute("SELECT count(*) FROM night_revisions").fetchone()
    assert rows[0] <= 1, "at noon it may be closed once more"


def test_a_reading_that_comes_late_is_accounted_for(tmp_path: Path, ledger: Ledger) -> None:
    """A late reading between those of two nights: both nights are accounted for again."""
    site = charging(tmp_path, ledger, NIGHT_BEGINS + 4 * HOUR)
    site.unplug()
    before = round(site.meter_wh)
    site.pass_time(NOON + 6 * HOUR - site.true_now, every=20 * HOUR)
    site.meter_wh += 4000
    site.read()
    site.pass_time(HOUR, every=HOUR)
    spread = nights_wh(ledger)["2026-06-03"]
    assert before - 1_000_000 < spread < before + 4000 - 1_000_000
    site.post("reading", Reading(at=NOON - MINUTE, register_kwh=before / 1000))
    site.pass_time(DAY, every=HOUR)
    nights = nights_wh(ledger)
    assert nights["2026-06-03"] <= before - 1_000_000 + 12, "one minute's share of 4 kWh"
    assert sum(nights.values()) == round(site.meter_wh) - 1_000_000


def test_a_night_with_the_vehicle_away_is_compared_with_the_rest_of_it(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Plugged in 18:30-18:40, back at 20:40: charging at once has 30 minutes at the peak rate."""
    site = charging(tmp_path, ledger, EVENING + 10 * MINUTE)
    site.unplug()
    site.pass_time(2 * HOUR, every=5 * MINUTE)
    site.plug_in(35.0)
    site.pass_time(NOON + HOUR - site.true_now, every=5 * MINUTE)
    (night,) = ledger.nights()
    (stay,) = night["stays"]
    assert stay["plugged_since"] == "2026-06-03T06:30:00Z"
    peak_kwh = 7.36 / 2
    at_once = peak_kwh * 0.4738 + (float(night["energy_kwh"]) - peak_kwh) * 0.1932
    assert float(night["baselines"]["at_once"]["cost"]) == pytest.approx(at_once, abs=0.001)


def test_noon_records_a_night_once_with_all_its_stays(tmp_path: Path, ledger: Ledger) -> None:
    """Closed at 07:20, it charged again until after noon: no record leaves that out."""
    begins = NOON - DAY - HOUR
    site = Site(household_file(tmp_path), ledger, begins)
    site.begin()
    site.plug_in(35.0)
    site.read()
    site.pass_time(LEAVES + MINUTE - begins, every=9 * MINUTE)  # over noon, between two readings
    site.ask(need_percent=100, by=NOON + HOUR)
    site.pass_time(NOON + HOUR / 2 - site.true_now, every=9 * MINUTE)
    at_noon = [
        each
        for each in site.records
        if (each["night"], each["closed_at"]) == ("2026-06-03", "2026-06-04T00:00:00Z")
    ]
    assert [len(each["stays"]) for each in at_noon] == [2]
