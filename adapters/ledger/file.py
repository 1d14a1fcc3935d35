"""Open the ledger's file, check that it is one, and bring its schema up to date.

Knows SQLite and the file system, and nothing of what the tables mean. A refusal comes before
anything is written.
"""

from __future__ import annotations

import fcntl
import os
import sqlite3
import struct
from collections.abc import Iterator, Sequence
from contextlib import closing, contextmanager
from errno import ELOOP
from pathlib import Path

from adapters.ledger.before_migration import copy_before_migrating
from adapters.ledger.copies import NO_BACKUP, backup_for_schema, describe_newest_backup
from adapters.ledger.schema import APPLICATION_ID, MIGRATIONS, Migration
from config.files.errors import LedgerDamaged, LedgerError

BUSY_SECONDS = 2.0
"""How long a writer waits for another program's lock. Readers never hold one in WAL mode."""

_LOCK_BYTES = range(120, 128)
_BYTES_OF_WRITERS = range(120, 123)
_BYTES_OF_READERS = range(123, 128)
"""What SQLite locks in the -shm file (https://sqlite.org/walformat.html, section 2.3.1): readers
lock a byte of theirs together, and writers each byte alone."""

_FLOCK = "hhqqi4x"  # struct flock: kind, from where, first byte, how many, process
_ONLY_OWNER = 0o600

_MAGIC = b"SQLite format 3\0"
"""What a database begins with, https://sqlite.org/fileformat.html, section 1.3."""

_probes: dict[tuple[int, int], int] = {}
"""Never closed: closing any descriptor of a file ends all locks of this process on it (POSIX)."""

_PRIMARY_CODE = 0xFF  # the low byte of an extended result code, https://sqlite.org/rescode.html
_REASONS = {
    sqlite3.SQLITE_BUSY: "another program keeps it locked; end that program and try again",
    sqlite3.SQLITE_LOCKED: "another program keeps it locked; end that program and try again",
    sqlite3.SQLITE_PROTOCOL: "another program keeps it locked; end that program and try again",
    sqlite3.SQLITE_READONLY: "it may not be written; see the rights of the file and its directory",
    sqlite3.SQLITE_PERM: "it may not be used; see the rights of the file and its directory",
    sqlite3.SQLITE_CANTOPEN: "it can't be opened; see the rights of the file and its directory",
    sqlite3.SQLITE_FULL: "the disk is full; nothing was recorded",
    sqlite3.SQLITE_IOERR: "the disk failed to read or write it",
}
_DAMAGE = {
    sqlite3.SQLITE_NOTADB: "it is not a database",
    sqlite3.SQLITE_CORRUPT: "it is damaged",
}


@contextmanager
def plain_errors(path: Path) -> Iterator[None]:
    """Turn errors of SQLite and of the file system into plain words.

    Parameters
    ----------
    path
        The ledger's file, for the message.

    Yields
    ------
    None
        Run the statements inside.

    Raises
    ------
    LedgerDamaged
        If the file is damaged or no database; the message names the newest backup.
    LedgerError
        For every other such error, with its own text added.
    """  # noqa: DOC501 - a RuntimeError of another kind is passed on
    try:
        yield
    except sqlite3.Error as error:
        code = getattr(error, "sqlite_errorcode", sqlite3.SQLITE_ERROR) & _PRIMARY_CODE
        if code in _DAMAGE:
            raise LedgerDamaged(_damaged(path, f"{_DAMAGE[code]} ({error})")) from error
        reason = _REASONS.get(code, "SQLite reports an error")
        raise LedgerError(f"{path}: the ledger: {reason} ({error})") from error
    except OSError as error:
        raise LedgerError(f"{path}: the ledger can't be used: {error.strerror}") from error
    except RuntimeError as error:  # what `Path.resolve` raises before Python 3.13
        if not str(error).startswith("Symlink loop"):
            raise
        raise LedgerError(f"{path}: the ledger can't be used: {os.strerror(ELOOP)}") from error


def _damaged(path: Path, reason: str) -> str:
    return f"{path}: the ledger: {reason}; it is left as it is. {describe_newest_backup(path)}"


