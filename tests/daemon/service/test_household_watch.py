"""The household file and its prices as they change: taken in, refused, or left for a restart."""

from __future__ import annotations

import os
from datetime import date, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING
from unittest.mock import Mock

import pytest
from structlog.testing import capture_logs

from config.calendar.account_days import AccountChange
from config.files.errors import FileError, LedgerError
from daemon.service.house_loading import load_house
from daemon.service.household_watch import HouseholdWatch
from tests.daemon.worlds import KOWHAI, utc

if TYPE_CHECKING:
    from adapters.ledger.ledger import Ledger

DAY_AHEAD = KOWHAI.with_name("day-ahead.yaml")
IN_FILE = utc("2026-09-30T00:00")
"""An instant whose price the example's file holds."""


def rewrite(path: Path, old: str, new: str) -> None:
    """Change a file, and make sure that its time stamp shows it."""
    text = path.read_text()
    assert old in text
    path.write_text(text.replace(old, new))
    stamp = path.stat().st_mtime_ns + 1_000_000
    os.utime(path, ns=(stamp, stamp))


def test_nothing_new(path: Path, ledger: Ledger) -> None:
    """A file that nobody touched is no news, and neither is one that was only looked at."""
    watch = HouseholdWatch(path)
    house = watch.house
    assert watch.load_changes(ledger) is None
    path.read_text()
    assert watch.load_changes(ledger) is None
    assert watch.house is house


def test_a_changed_file_is_in_force(path: Path, ledger: Ledger) -> None:
    """A new current or rate counts from the next look, once."""
    watch = HouseholdWatch(path)
    rewrite(path, "max_amps: 32\n    min_amps", "max_amps: 16\n    min_amps")
    rewrite(path, "rate: 0.168", "rate: 0.2")
    with capture_logs():
        assert watch.load_changes(ledger) == "file"
    assert watch.load_changes(ledger) is None
    assert watch.house.file.charge_points["driveway"].max_amps == 16
    assert watch.house.prices.rate_at(utc("2026-06-03T12:00")).rate == Decimal("0.2") * Decimal(
        "1.15"
    )


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("max_amps: 32", "max_amps: twelve"),
        ("name: night, rate", "nam: night, rate"),
        ('"21:00-07:00"', '"21:00-08:00"'),
        ("household:", "household"),
    ],
)
def test_a_file_with_faults_is_refused_and_said_once(
    path: Path, ledger: Ledger, old: str, new: str
) -> None:
    """The old file stays in force, the faults are logged once, and mending it is taken in."""
    watch = HouseholdWatch(path)
    house = watch.house
    good = path.read_text()
    rewrite(path, old, new)
    with capture_logs() as logs:
        assert watch.load_changes(ledger) is None
        assert watch.load_changes(ledger) is None
    assert [log["log_level"] for log in logs] == ["error"]
    assert "house.yaml:" in logs[0]["why"]
    assert watch.house is house
    path.write_text(good + "\n# mended\n")
    with capture_logs():
        assert watch.load_changes(ledger) == "file"


def test_a_file_that_is_gone_leaves_the_old_one_in_force(path: Path, ledger: Ledger) -> None:
    """An editor that writes by way of a new file does not stop the daemon."""
    watch = HouseholdWatch(path)
    house = watch.house
    text = path.read_text()
    path.unlink()
    with capture_logs() as logs:
        assert watch.load_changes(ledger) is None
    assert logs[0]["log_level"] == "error"
    assert watch.house is house
    path.write_text(text)
    with capture_logs():
        assert watch.load_changes(ledger) == "file"


@pytest.mark.parametrize(
    ("old", "new", "what"),
    [
        ("name: Kowhai Cottage", "name: Rata Cottage", "household.name"),
        ("  timezone:", "  topic: kowhai\n  timezone:", "household.topic"),
        ("Pacific/Auckland ", "Europe/London ", "household.timezone"),
        ("currency: NZD", "currency: EUR", "household.currency"),
        ("127.0.0.1:1883", "127.0.0.1:1884", "bus"),
        ("ledger.sqlite3", "other.sqlite3", "ledger"),
        ("ledger: {", 'metrics: {listen: "127.0.0.1:9464"}\nledger: {', "metrics"),
    ],
)
def test_what_takes_a_restart_is_left_and_named(
    path: Path, ledger: Ledger, old: str, new: str, what: str
) -> None:
    """A change of what the daemon is built on is refused, and named."""
    watch = HouseholdWatch(path)
    house = watch.house
    rewrite(path, old, new)
    with capture_logs() as logs:
        assert watch.load_changes(ledger) is None
    assert logs[0]["of"] == [what]
    assert watch.house is house


