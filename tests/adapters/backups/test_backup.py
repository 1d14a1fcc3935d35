"""Daily backups of the ledger, and their mention when the ledger is damaged."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from threading import Thread

import pytest

from adapters.backups import backup as ledger_backup
from adapters.backups.backup import make_backup
from adapters.contract.messages import Command
from adapters.ledger.copies import backed_up_at, backup_of, previous_backup_of
from adapters.ledger.file import open_file
from adapters.ledger.ledger import open_ledger
from adapters.ledger.schema import MIGRATIONS
from config.files.errors import LedgerDamaged, LedgerError

AT = datetime(2026, 6, 4, 0, 20, tzinfo=UTC)
POINT = "driveway"


def fill(path: Path, rows: int = 2000) -> None:
    with open_ledger(path) as ledger, ledger._writing():
        for n in range(rows):
            at = 1_780_000_000_000_000 + n * 60_000_000
            ledger._connection.execute(
                "INSERT INTO readings (charge_point, at, register_wh) VALUES (?, ?, ?)",
                (POINT, at, n),
            )


def damage(path: Path) -> bytes:
    """Overwrite a page in the middle of the tables; return the resulting bytes."""
    raw = bytearray(path.read_bytes())
    middle = len(raw) // 2 // 4096 * 4096
    raw[middle : middle + 4096] = b"\xff" * 4096
    path.write_bytes(raw)
    return bytes(raw)


def test_a_backup_is_a_complete_ledger_of_its_instant(tmp_path: Path) -> None:
    """The copy contains the whole ledger with its log, and has the instant as its file time."""
    path = tmp_path / "ledger.sqlite3"
    assert backed_up_at(path) is None
    with open_ledger(path) as ledger:
        ledger.add_reading(POINT, AT, 1000)
        assert make_backup(path, AT) == backup_of(path)
        ledger.add_reading(POINT, AT + timedelta(minutes=1), 1100)
    assert backed_up_at(path) == AT
    with open_ledger(backup_of(path)) as copy:
        assert [r.register_wh for r in copy.register_readings(POINT, AT, AT)] == [1000]
    assert not list(tmp_path.glob("*.part"))


def test_the_previous_backup_is_kept(tmp_path: Path) -> None:
    """There are at most two copies: the newest and the previous one."""
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        for day in range(3):
            ledger.add_reading(POINT, AT + timedelta(days=day), day)
            make_backup(path, AT + timedelta(days=day))
    for copy, rows in ((backup_of(path), 3), (previous_backup_of(path), 2)):
        with closing(sqlite3.connect(copy)) as database:
            assert database.execute("SELECT count(*) FROM readings").fetchone() == (rows,)
    assert len(list(tmp_path.glob("*backup*"))) == 2


def test_a_ledger_is_backed_up_while_it_is_written(tmp_path: Path) -> None:
    """The daemon goes on writing; the copy has all rows up to one instant."""
    path = tmp_path / "ledger.sqlite3"
    fill(path)
    with open_ledger(path) as ledger:
        copying = Thread(target=make_backup, args=(path, AT))
        copying.start()
        written = 0
        while copying.is_alive():
            written += ledger.add_reading(POINT, AT + timedelta(seconds=written), 5000 + written)
        copying.join()
    with open_ledger(backup_of(path)) as copy:
        (rows,) = copy._connection.execute("SELECT count(*) FROM readings").fetchone()
    assert 2000 <= rows <= 2000 + written


def test_a_damaged_ledger_replaces_no_backup(tmp_path: Path) -> None:
    """An incomplete copy is deleted, and the good one stays."""
    path = tmp_path / "ledger.sqlite3"
    fill(path)
    make_backup(path, AT)
    good = backup_of(path).read_bytes()
    damage(path)
    with pytest.raises(LedgerDamaged):
        make_backup(path, AT + timedelta(days=1))
    assert backup_of(path).read_bytes() == good
    assert backed_up_at(path) == AT
    assert not list(tmp_path.glob("*.part"))


def test_no_backup_is_made_on_a_full_disk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """If there is little room left on the disk, it is kept for the daemon."""
    path = tmp_path / "ledger.sqlite3"
    fill(path, 10)
    monkeypatch.setattr(ledger_backup, "SPARE_BYTES", 1 << 62)
    with pytest.raises(LedgerError, match="too little room"):
        make_backup(path, AT)
    assert backed_up_at(path) is None


@pytest.mark.parametrize("log", [False, True])
def test_a_damaged_ledger_is_refused_and_left(tmp_path: Path, *, log: bool) -> None:
    """The newest backup is named with its date; not a byte of the ledger or its log is changed."""
    path = tmp_path / "ledger.sqlite3"
    fill(path)
    make_backup(path, AT)
    if log:  # as a kill leaves it
        with open_ledger(path) as ledger:
            ledger.add_reading(POINT, AT, 7)
            left = path.with_name("ledger.sqlite3-wal").read_bytes()
        path.with_name("ledger.sqlite3-wal").write_bytes(left)
    raw = damage(path)
    before = {each.name for each in tmp_path.iterdir()}
    with pytest.raises(LedgerError, match="damaged") as refused:
        open_ledger(path)
    assert "ledger.sqlite3.backup, of 2026-06-04 00:20 UTC" in str(refused.value)
    assert len(str(refused.value).splitlines()) == 1
    assert refused.value.exit_code == 2
    assert path.read_bytes() == raw
    assert {each.name for each in tmp_path.iterdir()} - before <= {"ledger.sqlite3-shm"}


def test_the_message_says_if_there_is_no_backup(tmp_path: Path) -> None:
    """A first day's ledger has none."""
    path = tmp_path / "ledger.sqlite3"
    fill(path)
    damage(path)
    with pytest.raises(LedgerError, match="There is no backup of it"):
        open_ledger(path)


