"""Opening the ledger: own or foreign, new or old; nothing is written if it is refused."""

from __future__ import annotations

import os
import re
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import AbstractContextManager, closing, contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from structlog.testing import capture_logs

from adapters.ledger import file as ledger_file
from adapters.ledger.file import open_file
from adapters.ledger.ledger import Ledger, open_ledger
from adapters.ledger.schema import APPLICATION_ID, MIGRATIONS
from config.files.errors import LedgerError

NIGHT = datetime(2026, 6, 3, tzinfo=UTC)
ROOT = Path(__file__).parents[3]
NOBODY = 65534  # the user and group that own nothing, by convention of every Unix
SECOND = ("ALTER TABLE alerts ADD COLUMN acknowledged_at INTEGER",)
BROKEN = ("CREATE TABLE half_done (id INTEGER)", "INSERT INTO no_such_table VALUES (1)")


def contents(directory: Path) -> dict[str, bytes]:
    """Return the bytes of every file."""
    return {each.name: each.read_bytes() for each in directory.iterdir() if each.is_file()}


def make_ledger(path: Path) -> Path:
    """Make a ledger with one plan in it, and close it."""
    with open_ledger(path) as ledger:
        ledger.add_plan("driveway", NIGHT, {"starts": 1})
    return path


def plans(ledger: Ledger) -> list[dict[str, Any]]:
    """Return all plans of the driveway, in the order they were written."""
    found = ledger.plans_between("driveway", NIGHT, NIGHT + timedelta(days=1))
    return [plan.body for plan in found]


def make_foreign(path: Path, *statements: str) -> Path:
    """Make or change a database as another program does."""
    with closing(sqlite3.connect(path, isolation_level=None)) as database:
        for statement in statements:
            database.execute(statement)
    return path


def pragma(path: Path, name: str) -> object:
    with closing(sqlite3.connect(path)) as database:
        return database.execute(f"PRAGMA {name}").fetchone()[0]


# Making and finding


def test_a_missing_ledger_is_made(tmp_path: Path) -> None:
    """The new file has our mark, the newest schema, and a fully synced write-ahead log."""
    path = tmp_path / "led ger?#%.sqlite3"
    with open_ledger(path) as ledger:
        (synchronous,) = ledger._connection.execute("PRAGMA synchronous").fetchone()
    assert synchronous == 2  # FULL, https://sqlite.org/pragma.html#pragma_synchronous
    assert pragma(path, "application_id") == APPLICATION_ID
    assert pragma(path, "user_version") == len(MIGRATIONS)
    assert pragma(path, "journal_mode") == "wal"


def test_a_blank_file_becomes_a_ledger(tmp_path: Path) -> None:
    """An empty file, such as a kill leaves behind, counts as new."""
    path = tmp_path / "ledger.sqlite3"
    path.touch()
    make_ledger(path)
    assert pragma(path, "application_id") == APPLICATION_ID


def test_a_ledger_keeps_its_rows(tmp_path: Path) -> None:
    """The rows are there after closing and opening, for writing and for reading only."""
    path = make_ledger(tmp_path / "ledger.sqlite3")
    with open_ledger(path) as ledger:
        assert plans(ledger) == [{"starts": 1}]
    with open_ledger(path, read_only=True) as ledger:
        assert plans(ledger) == [{"starts": 1}]


# Refusals


def test_a_missing_directory_is_reported(tmp_path: Path) -> None:
    """The error names the directory, which is not made."""
    path = tmp_path / "nowhere" / "ledger.sqlite3"
    with pytest.raises(LedgerError, match="nowhere does not exist"):
        open_ledger(path)
    assert contents(tmp_path) == {}
    assert not path.parent.exists()


def test_a_directory_is_no_ledger(tmp_path: Path) -> None:
    """The error says that the path is a directory."""
    with pytest.raises(LedgerError, match="is a directory"):
        open_ledger(tmp_path)


