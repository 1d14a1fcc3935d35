"""Opening the ledger's file: is it ours, may it be written, is its schema current.

Knows SQLite and the file system, and nothing of what the tables mean. Whatever is refused here is
refused before a byte is written.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from pathlib import Path

from adapters.ledger.before_migration import copy_before_migrating
from adapters.ledger.copies import backup_to_go_back_to, where_the_backup_is
from adapters.ledger.schema import APPLICATION_ID, MIGRATIONS, Migration
from config.files.errors import LedgerDamaged, LedgerError

BUSY_SECONDS = 2.0
"""How long a writer waits for another program's lock. Readers never hold one in WAL mode."""

_PRIMARY_CODE = 0xFF  # the low byte of an extended result code, https://sqlite.org/rescode.html
_IN_WORDS = {
    sqlite3.SQLITE_BUSY: "another program keeps it locked; end that program and try again",
    sqlite3.SQLITE_LOCKED: "another program keeps it locked; end that program and try again",
    sqlite3.SQLITE_READONLY: "it may not be written; see the rights of the file and its directory",
    sqlite3.SQLITE_PERM: "it may not be used; see the rights of the file and its directory",
    sqlite3.SQLITE_CANTOPEN: "it can't be opened; see the rights of the file and its directory",
    sqlite3.SQLITE_FULL: "the disk is full; nothing was recorded",
    sqlite3.SQLITE_IOERR: "the disk failed to read or write it",
}
_DAMAGED_IN_WORDS = {
    sqlite3.SQLITE_NOTADB: "it is not a database",
    sqlite3.SQLITE_CORRUPT: "it is damaged",
}


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Say in plain words what SQLite refuses.

    Parameters
    ----------
    path
        The ledger's file, to be named in the message.

    Yields
    ------
    None
        Run the statements inside.

    Raises
    ------
    LedgerDamaged
        If what the file holds makes no sense; the newest backup is named.
    LedgerError
        For every other error of SQLite and of the file system; their own words are added.
    """
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & _PRIMARY_CODE
        if code in _DAMAGED_IN_WORDS:
            raise LedgerDamaged(_damaged(path, f"{_DAMAGED_IN_WORDS[code]} ({error})")) from error
        words = _IN_WORDS.get(code, "it refused")
        raise LedgerError(f"{path}: the ledger: {words} ({error})") from error
    except OSError as error:
        raise LedgerError(f"{path}: the ledger can't be used: {error.strerror}") from error


def _damaged(path: Path, how: str) -> str:
    return f"{path}: the ledger: {how}; it is left as it is. {where_the_backup_is(path)}"


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Do all the statements inside or none; the lock to write is taken at the start.

    Parameters
    ----------
    connection
        An open connection without a transaction.

    Yields
    ------
    None
        Run the statements inside.
    """
    connection.execute("BEGIN IMMEDIATE")
    try:
        yield
        connection.execute("COMMIT")
    finally:
        # SQLite itself rolls back after some errors, a full disk among them.
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def open_file(
    path: Path, *, read_only: bool = False, migrations: Sequence[Migration] = MIGRATIONS
) -> sqlite3.Connection:
    """Open a ledger's file, make it if it is missing, and bring its schema up to date.

    A `LedgerError` says in plain words if the directory or (to read) the file is missing, the file
    is not a ledger of ours, is damaged, is of a newer schema (or of an older one, to read), is
    locked, or may not be used. Nothing is written then. That it is whole is looked at only before
    it is written to.

    Parameters
    ----------
    path
        The file. Its directory must exist.
    read_only
        Open it beside a running daemon, or after it; never make or change it.
    migrations
        The schema's history.

    Returns
    -------
    sqlite3.Connection
        In autocommit mode: statements outside `transaction` commit by themselves. May be used from
        any thread, one at a time.

    Raises
    ------
    LedgerError
        In plain words.
    """
    try:
        with plain_errors(path):
            return _open(path, migrations, read_only=read_only)
    except LedgerDamaged as error:
        raise LedgerError(str(error)) from error  # refused like any other file that is no ledger


def _open(path: Path, migrations: Sequence[Migration], *, read_only: bool) -> sqlite3.Connection:
    refuse_place(path, read_only=read_only)
    if path.exists():
        _refuse_stranger(path, newest=len(migrations), to_write=not read_only)
    if read_only:
        return _open_to_read(path, newest=len(migrations))
    return _open_to_write(path, migrations)