@contextmanager
def transaction(connection: sqlite3.Connection) -> Iterator[None]:
    """Run all the statements inside or none; take the write lock at the start.

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
        # SQLite itself rolls back after some errors, such as a full disk.
        if connection.in_transaction:
            connection.execute("ROLLBACK")


def open_file(
    path: Path, *, read_only: bool = False, migrations: Sequence[Migration] = MIGRATIONS
) -> sqlite3.Connection:
    """Open a ledger's file, or make it, and bring its schema up to date.

    A `LedgerError` says in plain words if the directory or (for reading) the file is missing, or if
    the file is no ledger, is damaged, has a newer schema (or an older one, for reading), is locked,
    or may not be used. Nothing is written then. Only opening for writing checks the whole file for
    damage.

    Parameters
    ----------
    path
        The file. Its directory must exist.
    read_only
        Open it without making or changing it, even while a daemon uses it.
    migrations
        The schema's history.

    Returns
    -------
    sqlite3.Connection
        In autocommit mode: statements outside `transaction` commit by themselves. Any thread may
        use it, one at a time.

    Raises
    ------
    LedgerError
        In plain words.
    """
    try:
        with plain_errors(path):
            return _open(path, migrations, read_only=read_only)
    except LedgerDamaged as error:
        raise LedgerError(str(error)) from error  # like any other file that is no ledger


def _open(path: Path, migrations: Sequence[Migration], *, read_only: bool) -> sqlite3.Connection:
    refuse_place(path, read_only=read_only)
    try:
        return _check_and_open(path, migrations, read_only=read_only)
    except sqlite3.OperationalError:
        if read_only or not shut_readers_out(path):
            raise
        return _check_and_open(path, migrations, read_only=read_only)


def _check_and_open(
    path: Path, migrations: Sequence[Migration], *, read_only: bool
) -> sqlite3.Connection:
    if path.exists() and (read_only or not _is_half_made(path)):
        _refuse_foreign_file(path, newest=len(migrations), to_write=not read_only)
    if read_only:
        return _open_to_read(path, newest=len(migrations))
    _refuse_emptied(path)
    return _open_to_write(path, migrations)


def refuse_place(path: Path, *, read_only: bool = False) -> None:
    """Raise `LedgerError` if a path can't have a ledger or, for reading, has none."""
    if not path.parent.is_dir():
        raise LedgerError(f"{path}: the ledger's directory {path.parent} does not exist")
    if path.exists() and not path.is_file():
        kind = "a directory" if path.is_dir() else "a pipe, a socket or a device"
        raise LedgerError(f"{path}: the ledger must be a file, this is {kind}")
    if read_only and not (path.exists() and path.stat().st_size):
        raise LedgerError(f"{path}: there is no ledger yet; the daemon makes it when it first runs")


def _refuse_emptied(path: Path) -> None:
    """Refuse a file that lost all that was in it; without a copy, say that it begins anew."""
    if not path.exists() or path.stat().st_size or has_log(path):
        return
    backup = describe_newest_backup(path)
    if backup != NO_BACKUP:
        raise LedgerError(
            f"{path}: the ledger is empty (0 bytes), though it was copied before. {backup} Put"
            " that in its place, or delete the empty file to begin a new ledger"
        )
    import structlog  # noqa: PLC0415 - commands that only read the ledger need none

    log = structlog.get_logger(__name__)
    log.warning("the ledger's file is empty: a new ledger begins", path=str(path))


def _is_half_made(path: Path) -> bool:
    """Tell whether the power failed while the first page of a new ledger was written."""
    # That page, and no other, is written by way of a -journal file, with which SQLite takes it back
    # when it opens the file to write.
    real = path.resolve()
    with real.open("rb") as file:
        begins = file.read(len(_MAGIC))
    return begins == bytes(len(_MAGIC)) and real.with_name(f"{real.name}-journal").exists()


def _refuse_foreign_file(path: Path, *, newest: int, to_write: bool) -> None:
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
            f"this one knows up to {newest}); {_what_to_do(path, newest)}"
        )


def _what_to_do(path: Path, newest: int) -> str:
    copy = backup_for_schema(path, newest)
    if copy is None:
        return "install that one again, or use another file"
    return (
        "install that one again, or move the ledger and its -wal and -shm files away and put "
        f"{copy} in its place, a copy from before the upgrade"
    )