@pytest.mark.parametrize("to_write", [True, False])
def test_a_pipe_is_no_ledger(tmp_path: Path, *, to_write: bool) -> None:
    """The error says what it is, and nothing waits for the pipe's other end."""
    os.mkfifo(tmp_path / "ledger.sqlite3")
    with pytest.raises(LedgerError, match="this is a pipe, a socket or a device"):
        open_ledger(tmp_path / "ledger.sqlite3", read_only=not to_write)


@pytest.mark.parametrize("copy", ["backup", "backup.1", "schema-3.backup"])
def test_an_emptied_ledger_beside_a_copy_is_refused(tmp_path: Path, copy: str) -> None:
    """It held something once: the error names the copy, and nothing is written."""
    path = tmp_path / "ledger.sqlite3"
    path.touch()
    kept = tmp_path / f"ledger.sqlite3.{copy}"
    kept.write_bytes(b"a copy")
    with pytest.raises(LedgerError, match=f"empty.*Its newest backup is {re.escape(str(kept))}"):
        open_ledger(path)
    assert contents(tmp_path) == {path.name: b"", kept.name: b"a copy"}
    path.unlink()
    open_ledger(path).close()


def test_an_empty_ledger_without_a_copy_begins_anew_and_says_so(tmp_path: Path) -> None:
    """A daemon that was killed as it made its first ledger leaves such a file."""
    path = tmp_path / "ledger.sqlite3"
    path.touch()
    with capture_logs() as logs:
        open_ledger(path).close()
    assert [log["event"] for log in logs] == ["the ledger's file is empty: a new ledger begins"]
    with capture_logs() as logs:
        open_ledger(path).close()
    assert logs == []


def test_reading_a_blank_ledger_makes_none(tmp_path: Path) -> None:
    """Reading an empty file reports that there is no ledger yet, and leaves the file empty."""
    (tmp_path / "ledger.sqlite3").touch()
    with pytest.raises(LedgerError, match="there is no ledger yet"):
        open_ledger(tmp_path / "ledger.sqlite3", read_only=True)
    assert contents(tmp_path) == {"ledger.sqlite3": b""}


def test_reading_a_missing_ledger_makes_none(tmp_path: Path) -> None:
    """Reading a missing ledger reports it and leaves nothing behind."""
    with pytest.raises(LedgerError, match="there is no ledger yet"):
        open_ledger(tmp_path / "ledger.sqlite3", read_only=True)
    assert contents(tmp_path) == {}


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.parametrize("size", [2, 99, 5000])  # SQLite takes a single byte for a blank file
def test_what_is_not_a_database_is_left_alone(
    tmp_path: Path, size: int, *, read_only: bool
) -> None:
    """A text file is refused and stays unchanged."""
    path = tmp_path / "ledger.sqlite3"
    path.write_bytes(b"x" * size)
    with pytest.raises(LedgerError, match="not a database"):
        open_ledger(path, read_only=read_only)
    assert contents(tmp_path) == {path.name: b"x" * size}


@pytest.mark.parametrize("read_only", [False, True])
@pytest.mark.parametrize(
    "statements",
    [
        ["CREATE TABLE songs (title TEXT)"],
        ["PRAGMA journal_mode = WAL", "CREATE TABLE songs (title TEXT)"],
        ["PRAGMA application_id = 7"],
        ["PRAGMA application_id = 7", "CREATE TABLE songs (title TEXT)"],
        ["PRAGMA user_version = 3"],
    ],
)
def test_another_programs_database_is_left_alone(
    tmp_path: Path, statements: list[str], *, read_only: bool
) -> None:
    """A database with foreign tables, mark or version is refused and stays unchanged."""
    path = make_foreign(tmp_path / "ledger.sqlite3", *statements)
    before = contents(tmp_path)
    with pytest.raises(LedgerError, match="another program's database"):
        open_ledger(path, read_only=read_only)
    assert contents(tmp_path) == before