def test_a_backup_put_in_its_place_is_a_ledger(tmp_path: Path) -> None:
    """The copy, under the ledger's name and without its old log, is opened and written to."""
    path = tmp_path / "ledger.sqlite3"
    fill(path)
    copy = make_backup(path, AT)
    damage(path)
    copy.replace(path)
    with open_ledger(path) as ledger:
        assert ledger.add_reading(POINT, AT, 1)


# --- upgrades ---------------------------------------------------------------------------------


@pytest.mark.parametrize("version", range(1, len(MIGRATIONS)))
def test_each_older_ledger_is_brought_up_to_date_with_its_rows(
    tmp_path: Path, version: int
) -> None:
    """Rows of every older schema are read as they were; an old command names no plan."""
    path = tmp_path / "ledger.sqlite3"
    with closing(open_file(path, migrations=MIGRATIONS[:version])) as old:
        old.execute("INSERT INTO readings VALUES (1, 'driveway', 1780000000000000, 42, 1.5, NULL)")
        old.execute(
            "INSERT INTO commands (charge_point, serial, at, do, amps, valid_until, why)"
            " VALUES ('driveway', 7, 1780000000000000, 'start', 16.0, 1780000600000000, 'cheap')"
        )
        old.execute("INSERT INTO open_nights VALUES ('driveway', '{\"open\":null}')")
        old.execute("INSERT INTO nights VALUES ('2026-06-03', 'driveway', 'van', 1, '{\"a\":1}')")
    with open_ledger(path) as ledger:
        reading, command = ledger.last_reading(POINT), ledger.last_command(POINT)
        assert reading is not None
        assert command is not None
        assert (reading.register_wh, reading.watts) == (42, 1.5)
        assert (command.serial, command.amps, command.why, command.plan) == (7, 16.0, "cheap", None)
        assert ledger.open_night(POINT) == {"open": None}
        assert ledger.nights() == ({"a": 1},)
        until = command.valid_until
        stop = Command(serial=8, do="stop", valid_until=until, why="x", plan="van@then")
        ledger.add_command(POINT, AT, stop)
        newest = ledger.last_command(POINT)
        assert newest is not None
        assert newest.plan == "van@then"
    assert path.with_name(f"ledger.sqlite3.schema-{version}.backup").exists()