def refuse_damage(connection: sqlite3.Connection, path: Path) -> None:
    """Raise `LedgerDamaged` if SQLite finds a fault in the file (0.1 s for 100 MB)."""
    (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if found != "ok":
        reason = f"it is damaged ({found.strip().splitlines()[-1]})"
        raise LedgerDamaged(_damaged(path, reason))


def _open_to_read(path: Path, *, newest: int) -> sqlite3.Connection:
    try:
        connection, version = _connect_to_read(path, "mode=ro")
    except sqlite3.OperationalError:
        if has_log(path):
            raise
        # The reader may not write beside the file, and no daemon has it open.
        connection, version = _connect_to_read(path, "immutable=1")
    if version < newest:
        connection.close()
        raise LedgerError(
            f"{path}: the ledger's schema is older (schema {version}, this one reads {newest}); "
            "start the daemon once to bring it up to date"
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
        with transaction(connection):  # also checks at once that the file may be written
            _migrate(connection, migrations)
    except BaseException:
        connection.close()
        raise
    return connection


def shut_readers_out(path: Path) -> bool:
    """Take the ledger away from a process that may only read it, and keeps it from being written.

    No reading by SQLite does that. But whoever may read the -shm file may lock it, and SQLite then
    waits in vain: the page could, if somebody broke into it. The lock is on that file alone, which
    SQLite makes again from the log. So it gets a new one, which only its owner may open.

    Parameters
    ----------
    path
        The ledger's file; this process has closed it, or closes it and opens it again.

    Returns
    -------
    bool
        Whether to open the ledger again. Never while another program is writing.
    """
    real = path.resolve()
    beside = [real.with_name(f"{real.name}{end}") for end in ("", "-wal", "-shm")]
    try:
        holder = _holder_of_locks(beside[-1])
        if holder is None:
            return False
        for each in beside:
            each.chmod(_ONLY_OWNER)
        beside[-1].unlink()
    except FileNotFoundError:
        return True  # it was taken away while another connection of this process still used it
    except OSError:
        return False
    import structlog  # noqa: PLC0415 - commands that only read the ledger need none

    structlog.get_logger(__name__).error(
        "a process that may only read the ledger kept it from being written: only its owner may"
        " open it now; chmod 640 gives the page its rights back",
        path=str(path), process=holder,
    )  # fmt: skip
    return True


def _holder_of_locks(shm: Path) -> int | None:
    """Return the process whose shared locks keep writers out; None if there is none."""
    stat = shm.stat()
    key = (stat.st_dev, stat.st_ino)
    if key not in _probes:
        _probes[key] = os.open(shm, os.O_RDONLY | os.O_CLOEXEC | os.O_NOFOLLOW)
    kept = _probes[key]
    if any(_blocking(kept, fcntl.F_RDLCK, byte) is not None for byte in _LOCK_BYTES):
        return None  # somebody writes
    of_writers = [_blocking(kept, fcntl.F_WRLCK, byte) for byte in _BYTES_OF_WRITERS]
    of_readers = [_blocking(kept, fcntl.F_WRLCK, byte) for byte in _BYTES_OF_READERS]
    found = [*of_writers, *(of_readers if None not in of_readers else [])]
    return next((process for process in found if process is not None), None)


def _blocking(file: int, kind: int, byte: int) -> int | None:
    """Return the process that has a lock against one of this kind on a byte; None if none has."""
    asked = struct.pack(_FLOCK, kind, os.SEEK_SET, byte, 1, 0)
    found, _, _, _, process = struct.unpack(_FLOCK, fcntl.fcntl(file, fcntl.F_GETLK, asked))
    return None if found == fcntl.F_UNLCK else int(process)


def _make_durable(connection: sqlite3.Connection, path: Path) -> None:
    # FULL: a commit is on the disk before it returns, so it survives a power cut.
    connection.execute("PRAGMA synchronous = FULL")
    (mode,) = connection.execute("PRAGMA journal_mode = WAL").fetchone()
    if mode != "wal":
        raise LedgerError(f"{path}: the ledger needs a local disk (no write-ahead log here)")


def _migrate(connection: sqlite3.Connection, migrations: Sequence[Migration]) -> None:
    # Read again inside the transaction: another process may have been faster.
    version = _pragma(connection, "user_version")
    if version >= len(migrations):
        return
    for migration in migrations[version:]:
        for statement in migration:
            connection.execute(statement)
    connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
    connection.execute(f"PRAGMA user_version = {len(migrations)}")


def connect_without_trace(path: Path) -> sqlite3.Connection:
    """Connect to a file for reading, without making other files beside it.

    A file without a write-ahead log beside it is opened as immutable. The usual way to read a
    database would make two files beside it.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    sqlite3.Connection
        For reading; to be closed by the caller.
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
    """Return whether a file has a log: it is in use, or its user was killed."""
    real = path.resolve()
    return real.with_name(f"{real.name}-wal").exists()