def test_another_programs_open_database_is_left_alone(tmp_path: Path) -> None:
    """Tables that are only in the other program's log count too."""
    path = tmp_path / "ledger.sqlite3"
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA journal_mode = WAL")
        other.execute("CREATE TABLE songs (title TEXT)")
        before = contents(tmp_path)
        with pytest.raises(LedgerError, match="another program's database"):
            open_ledger(path)
        assert contents(tmp_path).keys() == before.keys()
        assert path.read_bytes() == before[path.name]


@pytest.mark.parametrize("read_only", [False, True])
def test_a_newer_ledger_is_left_alone(tmp_path: Path, *, read_only: bool) -> None:
    """A newer schema is refused, naming both versions, and stays unchanged."""
    path = make_ledger(tmp_path / "ledger.sqlite3")
    make_foreign(path, "PRAGMA user_version = 99")
    before = contents(tmp_path)
    with pytest.raises(LedgerError, match=rf"newer Lullwatt \(schema 99, .* {len(MIGRATIONS)}\)"):
        open_ledger(path, read_only=read_only)
    assert contents(tmp_path) == before


def test_a_locked_ledger_is_reported_at_opening(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A ledger that another program has locked can't be opened for writing."""
    monkeypatch.setattr(ledger_file, "BUSY_SECONDS", 0)
    path = make_ledger(tmp_path / "ledger.sqlite3")
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LedgerError, match="locked"):
            open_ledger(path)
        with open_ledger(path, read_only=True) as reader:
            assert plans(reader) == [{"starts": 1}]


def test_damage_is_reported(tmp_path: Path) -> None:
    """A ledger whose tables are overwritten is refused in plain words."""
    path = make_ledger(tmp_path / "ledger.sqlite3")
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(100)  # just behind the header, https://sqlite.org/fileformat.html
        file.write(b"\xff" * (size - 100))
    with pytest.raises(LedgerError, match="damaged"):
        open_ledger(path)


# Rights: looked at with the rights of nobody, because the suite may run as root


@pytest.fixture
def shelf() -> Iterator[Path]:
    """Make a directory that everybody may read, unlike pytest's own."""
    with tempfile.TemporaryDirectory() as name:
        path = Path(name)
        path.chmod(0o755)
        yield path
        path.chmod(0o755)


@contextmanager
def without_rights() -> Iterator[None]:
    """Drop root's rights inside the block, if the suite has them."""
    user, group = os.geteuid(), os.getegid()
    if user == 0:
        os.setegid(NOBODY)
        os.seteuid(NOBODY)
    try:
        yield
    finally:
        if user == 0:
            os.seteuid(user)
            os.setegid(group)


def take_rights_away(shelf: Path) -> dict[str, bytes]:
    """Let everybody read, and nobody write."""
    for each in shelf.iterdir():
        each.chmod(0o444)
    shelf.chmod(0o555)
    return contents(shelf)


def test_a_ledger_without_write_permission_is_reported_at_opening(shelf: Path) -> None:
    """The error comes at once, not with the first reading of the night."""
    path = make_ledger(shelf / "ledger.sqlite3")
    before = take_rights_away(shelf)
    with without_rights(), pytest.raises(LedgerError, match="see the rights"):
        open_ledger(path)
    assert contents(shelf) == before


def test_a_directory_without_write_permission_is_reported(shelf: Path) -> None:
    """The error says that the file can't be made there."""
    take_rights_away(shelf)
    with without_rights(), pytest.raises(LedgerError, match="see the rights"):
        open_ledger(shelf / "ledger.sqlite3")
    assert contents(shelf) == {}


def test_a_directory_without_read_permission_is_reported(shelf: Path) -> None:
    """It is a ledger error too."""
    path = make_ledger(shelf / "ledger.sqlite3")
    shelf.chmod(0o000)
    with without_rights(), pytest.raises(LedgerError, match="Permission denied"):
        open_ledger(path)


