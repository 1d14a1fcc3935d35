"""Copies of a ledger to any place: complete, checked, of one instant, and blocking nobody."""

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
    """It reports nights, readings and size; the ledger itself is unchanged."""
    before, beside = path.read_bytes(), set(tmp_path.iterdir())
    target = tmp_path / "copy.sqlite3"
    summary = copy_ledger(path, target)
    assert summary == LedgerCopy(target, "2026-06-03", "2026-06-05", 2, 2000, target.stat().st_size)
    assert path.read_bytes() == before
    assert set(tmp_path.iterdir()) == beside | {target}
    with open_ledger(target) as copy, open_ledger(path) as ledger:
        assert copy.nights() == ledger.nights()
        assert copy.last_reading(POINT) == ledger.last_reading(POINT)


def test_a_ledger_without_nights_is_copied(tmp_path: Path) -> None:
    """A first day's ledger has no nights, and a copy of it says so."""
    path = tmp_path / "ledger.sqlite3"
    fill(path, 3)
    summary = copy_ledger(path, tmp_path / "copy")
    assert (summary.first_night, summary.last_night, summary.nights, summary.readings) == (
        None,
        None,
        0,
        3,
    )


def test_a_copy_is_of_one_instant_while_a_daemon_writes(path: Path, tmp_path: Path) -> None:
    """The copy contains the rows up to one instant and none after it; writers do not wait."""
    copies: list[LedgerCopy] = []
    with open_ledger(path) as ledger:
        copying = Thread(target=lambda: copies.append(copy_ledger(path, tmp_path / "copy")))
        copying.start()
        written = 0
        while copying.is_alive():
            written += ledger.add_reading(POINT, AT + timedelta(seconds=written), 5000 + written)
        copying.join()
    [summary] = copies
    assert 2000 <= summary.readings <= 2000 + written
    with open_ledger(summary.path) as copy:
        last = copy.last_reading(POINT)
        assert last is not None
        assert last.register_wh == (
            5000 + summary.readings - 2001 if summary.readings > 2000 else 1999
        )


def test_nothing_is_replaced_without_overwrite(path: Path, tmp_path: Path) -> None:
    """An earlier copy stays, unless overwriting is asked for."""
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
        (_other_file, "this is not a ledger, so it is not replaced"),
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
    """Neither is a missing file."""
    with pytest.raises(LedgerError, match="there is no ledger yet"):
        copy_ledger(tmp_path / "none", tmp_path / "copy")
    (tmp_path / "text").write_text("no ledger")
    with pytest.raises(LedgerError, match="this is not a ledger"):
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
    """Its rows are compared with those of the ledger."""

    def lose(copy: sqlite3.Connection) -> None:
        copy.execute("DELETE FROM nights WHERE night = '2026-06-03'")
        copy.commit()

    monkeypatch.setattr(ledger_copy, "_reclaim_free_pages", lose)
    with pytest.raises(LedgerError, match="differs from the ledger"):
        copy_ledger(path, tmp_path / "copy")
    assert not list(tmp_path.glob("copy*"))


def test_a_full_disk_is_reported(
    path: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The copy is refused before anything is written."""
    monkeypatch.setattr("shutil.disk_usage", lambda _: type("Usage", (), {"free": 10})())
    with pytest.raises(LedgerError, match="too little room"):
        copy_ledger(path, tmp_path / "copy")


def test_a_copy_reclaims_the_free_pages_of_a_ledger(path: Path, tmp_path: Path) -> None:
    """After a removal the copy is smaller, and contains everything that is kept."""
    remove_before(path, MUCH_LATER, lambda: False)
    with closing(sqlite3.connect(path)) as ledger:
        (free,), (page,) = (
            ledger.execute(f"PRAGMA {each}").fetchone() for each in ("freelist_count", "page_size")
        )
    assert free > 20
    summary = copy_ledger(path, tmp_path / "copy")
    assert summary.size_bytes <= path.stat().st_size - free * page
    with closing(sqlite3.connect(summary.path)) as copy:
        assert copy.execute("PRAGMA freelist_count").fetchone() == (0,)
    with open_ledger(summary.path) as copied, open_ledger(path) as ledger:
        assert everything(copied) == everything(ledger)
        assert copied.kept_from() == ledger.kept_from() == MUCH_LATER


def everything(ledger: Ledger) -> list[tuple[object, ...]]:
    """Return all rows of the tables that these tests fill."""
    return [
        row
        for table in ("readings", "nights", "retention")
        for row in ledger._connection.execute(f"SELECT * FROM {table}")  # noqa: S608
    ]
