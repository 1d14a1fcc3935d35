"""Time as it really goes, through the real service: clocks unset, set, put right, and asleep."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import pytest
from structlog.testing import capture_logs

from adapters.contract.messages import VehicleReport
from adapters.ledger.ledger import Ledger, open_ledger
from daemon.service.clock_watch import SET_SINCE, ClockWatch
from tests.daemon.sites import WAKES_EVERY, Site, household_file
from tests.daemon.worlds import EVENING, HOUR, LEAVES, MINUTE, NIGHT_BEGINS, NOON, POINT, utc

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("no_log")

TICK = 5 * MINUTE
NEEDS_WH = round(52_000 * 0.45 / 0.9)
"""From 35 % to 80 % of Kowhai Cottage's 52 kWh at 90 %."""


def at_home(tmp_path: Path, ledger: Ledger, until: datetime) -> Site:
    site = Site(household_file(tmp_path), ledger, EVENING)
    site.begin()
    site.read()
    site.plug_in(35.0)
    site.pass_time(until - EVENING)
    return site


def charged_wh(site: Site) -> int:
    return round(site.meter_wh) - 1_000_000


def to_noon(site: Site) -> None:
    """Let the vehicle leave at its departure, and the night be closed."""
    site.pass_time(max(timedelta(0), min(2 * HOUR, LEAVES - site.clock.now())))
    site.pass_time(max(timedelta(0), LEAVES - site.clock.now()), every=5 * MINUTE)
    site.unplug()
    site.pass_time(NOON + HOUR - site.clock.now(), every=10 * MINUTE)


def night_wh(ledger: Ledger) -> tuple[Decimal, dict[str, Decimal]]:
    """Energy of the first night, whole and by band."""
    night = ledger.nights()[0]
    by_band = {line["band"]: line["kwh"] * 1000 for line in night["by_band"]}
    return night["energy_kwh"] * 1000, by_band


# --- a clock that is put right ----------------------------------------------------------------


def test_a_vehicle_that_came_while_the_clock_was_behind_is_known_once_it_is_right(
    tmp_path: Path, ledger: Ledger
) -> None:
    """Its report was dated in the future then, and it reports only what changes."""
    site = Site(household_file(tmp_path), ledger, EVENING)
    site.begin()
    site.set_clock(-HOUR)
    site.is_there = True
    site.post("vehicle", VehicleReport(at=site.true_now, pilot="B", soc_percent=35.0))
    assert not site.state.plugged_in
    site.set_clock(HOUR)
    assert (site.state.pilot, site.state.plan is None) == ("B", False)
    assert ledger.last_vehicle_reports(POINT).soc_percent == 35.0


@pytest.mark.parametrize("hours", [-1, 1])
def test_a_step_that_is_taken_back_moves_no_period(
    tmp_path: Path, ledger: Ledger, hours: int
) -> None:
    """An hour's error of ten minutes in mid-charge moves no period by more than a tick."""
    site = at_home(tmp_path, ledger, NIGHT_BEGINS + HOUR)
    plan = site.state.plan
    assert plan is not None
    site.set_clock(hours * HOUR)
    site.pass_time(10 * MINUTE)
    site.set_clock(-hours * HOUR)
    to_noon(site)
    assert [do for _, do in site.switches()] == ["stop", "start", "stop"], "none is repeated"
    assert abs(site.switches()[1][0] - plan.periods[0].start) <= TICK
    assert abs(site.switches()[2][0] - plan.periods[-1].end) <= TICK
    assert abs(charged_wh(site) - NEEDS_WH) < 700, "a tick's energy at the most"
    energy, by_band = night_wh(ledger)
    assert energy == charged_wh(site)
    assert by_band == {"night": energy}


@pytest.mark.parametrize("hours", [-1, 1])
def test_a_step_that_stays_repeats_nothing(tmp_path: Path, ledger: Ledger, hours: int) -> None:
    """Put right by an hour for good, it charges what is left, at the night's rate, once."""
    site = at_home(tmp_path, ledger, NIGHT_BEGINS + HOUR + MINUTE)
    site.set_clock(hours * HOUR)
    to_noon(site)
    assert [do for _, do in site.switches()][:3] == ["stop", "start", "stop"]
    assert len(site.switches()) <= 5
    assert abs(charged_wh(site) - NEEDS_WH) < 700
    energy, by_band = night_wh(ledger)
    assert energy == charged_wh(site)
    assert set(by_band) == {"night"}


@pytest.mark.parametrize("hours", [3, 9])
def test_suspended_in_mid_charge(tmp_path: Path, ledger: Ledger, hours: int) -> None:
    """Asleep, it renews nothing: the hardware stops by itself; awake, it charges what is left."""
    site = at_home(tmp_path, ledger, NIGHT_BEGINS + HOUR)
    site.pass_time(hours * HOUR, alive=False)
    asleep = charged_wh(site)
    assert asleep <= 7360 * 1.5 + 10, "a start expires within half an hour"
    site.wake_up()
    site.read()
    to_noon(site)
    energy, by_band = night_wh(ledger)
    assert energy == charged_wh(site)
    if hours == 3:
        assert abs(charged_wh(site) - NEEDS_WH) < 200, (
            "the whole need, in what is left of the night"
        )
        assert set(by_band) == {"night"}


