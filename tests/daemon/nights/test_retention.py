"""Old readings: from when on they are kept, and that no night's record changes without them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

import pytest

from adapters.contract.messages import Reading
from adapters.ledger.copies import backup_of
from adapters.ledger.ledger import Ledger, open_ledger
from adapters.ledger.retention import remove_before
from config.calendar.account_days import AccountDays
from config.files.errors import LedgerError
from daemon.control.state import PointState
from daemon.nights.recount import facts_unseen
from daemon.nights.retention import has_all_readings, keep_from
from daemon.nights.saved_state import PendingNights, saved_body
from daemon.service.backup_schedule import BackupSchedule
from planners.local_time.departures import night_bounds
from tests.daemon.sites import Site, household_file
from tests.daemon.worlds import EVENING, HOUR, MINUTE, NOON, POINT, kowhai

if TYPE_CHECKING:
    from pathlib import Path

pytestmark = pytest.mark.usefixtures("no_log")

ZONE = ZoneInfo("Pacific/Auckland")
DAYS = AccountDays(ZONE)
DAY = timedelta(days=1)
NOW = datetime(2027, 6, 20, 1, tzinfo=UTC)
TONIGHT = date(2027, 6, 20)
MARCH = datetime(2027, 2, 28, 11, tzinfo=UTC)
"""The first of March at Kowhai Cottage, in summer time."""


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "ledger.sqlite3"


def close_nights(ledger: Ledger, *nights: date) -> None:
    for night in nights:
        ledger.close_night(night, POINT, "hatchback", night_bounds(night, DAYS)[1], {"a": 1})


@pytest.fixture
def recorded(ledger: Ledger) -> Ledger:
    """Give a ledger with the last nights and a reading of the meter."""
    close_nights(ledger, *(TONIGHT - days * DAY for days in range(1, 6)))
    ledger.add_reading(POINT, NOW - HOUR, 1000)
    return ledger


def test_whole_local_months_go(recorded: Ledger) -> None:
    """Kept are at the least as many days as the file says, from the start of a local month."""
    kept = keep_from(recorded, NOW, DAYS, 100)
    assert kept == MARCH
    assert NOW - kept >= 100 * DAY
    assert keep_from(recorded, NOW, DAYS, 62) == datetime(2027, 3, 31, 11, tzinfo=UTC)


@pytest.mark.parametrize("count", [0, 1, 2])
def test_nothing_goes_before_three_nights_are_recorded(ledger: Ledger, count: int) -> None:
    """Else a clock that is wrong at a first start could tell what is old."""
    close_nights(ledger, *(TONIGHT - days * DAY for days in range(count)))
    assert keep_from(ledger, NOW, DAYS, 62) is None


def test_a_clock_that_leapt_ahead_makes_nothing_old(recorded: Ledger) -> None:
    """Years ahead, with two nights recorded there, what is kept is counted from the third."""
    ahead = NOW + 3650 * DAY
    close_nights(recorded, date(2037, 6, 17), date(2037, 6, 18))
    recorded.add_reading(POINT, ahead, 1001)
    kept = keep_from(recorded, ahead, DAYS, 100)
    assert kept is not None
    assert kept <= MARCH


@pytest.mark.parametrize("how", ["open facts", "owed night", "silent meter"])
def test_what_may_be_accounted_for_again_is_kept(recorded: Ledger, how: str) -> None:
    """A night that is owed, or that a silent meter may tell of, keeps a day more than its month."""
    night = date(2027, 1, 1)
    facts = facts_unseen(night, POINT, "hatchback", kowhai().file)
    if how == "open facts":
        body = saved_body(PointState(POINT), PendingNights((facts,), (), None))
        recorded.save_open_night(POINT, body)
    elif how == "owed night":
        body = saved_body(PointState(POINT), PendingNights((), (night,), None))
        recorded.save_open_night(POINT, body)
    else:
        recorded.add_reading("carport", night_bounds(night, DAYS)[0] + HOUR, 1)
    kept = keep_from(recorded, NOW, DAYS, 62)
    assert kept == datetime(2026, 11, 30, 11, tzinfo=UTC)
    assert has_all_readings(night, DAYS, kept)


def test_a_meter_that_was_taken_away_keeps_nothing_for_ever(recorded: Ledger) -> None:
    """After so many nights as are ever accounted for again, it no longer counts."""
    recorded.add_reading("carport", NOW - 3000 * DAY, 1)
    kept = keep_from(recorded, NOW, DAYS, 62)
    assert kept is not None
    assert timedelta(days=401) < NOW - kept < timedelta(days=435)


def test_no_record_changes_after_a_removal(tmp_path: Path, path: Path, ledger: Ledger) -> None:
    """Not with late readings, not with a start, not with the nights that go on being recorded."""
    site = Site(household_file(tmp_path), ledger, EVENING)
    site.begin()
    site.read()
    for _ in range(4):
        site.plug_in(50.0)
        site.pass_time(13 * HOUR, every=10 * MINUTE)
        site.unplug()
        site.pass_time(11 * HOUR, every=10 * MINUTE)
    before = ledger.nights()
    assert len(before) == 4
    assert all(night["energy_kwh"] for night in before)
    remove_before(path, NOON + 2 * DAY, lambda: False)
    assert len(ledger.register_readings(POINT, EVENING, NOON + 2 * DAY)) <= 3
    again = Site(household_file(tmp_path), ledger, site.clock.at, meter_wh=site.meter_wh)
    again.begin()
    for late in (EVENING + HOUR, NOON + 2 * DAY + MINUTE / 2, NOON + 2 * DAY - MINUTE / 2):
        again.post("reading", Reading(at=late, register_kwh=1000.0, watts=1.0))
    again.pass_time(2 * HOUR, every=10 * MINUTE)
    assert ledger.nights()[:4] == before
    again.plug_in(50.0)
    again.pass_time(24 * HOUR, every=10 * MINUTE)
    assert len(ledger.nights()) == 5
    assert ledger.nights()[:4] == before
    total = sum(night["energy_kwh"] for night in ledger.nights())
    assert total * 1000 == round(again.meter_wh) - 1_000_000


def old(ledger: Ledger) -> int:
    """Count the readings of before March."""
    return len(ledger.register_readings(POINT, NOW - 400 * DAY, MARCH - 6 * DAY)) - 1


@pytest.mark.parametrize("keep", [None, 100])
def test_the_old_goes_after_a_backup(recorded: Ledger, path: Path, keep: int | None) -> None:
    """With the daily backup, which still holds it; without the key all is kept."""
    for days in range(300):
        recorded.add_reading(POINT, NOW - (400 - days) * DAY, days)
    before = old(recorded)
    backups = BackupSchedule(path, lambda: DAYS, keep_readings_days=keep)
    assert backups.check(NOW) is None
    backups.join()
    assert old(recorded) == (0 if keep else before)
    assert recorded.kept_from() == (MARCH if keep else None)
    with open_ledger(backup_of(path), read_only=True) as copy:
        assert old(copy) == before > 200


def test_nothing_goes_where_no_backup_could_be_made(
    recorded: Ledger, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is removed is in the backup, so without one it stays."""
    recorded.add_reading(POINT, NOW - 300 * DAY, 1)

    def refuses(*_args: object) -> Path:
        raise LedgerError("too little room")

    monkeypatch.setattr("daemon.service.backup_schedule.make_backup", refuses)
    backups = BackupSchedule(path, lambda: DAYS, keep_readings_days=100)
    backups.check(NOW)
    backups.join()
    assert recorded.kept_from() is None


def test_a_daemon_that_ends_does_not_wait_for_a_removal(
    recorded: Ledger, path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """It ends after a step; the next day's goes on."""
    monkeypatch.setattr("adapters.ledger.retention.STEP_ROWS", 5)
    monkeypatch.setattr("daemon.service.backup_schedule.PAUSE_SECONDS", 600)
    for days in range(50):
        recorded.add_reading(POINT, NOW - (300 - days) * DAY, days)
    before = old(recorded)
    backups = BackupSchedule(path, lambda: DAYS, keep_readings_days=100)
    backups.check(NOW)
    backups.stop()
    assert before - 5 <= old(recorded) <= before
    monkeypatch.undo()
    tomorrow = BackupSchedule(path, lambda: DAYS, keep_readings_days=100)
    tomorrow.check(NOW + DAY)
    tomorrow.join()
    assert old(recorded) == 1  # the one that later ones are counted from