def test_a_user_who_may_only_read_can_read(shelf: Path) -> None:
    """Such a user reads the ledger of a stopped daemon."""
    path = make_ledger(shelf / "ledger.sqlite3")
    before = take_rights_away(shelf)
    with without_rights(), open_ledger(path, read_only=True) as reader:
        assert plans(reader) == [{"starts": 1}]
    assert contents(shelf) == before


WRITER = """
import sys
from datetime import UTC, datetime
from pathlib import Path
from adapters.ledger.ledger import open_ledger
with open_ledger(Path(sys.argv[1])) as ledger:
    ledger.add_plan("driveway", datetime(2026, 6, 3, tzinfo=UTC), {"starts": 2})
    print("committed", flush=True)
    sys.stdin.read()
"""


def test_a_user_who_may_only_read_can_read_beside_the_daemon(shelf: Path) -> None:
    """Such a user reads what another process has committed, while that has the ledger open."""
    path = shelf / "ledger.sqlite3"
    command = [sys.executable, "-c", WRITER, str(path)]
    with subprocess.Popen(
        command, cwd=ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as writer:
        assert writer.stdin is not None
        assert writer.stdout is not None
        assert writer.stdout.readline() == "committed\n"
        take_rights_away(shelf)
        with without_rights(), open_ledger(path, read_only=True) as reader:
            assert plans(reader) == [{"starts": 2}]
        shelf.chmod(0o755)
        writer.stdin.close()
    assert writer.returncode == 0


# Migrations


def test_an_old_ledger_is_brought_up_to_date(tmp_path: Path) -> None:
    """The new schema keeps every row, and a backup of the old file stands beside it."""
    path = make_ledger(tmp_path / "ledger.sqlite3")
    open_file(path, migrations=(*MIGRATIONS, SECOND)).close()
    assert pragma(path, "user_version") == len(MIGRATIONS) + 1
    with closing(sqlite3.connect(path)) as database:
        assert database.execute("SELECT body FROM plans").fetchone() == ('{"starts":1}',)
        assert database.execute("SELECT acknowledged_at FROM alerts").fetchall() == []
    backup = tmp_path / f"ledger.sqlite3.schema-{len(MIGRATIONS)}.backup"
    with open_ledger(backup) as ledger:
        assert plans(ledger) == [{"starts": 1}]
    assert not list(tmp_path.glob("*.part"))


def test_a_migration_happens_once(tmp_path: Path) -> None:
    """Opening a current file again migrates nothing and makes no second backup."""
    path = make_ledger(tmp_path / "ledger.sqlite3")
    open_file(path, migrations=(*MIGRATIONS, SECOND)).close()
    names = set(contents(tmp_path))
    open_file(path, migrations=(*MIGRATIONS, SECOND)).close()
    assert set(contents(tmp_path)) == names


def test_a_failed_migration_leaves_the_old_schema(tmp_path: Path) -> None:
    """If any statement fails, none takes effect, and this version still opens the file."""
    path = make_ledger(tmp_path / "ledger.sqlite3")
    with pytest.raises(LedgerError, match="no_such_table"):
        open_file(path, migrations=(*MIGRATIONS, SECOND, BROKEN))
    with closing(sqlite3.connect(path)) as database:
        tables = {name for (name,) in database.execute("SELECT name FROM sqlite_master")}
    assert "half_done" not in tables
    with open_ledger(path) as ledger:
        assert plans(ledger) == [{"starts": 1}]


def test_nothing_is_migrated_without_a_backup(tmp_path: Path) -> None:
    """If the backup can't be made, the file keeps its schema and no half copy is left."""
    path = make_ledger(tmp_path / "ledger.sqlite3")
    (tmp_path / f"ledger.sqlite3.schema-{len(MIGRATIONS)}.backup").mkdir()
    with pytest.raises(LedgerError, match="directory"):
        open_file(path, migrations=(*MIGRATIONS, SECOND))
    assert pragma(path, "user_version") == len(MIGRATIONS)
    assert not list(tmp_path.glob("*.part"))


def test_an_old_ledger_is_not_migrated_by_a_reader(tmp_path: Path) -> None:
    """Reading an older file reports how to bring it up to date, and changes nothing."""
    path = make_ledger(tmp_path / "ledger.sqlite3")
    before = contents(tmp_path)
    with pytest.raises(LedgerError, match="start the daemon once"):
        open_file(path, read_only=True, migrations=(*MIGRATIONS, SECOND))
    assert contents(tmp_path)[path.name] == before[path.name]


HOLD = """
import fcntl, sys
shm = open(sys.argv[1], "rb")
for byte in map(int, sys.argv[2:]):
    fcntl.lockf(shm, fcntl.LOCK_SH | fcntl.LOCK_NB, 1, byte)
"""
READ = """
import sqlite3, sys
ledger = sqlite3.connect(sys.argv[1])
ledger.execute("SELECT * FROM plans")
"""
WRITE = """
import sqlite3, sys
ledger = sqlite3.connect(sys.argv[1], isolation_level=None)
ledger.execute("BEGIN IMMEDIATE")
"""


@contextmanager
def in_another_process(code: str, path: Path, *more: str) -> Iterator[None]:
    """Run some code on a ledger's file until the end of the block."""
    code += "\nprint('done', flush=True)\nsys.stdin.read()"
    command = [sys.executable, "-c", code, str(path), *more]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == b"done\n"
        yield
        other.kill()


def held_by_a_reader(path: Path, *places: int) -> AbstractContextManager[None]:
    """Lock bytes of the -shm file as whoever may only read it can."""
    shm = path.with_name(f"{path.name}-shm")
    return in_another_process(HOLD, shm, *map(str, places))


@pytest.mark.parametrize("places", [(120,), (121, 122), tuple(range(120, 128))])
def test_a_reader_that_locks_writers_out_is_shut_out(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, places: tuple[int, ...]
) -> None:
    """The ledger is written again while the lock is still held, and the reader can't come back."""
    monkeypatch.setattr(ledger_file, "BUSY_SECONDS", 0)
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        path.chmod(0o640)
        with held_by_a_reader(path, *places):
            if 120 in places:
                with pytest.raises(LedgerError, match="locked"):
                    ledger.try_to_write()
            assert ledger.shut_readers_out()
            ledger.try_to_write()
            assert not ledger.shut_readers_out(), "there is nobody any more"
            modes = {each.stat().st_mode & 0o777 for each in tmp_path.glob("ledger.sqlite3*")}
            assert modes == {0o600}
    with open_ledger(path) as ledger:
        ledger.try_to_write()


def test_a_ledger_that_is_locked_at_the_start_is_opened(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A daemon that was killed meanwhile starts again, with all that is recorded."""
    monkeypatch.setattr(ledger_file, "BUSY_SECONDS", 0)
    path = tmp_path / "ledger.sqlite3"
    make_ledger(path)
    with (
        in_another_process(READ, path),
        held_by_a_reader(path, 120),
        open_ledger(path) as after,
    ):
        assert len(plans(after)) == 1
        after.try_to_write()


def test_readers_and_writers_of_sqlite_stay(tmp_path: Path) -> None:
    """Whoever reads keeps nobody from writing, and who writes has every right to."""
    path = tmp_path / "ledger.sqlite3"
    with open_ledger(path) as ledger:
        path.chmod(0o640)
        with held_by_a_reader(path, 123, 124):
            assert not ledger.shut_readers_out()
        with in_another_process(WRITE, path):
            assert not ledger.shut_readers_out()
        assert path.stat().st_mode & 0o777 == 0o640