def test_summer_time_in_mid_charge(tmp_path: Path) -> None:
    """The night repeats an hour in autumn and skips one in spring: one run, at one rate.

    IANA: Pacific/Auckland goes back on 4 April 2026 at 14:00 UTC, forward on 26 September, 14:00.
    """
    for plugged, change in (
        ("2026-04-04T08:30", "2026-04-04T14:00"),
        ("2026-09-26T08:30", "2026-09-26T14:00"),
    ):
        with open_ledger(tmp_path / f"{plugged}.sqlite3") as ledger:
            site = Site(household_file(tmp_path), ledger, utc(plugged))
            site.begin()
            site.read()
            site.plug_in(5.0)
            plan = site.state.plan
            assert plan is not None
            assert plan.periods[0].start < utc(change) < plan.periods[-1].end
            bands = {period.band for period in plan.periods}
            site.pass_time(utc(change) - HOUR - site.true_now, every=5 * MINUTE)
            site.pass_time(2 * HOUR)
            site.pass_time(utc(plugged) + 16 * HOUR - site.true_now, every=5 * MINUTE)
            site.unplug()
            site.pass_time(8 * HOUR, every=10 * MINUTE)
            assert [do for _, do in site.switches()][:3] == ["stop", "start", "stop"]
            assert abs(site.switches()[1][0] - plan.periods[0].start) <= TICK
            assert abs(site.switches()[2][0] - plan.periods[-1].end) <= TICK
            energy, by_band = night_wh(ledger)
            assert energy == charged_wh(site)
            assert set(by_band) == bands


# --- a clock that is not set ------------------------------------------------------------------


@pytest.mark.parametrize("year", [1970, 2000, 2025])
def test_it_waits_for_a_clock_that_is_not_set(tmp_path: Path, ledger: Ledger, year: int) -> None:
    """It publishes that it waits, and acknowledges nothing; then it handles what came."""
    unset = datetime(year, 3, 1, tzinfo=UTC)
    site = Site(household_file(tmp_path), ledger, unset, clock_watch=ClockWatch())
    with capture_logs() as logs:
        site.begin()
        # Hardware has a clock of its own, which is right.
        site.post("vehicle", VehicleReport(at=EVENING, pilot="B", soc_percent=35.0))
        for _ in range(20):
            site.clock.at += WAKES_EVERY
            site.wake_up()
            assert site.wake == site.clock.now() + WAKES_EVERY
    waits = [log for log in logs if log["event"].startswith("the clock is not set")]
    assert len(waits) == 1
    assert [message["state"] for message in site.bus.on("daemon")] == ["waiting"] * 2, (
        "and on connecting"
    )
    assert "at" not in site.bus.on("daemon")[0], "it can't say when that is"
    assert site.bus.on("command") == site.bus.on("plan") == []
    assert site.acknowledged == 0
    assert ledger.last_command(POINT) is None
    site.clock.at = site.true_now = EVENING + MINUTE
    site.wake_up()
    assert site.acknowledged == 1
    assert [message["state"] for message in site.bus.on("daemon")][-1] == "online"
    assert site.state.plan is not None
    assert site.state.plan.soc_percent == 35.0
    assert site.bus.on("command")[-1]["do"] == "stop"
    since = site.bus.on("daemon")[-1]["since"]
    assert datetime.fromisoformat(since) >= SET_SINCE


def test_a_clock_far_behind_the_ledger_is_waited_for(tmp_path: Path, ledger: Ledger) -> None:
    """More than a day behind the newest row, it waits; set, it goes on at once."""
    at_home(tmp_path, ledger, EVENING + HOUR)
    site = Site(
        household_file(tmp_path), ledger, EVENING - timedelta(days=1), clock_watch=ClockWatch()
    )
    site.begin()
    assert site.bus.on("command") == []
    site.clock.at = EVENING + 2 * HOUR
    site.wake_up()
    assert site.bus.on("command")[-1]["do"] == "stop"


def test_a_clock_that_stays_behind_is_believed_after_a_while(
    tmp_path: Path, ledger: Ledger
) -> None:
    """After fifteen minutes it goes on with a warning: the ledger was dated wrong."""
    at_home(tmp_path, ledger, EVENING + HOUR)
    site = Site(
        household_file(tmp_path), ledger, EVENING - timedelta(days=9), clock_watch=ClockWatch()
    )
    site.begin()
    with capture_logs() as logs:
        waited = timedelta(0)
        while not site.bus.on("command"):
            waited += WAKES_EVERY
            site.clock.at += WAKES_EVERY
            site.wake_up()
    assert waited == 15 * MINUTE
    assert "going on with a clock that is behind the ledger" in [log["event"] for log in logs]


@pytest.mark.parametrize("behind", [timedelta(0), 23 * HOUR])
def test_a_clock_a_little_behind_is_believed(
    tmp_path: Path, ledger: Ledger, behind: timedelta
) -> None:
    """Less than a day may be any step of a time server."""
    at_home(tmp_path, ledger, EVENING + HOUR)
    site = Site(household_file(tmp_path), ledger, EVENING + HOUR - behind, clock_watch=ClockWatch())
    site.begin()
    assert site.bus.on("command")[-1]["do"] == "stop"
