"""Removing old rows: in steps, never a needed one, and safe to interrupt anywhere."""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest

from adapters.contract.messages import Command
from adapters.ledger import retention as ledger_retention
from adapters.ledger.ledger import Ledger, open_ledger
from adapters.ledger.retention import remove_before
from config.files.errors import LedgerError

START = datetime(2026, 1, 1, tzinfo=UTC)
KEPT_FROM = START + timedelta(days=10)
HOUR = timedelta(hours=1)
HOURS = 20 * 24
ROOT = Path(__file__).parents[3]
FOR_EVER = ("nights", "night_revisions", "commands", "requests", "prices", "alerts", "open_nights")


def never() -> bool:
    return False


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Make twenty days of hourly readings of two charge points; one stops on the third day."""
    made = tmp_path / "ledger.sqlite3"
    with open_ledger(made) as ledger, ledger._writing():
        for hour in range(HOURS):
            at = START + hour * HOUR
            _row(ledger, "readings", "driveway", at, 100 * hour)
            _row(ledger, "vehicle_reports", "driveway", at, None)
            if hour < 3 * 24:
                _row(ledger, "readings", "carport", at, 7 * hour)
    with open_ledger(made) as ledger:
        ledger.add_vehicle_report("carport", START, pilot="B")
        ledger.add_vehicle_report("carport", START + HOUR, soc_percent=40)
        ledger.add_vehicle_report("carport", START - HOUR, pilot="A", soc_percent=30)
        ledger.add_reading("carport", START + 80 * HOUR, watts=5.0)
        for serial in range(1, 4):
            at = START + serial * HOUR
            stop = Command(serial=serial, do="stop", valid_until=at, why="x")
            ledger.add_command("driveway", at, stop)
            ledger.add_plan("driveway", at, {"number": serial})
        ledger.add_request("driveway", START, {"want_percent": 90})
        ledger.add_alert(None, START, "no-backup", "x")
        ledger.save_open_night("driveway", {"open": None})
        for energy in (1, 2):
            ledger.close_night(date(2026, 1, 2), "driveway", "van", START, {"energy": energy})
    return made


def _row(ledger: Ledger, table: str, point: str, at: datetime, wh: int | None) -> None:
    column, value = ("register_wh", wh) if wh is not None else ("pilot", "C")
    micros = (at - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    ledger._connection.execute(
        f"INSERT INTO {table} (charge_point, at, {column}) VALUES (?, ?, ?)",  # noqa: S608
        (point, micros, value),
    )


def rows(path: Path, *tables: str) -> list[tuple[object, ...]]:
    with closing(sqlite3.connect(path)) as database:
        return [
            row
            for table in tables
            for row in database.execute(f"SELECT * FROM {table}")  # noqa: S608
        ]


def test_what_is_kept_for_ever_is_not_touched(path: Path) -> None:
    """Nights and their revisions, commands, requests, prices, alerts, and the night in progress."""
    before = rows(path, *FOR_EVER)
    assert len(before) >= 7
    assert remove_before(path, KEPT_FROM, never) > 0
    assert rows(path, *FOR_EVER) == before


def test_all_from_the_instant_on_is_kept_with_the_reading_before_it(path: Path) -> None:
    """One earlier reading of each register stays, so that later sums do not change."""
    end = START + HOURS * HOUR
    with open_ledger(path) as ledger:
        after = ledger.register_readings("driveway", KEPT_FROM, end)
        silent = ledger.register_readings("carport", KEPT_FROM, end)
        last = [ledger.last_reading(point) for point in ("driveway", "carport")]
        reports = [ledger.last_vehicle_reports(point) for point in ("driveway", "carport")]
        plan = ledger.plan_before("driveway", end)
    remove_before(path, KEPT_FROM, never)
    with open_ledger(path) as ledger:
        assert ledger.register_readings("driveway", KEPT_FROM, end) == after
        assert ledger.register_readings("driveway", START, end) == after
        assert ledger.register_readings("carport", KEPT_FROM, end) == silent != ()
        assert [ledger.last_reading(point) for point in ("driveway", "carport")] == last
        assert [ledger.last_vehicle_reports(point) for point in ("driveway", "carport")] == reports
        assert ledger.plan_before("driveway", end) == plan
        assert plan is not None
        assert plan.body == {"number": 3}
        assert ledger.kept_from() == KEPT_FROM
        assert ledger.charge_points() == ("carport", "driveway")
    assert len(rows(path, "readings")) == 10 * 24 + 1 + 2
    assert len(rows(path, "vehicle_reports")) == 10 * 24 + 2
    assert len(rows(path, "plans")) == 1


@pytest.mark.parametrize("removed", [False, True])
def test_only_a_removal_can_delete_readings(path: Path, *, removed: bool) -> None:
    """The ledger itself refuses any other deletion, before and after a removal."""
    if removed:
        remove_before(path, KEPT_FROM, never)
    micros = (KEPT_FROM - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)
    with closing(sqlite3.connect(path)) as database:
        for query in (
            "DELETE FROM readings WHERE at >= ?",
            "UPDATE readings SET at = 1 WHERE at = ?",
        ):
            with pytest.raises(sqlite3.IntegrityError, match="a correction is a new row"):
                database.execute(query, (micros,))


def test_what_was_removed_does_not_come_back(path: Path) -> None:
    """A message sent again after a removal counts as known; newer ones are recorded."""
    remove_before(path, KEPT_FROM, never)
    with open_ledger(path) as ledger:
        early = KEPT_FROM - timedelta(microseconds=1)
        assert not ledger.add_reading("driveway", START + HOUR, 100)
        assert not ledger.add_reading("driveway", early, 5)
        assert not ledger.add_vehicle_report("driveway", early, pilot="A")
        assert ledger.add_reading("driveway", KEPT_FROM, 5)
        assert ledger.add_vehicle_report("driveway", KEPT_FROM, pilot="A")


def test_an_earlier_instant_has_no_effect(path: Path) -> None:
    """Neither has the same instant again."""
    remove_before(path, KEPT_FROM, never)
    before = rows(path, "readings")
    assert remove_before(path, KEPT_FROM, never) == 0
    assert remove_before(path, KEPT_FROM - timedelta(days=5), never) == 0
    with open_ledger(path) as ledger:
        assert ledger.kept_from() == KEPT_FROM
    assert rows(path, "readings") == before


def test_an_interrupted_removal_continues_where_it_stopped(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """With openings and writes in between, the result is that of one uninterrupted removal."""
    monkeypatch.setattr(ledger_retention, "STEP_ROWS", 50)
    whole = tmp_path / "whole.sqlite3"
    shutil.copy(path, whole)
    removed = remove_before(whole, KEPT_FROM, never)
    gone = 0
    rounds = 0
    while gone < removed:
        gone += remove_before(path, KEPT_FROM, lambda: True)
        with open_ledger(path) as ledger:
            after = ledger.register_readings("driveway", KEPT_FROM, START + HOURS * HOUR)
        assert len(after) == 10 * 24 + 1
        rounds += 1
    assert rounds > 5
    tables = (*FOR_EVER, "readings", "vehicle_reports", "plans")
    assert rows(path, *tables) == rows(whole, *tables)


@pytest.mark.parametrize("steps", [1, 2, 4])
def test_a_ledger_killed_in_a_removal_is_undamaged(path: Path, steps: int) -> None:
    """It opens and has all that is kept for ever; the next removal completes."""
    before = rows(path, *FOR_EVER)
    code = (
        "import sys\n"
        "from datetime import datetime\n"
        "from pathlib import Path\n"
        "from adapters.ledger import retention\n"
        "retention.STEP_ROWS = 20\n"
        "def pause():\n"
        "    print('step', flush=True)\n"
        "    return False\n"
        "before = datetime.fromisoformat(sys.argv[2])\n"
        "retention.remove_before(Path(sys.argv[1]), before, pause)\n"
        "sys.stdin.read()\n"
    )
    command = [sys.executable, "-c", code, str(path), KEPT_FROM.isoformat()]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as victim:
        assert victim.stdout is not None
        for _ in range(steps):
            assert victim.stdout.readline() == "step\n"
        victim.kill()
    with open_ledger(path) as ledger:
        assert len(ledger.register_readings("driveway", KEPT_FROM, START + HOURS * HOUR)) == 241
        assert ledger.add_reading("driveway", START + HOURS * HOUR, 10**6)
    assert rows(path, *FOR_EVER) == before
    remove_before(path, KEPT_FROM, never)
    assert len(rows(path, "readings")) == 10 * 24 + 1 + 2 + 1


def test_a_writer_waits_for_at_most_one_step(path: Path) -> None:
    """Between two steps the daemon writes, through a separate connection."""
    with open_ledger(path) as ledger:
        written: list[bool] = []

        def pause() -> bool:
            written.append(
                ledger.add_reading("driveway", START + (HOURS + len(written)) * HOUR, 10**6)
            )
            return False

        remove_before(path, KEPT_FROM, pause)
    assert len(written) > 3
    assert all(written)


def test_a_ledger_that_can_t_be_written_is_reported(path: Path) -> None:
    """The error has one line, and nothing is removed."""
    with open_ledger(path) as ledger, ledger._writing(), pytest.raises(LedgerError) as refused:
        remove_before(path, KEPT_FROM, never)
    assert "another program keeps it locked" in str(refused.value)
    assert len(rows(path, "readings")) == HOURS + 3 * 24 + 1


def test_alerts_are_found_by_their_instants(path: Path) -> None:
    """All alerts of the household from the first instant up to the second, in order."""
    with open_ledger(path) as ledger:
        ledger.add_alert("driveway", START + 2 * HOUR, "need-unmet", "late")
        ledger.add_alert("driveway", START + HOUR, "need-unmet", "early")
        found = ledger.alerts_between(START, START + 2 * HOUR)
        assert [(each.charge_point, each.code, each.message) for each in found] == [
            (None, "no-backup", "x"),
            ("driveway", "need-unmet", "early"),
        ]
        assert [each.at for each in found] == [START, START + HOUR]
        plan = ledger._connection.execute(
            "EXPLAIN QUERY PLAN SELECT at FROM alerts WHERE at >= 1 AND at < 2"
        ).fetchall()
    assert "alerts_in_time" in str(plan)


def test_the_latest_nights_are_listed_once_each(tmp_path: Path) -> None:
    """With several charge points each night is listed once, the latest first."""
    with open_ledger(tmp_path / "ledger.sqlite3") as ledger:
        assert ledger.latest_nights(3) == ()
        for day in (1, 2, 5):
            for point in ("driveway", "carport"):
                ledger.close_night(date(2026, 6, day), point, "van", START, {})
        assert ledger.latest_nights(2) == (date(2026, 6, 5), date(2026, 6, 2))
        assert ledger.charge_points() == ()
        assert ledger.kept_from() is None