def test_a_changed_price_file_is_news_of_prices(series: Path, ledger: Ledger) -> None:
    """New rows in the file of a price series are prices, not a new household file."""
    watch = HouseholdWatch(series)
    known = watch.house.prices.known_until(IN_FILE)
    prices = series.with_name("prices.csv")
    lines = prices.read_text().splitlines()
    prices.write_text("\n".join(lines[: len(lines) // 2]) + "\n")
    with capture_logs():
        assert watch.load_changes(ledger) == "prices"
    fewer = watch.house.prices.known_until(IN_FILE)
    assert known is not None
    assert fewer is not None
    assert fewer < known


def test_a_household_that_is_wrong_from_the_start_is_refused(path: Path) -> None:
    """At a start there is no old file to fall back on: every fault is raised."""
    rewrite(path, "max_amps: 32", "max_amps: twelve")
    with pytest.raises(FileError, match="twelve"):
        HouseholdWatch(path)
    with pytest.raises(FileError):
        load_house(path.with_name("nowhere.yaml"))


def test_a_changed_list_of_dates_is_a_changed_file(path: Path, ledger: Ledger) -> None:
    """The daemon reads it again; one with faults is refused, also if it came with the household."""
    free = path.with_name("free.csv")
    free.write_text("from\n2026-06-04\n")
    rewrite(
        path,
        "    bands:\n",
        "    special_days: [{name: free, file: free.csv}]\n    bands:\n",
    )
    rewrite(path, 'hours: ["21:00-07:00"]}', 'hours: ["00:00-24:00"], days: [free]}')
    watch = HouseholdWatch(path)
    afternoon = utc("2026-06-04T02:00")
    assert watch.house.prices.rate_at(afternoon).band == "night"
    rewrite(free, "2026-06-04", "2026-06-05")
    with capture_logs():
        assert watch.load_changes(ledger) == "file"
    assert watch.house.prices.rate_at(afternoon).band != "night"
    rewrite(free, "2026-06-05", "5 June")
    with capture_logs():
        assert watch.load_changes(ledger) is None
        rewrite(free, "5 June", "2026-06-04")
        assert watch.load_changes(ledger) == "file"
    assert watch.house.prices.rate_at(afternoon).band == "night"


def test_the_day_of_the_account_changes_after_the_one_in_progress(
    path: Path, ledger: Ledger
) -> None:
    """The ledger keeps since when, so that earlier nights stay what they were, and it is said."""
    watch, morning = HouseholdWatch(path), utc("2026-06-09T20:00")
    watch.settle_days(ledger, morning)
    assert not watch.house.file.days.changes
    ledger.save_open_night("driveway", {})
    rewrite(path, "  currency: NZD", "  account_day: midnight\n  currency: NZD")
    with capture_logs() as logs:
        assert watch.load_changes(ledger) == "file"
        watch.settle_days(ledger, morning)
        watch.settle_days(ledger, morning)
    assert [(log["night"], log["hours"]) for log in logs if "night" in log] == [("2026-06-10", 12)]
    changed = (AccountChange(date(2026, 6, 10), "midnight"),)
    assert watch.house.file.days.changes == ledger.account_changes() == changed
    again = HouseholdWatch(path)
    again.settle_days(ledger, morning + timedelta(days=40))
    assert again.house.file.days.changes == changed
    assert load_house(path).file.days.changes == changed


def test_a_new_home_counts_from_midnight_at_once(path: Path, ledger: Ledger) -> None:
    """Where no night has begun, no day is shorter than others."""
    rewrite(path, "  currency: NZD", "  account_day: midnight\n  currency: NZD")
    watch = HouseholdWatch(path)
    watch.settle_days(ledger, utc("2026-06-09T20:00"))
    assert watch.house.file.days.changes == (AccountChange(date.min, "midnight"),)


def test_a_change_of_the_days_holds_though_it_can_not_be_stored_yet(
    path: Path, ledger: Ledger, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It is in force at once, and stored, as it was, once the ledger can be written."""
    watch, morning = HouseholdWatch(path), utc("2026-06-09T20:00")
    watch.settle_days(ledger, morning)
    ledger.save_open_night("driveway", {})
    rewrite(path, "  currency: NZD", "  account_day: midnight\n  currency: NZD")
    changed = (AccountChange(date(2026, 6, 10), "midnight"),)
    with capture_logs(), monkeypatch.context() as patched:
        assert watch.load_changes(ledger) == "file"
        refuse = Mock(side_effect=LedgerError("the disk is full"))
        patched.setattr(ledger, "set_account_changes", refuse)
        with pytest.raises(LedgerError):
            watch.settle_days(ledger, morning)
    is_due = watch.days_due
    assert is_due
    assert watch.house.file.days.changes == changed
    with capture_logs() as logs:
        watch.settle_days(ledger, morning + timedelta(days=3))
    assert not [log for log in logs if "night" in log], "it was said before"
    assert not watch.days_due
    assert ledger.account_changes() == changed