def refuse_place(path: Path, *, read_only: bool = False) -> None:
    """Raise `LedgerError` where no ledger can be, or, to read, where there is none yet."""
    if not path.parent.is_dir():
        raise LedgerError(f"{path}: the ledger's directory {path.parent} does not exist")
    if path.is_dir():
        raise LedgerError(f"{path}: the ledger must be a file, this is a directory")
    if read_only and not (path.exists() and path.stat().st_size):
        raise LedgerError(f"{path}: there is no ledger yet; the daemon makes it when it first runs")


def _refuse_stranger(path: Path, *, newest: int, to_write: bool) -> None:
    with closing(connect_without_trace(path)) as connection:
        application = _pragma(connection, "application_id")
        version = _pragma(connection, "user_version")
        (tables,) = connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
        if application == APPLICATION_ID and version <= newest and to_write:
            refuse_damage(connection, path)
    is_blank = application == version == tables == 0
    if application != APPLICATION_ID and not is_blank:
        raise LedgerError(f"{path}: this is another program's database, not a ledger; left alone")
    if version > newest:
        raise LedgerError(
            f"{path}: the ledger was written by a newer Lullwatt (schema {version}, "
            f"this one knows up to {newest}); {_ways_on(path, newest)}"
        )


def _ways_on(path: Path, newest: int) -> str:
    copy = backup_to_go_back_to(path, newest)
    if copy is None:
        return "install that one again, or use another file"
    return (
        "install that one again, or move the ledger and its -wal and -shm files away and put "
        f"{copy} in its place, which was made before it was brought up to date"
    )


def refuse_damage(connection: sqlite3.Connection, path: Path) -> None:
    """Raise `LedgerDamaged` if SQLite finds a fault in the file (0.1 s for each 100 MB, cached)."""
    (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        how = f"it is damaged ({found.strip().splitlines()[-1]})"
        raise LedgerDamaged(_damaged(path, how))


def _open_to_read(path: Path, *, newest: int) -> sqlite3.Connection:
    try:
        connection, version = _connect_to_read(path, "mode=ro")
    except sqlite3.OperationalError:
        if has_log(path):
            raise
        # A reader who may not write beside the file, while no daemon has it open.
        connection, version = _connect_to_read(path, "immutable=1")
    if version < newest:
        connection.close()
        raise LedgerError(
            f"{path}: the ledger's schema is older (schema {version}, this one reads {newest}); "
            "start the daemon once, which brings it up to date"
        )
    return connection


def _connect_to_read(path: Path, how: str) -> tuple[sqlite3.Connection, int]:
    connection = _connect(path, how)
    try:
        return connection, _pragma(connection, "user_version")
    except BaseException:
        connection.close()
        raise


def _open_to_write(path: Path, migrations: Sequence[Migration]) -> sqlite3.Connection:
    connection = _connect(path, "mode=rwc")
    try:
        _make_durable(connection, path)
        if 0 < _pragma(connection, "user_version") < len(migrations):
            copy_before_migrating(connection, path)
        with transaction(connection):  # also finds out at once whether the file may be written
            _migrate(connection, migrations)
    except BaseException:
        connection.close()
        raise
    return connection


def _make_durable(connection: sqlite3.Connection, path: Path) -> None:
    # FULL: a commit is on the disk before it is acknowledged, through a power cut too.
    connection.execute("PRAGMA synchronous = FULL")
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise LedgerError(f"{path}: the ledger needs a local disk (no write-ahead log here)")


def _migrate(connection: sqlite3.Connection, migrations: Sequence[Migration]) -> None:
    # Asked again inside the transaction: another process may have been faster.
    version = _pragma(connection, "user_version")
    if version >= len(migrations):
        return
    for migration in migrations[version:]:
        for statement in migration:
            connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {len(migrations)}")


def connect_without_trace(path: Path) -> sqlite3.Connection:
    """Connect to a file in order to look at it, to be closed by the caller.

    Without a log beside it a file can be looked at as unchangeable, which leaves no trace: the
    usual way to read another program's database would make two files beside it.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    sqlite3.Connection
        To read with.
    """
    return _connect(path, "mode=ro" if has_log(path) else "immutable=1")


def _connect(path: Path, how: str) -> sqlite3.Connection:
    return sqlite3.connect(
        f"{path.absolute().as_uri()}?{how}",
        uri=True,
        timeout=BUSY_SECONDS,
        isolation_level=None,
        check_same_thread=False,
    )


def _pragma(connection: sqlite3.Connection, name: str) -> int:
    (value,) = connection.execute(f"PRAGMA {name}").fetchone()
    return int(value)


def has_log(path: Path) -> bool:
    """Whether a log is beside a file: somebody has it open, or was killed."""
    real = path.resolve()
    return real.with_name(f"{real.name}-wal").exists()
