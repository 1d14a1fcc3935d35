"""Copies of a ledger to anywhere: whole, of one instant, looked over, and never in the way."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from contextlib import closing
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from threading import Thread

import pytest

from adapters.backups import whole_copy as ledger_copy
from adapters.backups.whole_copy import LedgerCopy, copy_ledger
from adapters.ledger.ledger import Ledger, open_ledger
from adapters.ledger.retention import remove_before
from config.files.errors import LedgerDamaged, LedgerError
from tests.adapters.backups.test_backup import damage, fill

AT = datetime(2026, 6, 4, 0, 20, tzinfo=UTC)
POINT = "driveway"
MUCH_LATER = datetime(2027, 1, 1, tzinfo=UTC)


@pytest.fixture
def path(tmp_path: Path) -> Path:
    made = tmp_path / "ledger.sqlite3"
    fill(made)
    with open_ledger(made) as ledger:
        for day in (3, 5):
            ledger.close_night(date(2026, 6, day), POINT, "hatchback", AT, {"energy_kwh": 1})
    return made


def test_a_copy_says_what_it_holds_and_can_be_opened(path: Path, tmp_path: Path) -> None:
    """Nights, readings and size; it holds what the ledger holds, and the ledger is as it was."""
    before, beside = path.read_bytes(), set(tmp_path.iterdir())
    target = tmp_path / "copy.sqlite3"
    told = copy_ledger(path, target)
    assert told == LedgerCopy(target, "2026-06-03", "2026-06-05", 2, 2000, target.stat().st_size)
    assert path.read_bytes() == before
    assert set(tmp_path.iterdir()) == beside | {target}
    with open_ledger(target) as copy, open_ledger(path) as ledger:
        assert copy.nights() == ledger.nights()
        assert copy.last_reading(POINT) == ledger.last_reading(POINT)


def test_a_ledger_without_nights_is_copied(tmp_path: Path) -> None:
    """A first day's ledger has no nights, and a copy of it says so."""
    path = tmp_path / "ledger.sqlite3"
    fill(path, 3)
    told = copy_ledger(path, tmp_path / "copy")
    assert (told.first_night, told.last_night, told.nights, told.readings) == (None, None, 0, 3)


def test_a_copy_is_of_one_instant_while_a_daemon_writes(path: Path, tmp_path: Path) -> None:
    """Rows that come meanwhile are in it up to one of them, and none after it; nobody waits."""
    copies: list[LedgerCopy] = []
    with open_ledger(path) as ledger:
        copying = Thread(target=lambda: copies.append(copy_ledger(path, tmp_path / "copy")))
        copying.start()
        written = 0
        while copying.is_alive():
            written += ledger.add_reading(POINT, AT + timedelta(seconds=written), 5000 + written)
        copying.join()
    [told] = copies
    assert 2000 <= told.readings <= 2000 + written
    with open_ledger(told.path) as copy:
        last = copy.last_reading(POINT)
        assert last is not None
        assert last.register_wh == (5000 + told.readings - 2001 if told.readings > 2000 else 1999)


def test_nothing_is_replaced_unasked(path: Path, tmp_path: Path) -> None:
    """An earlier copy stays, and is replaced when that is asked for."""
    target = tmp_path / "copy.sqlite3"
    copy_ledger(path, target)
    first = target.read_bytes()
    with open_ledger(path) as ledger:
        ledger.add_reading(POINT, AT, 9999)
    with pytest.raises(LedgerError, match="--overwrite"):
        copy_ledger(path, target)
    assert target.read_bytes() == first
    assert copy_ledger(path, target, overwrite=True).readings == 2001


def _other_file(path: Path) -> Path:
    target = path.with_name("house.yaml")
    target.write_text("household:\n")
    return target


def _in_use(path: Path) -> Path:
    target = path.with_name("other.sqlite3")
    fill(target, 1)
    target.with_name("other.sqlite3-wal").write_bytes(b"")
    return target


@pytest.mark.parametrize(
    ("target_of", "reason"),
    [
        (lambda path: path, "this is the ledger itself"),
        (_other_file, "this is no ledger, it is not replaced"),
        (_in_use, "in use, or was not closed"),
        (lambda path: path.parent / "none" / "copy", "none does not exist"),
    ],
)
def test_what_may_not_be_replaced_is_left(
    path: Path, target_of: Callable[[Path], Path], reason: str
) -> None:
    """Not even with --overwrite: the ledger itself, other files, a ledger in use."""
    target = target_of(path)
    before = target.read_bytes() if target.exists() else None
    with pytest.raises(LedgerError, match=reason) as refused:
        copy_ledger(path, target, overwrite=True)
    assert len(str(refused.value).splitlines()) == 1
    assert (target.read_bytes() if target.exists() else None) == before
    assert not list(path.parent.rglob("*.part"))


def test_what_is_no_ledger_is_not_copied(tmp_path: Path) -> None:
    """Nor what is not there."""
    with pytest.raises(LedgerError, match="there is no ledger yet"):
        copy_ledger(tmp_path / "none", tmp_path / "copy")
    (tmp_path / "text").write_text("no ledger")
    with pytest.raises(LedgerError, match="this is no ledger"):
        copy_ledger(tmp_path / "text", tmp_path / "copy")
    assert not (tmp_path / "copy").exists()


def test_a_damaged_ledger_replaces_no_copy(path: Path, tmp_path: Path) -> None:
    """The good copy stays, and nothing else is left behind."""
    target = tmp_path / "copy"
    copy_ledger(path, target)
    good = target.read_bytes()
    damage(path)
    with pytest.raises(LedgerDamaged, match="damaged"):
        copy_ledger(path, target, overwrite=True)
    assert target.read_bytes() == good
    assert not list(tmp_path.glob("*.part"))


def test_a_copy_that_lacks_a_row_is_thrown_away(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Its rows are counted against those of the ledger."""

    def lose(copy: sqlite3.Connection) -> None:
        copy.execute("DELETE FROM nights WHERE night = '2026-06-03'")
        copy.commit()

    monkeypatch.setattr(ledger_copy, "_pack", lose)
    with pytest.raises(LedgerError, match="does not hold what the ledger holds"):
        copy_ledger(path, tmp_path / "copy")
    assert not list(tmp_path.glob("copy*"))


def test_a_full_disk_is_said(path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Before anything is written."""
    monkeypatch.setattr("shutil.disk_usage", lambda _: type("Usage", (), {"free": 10})())
    with pytest.raises(LedgerError, match="too little room"):
        copy_ledger(path, tmp_path / "copy")


def test_a_copy_is_packed_where_much_of_the_ledger_is_free(path: Path, tmp_path: Path) -> None:
    """The room that a removal has freed is given back by way of a copy, with all that is kept."""
    remove_before(path, MUCH_LATER, lambda: False)
    told = copy_ledger(path, tmp_path / "copy")
    assert told.size_bytes < path.stat().st_size / 2
    with closing(sqlite3.connect(told.path)) as copy:
        assert copy.execute("PRAGMA freelist_count").fetchone() == (0,)
    with open_ledger(told.path) as copied, open_ledger(path) as ledger:
        assert everything(copied) == everything(ledger)
        assert copied.kept_from() == ledger.kept_from() == MUCH_LATER


def everything(ledger: Ledger) -> list[tuple[object, ...]]:
    """Give all rows of the tables that these tests fill."""
    return [
        row
        for table in ("readings", "nights", "retention")
        for row in ledger._connection.execute(f"SELECT * FROM {table}")  # noqa: S608
    ]
