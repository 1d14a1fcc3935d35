"""Copy a ledger to any place while the daemon writes, and compare the two.

The comparison is exact: the same transaction counts the rows and copies them.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from adapters.host.whole_file import replacing
from adapters.ledger.before_migration import row_counts
from adapters.ledger.copies import flush_directory
from adapters.ledger.file import connect_without_trace, has_log, plain_errors, refuse_damage
from adapters.ledger.schema import APPLICATION_ID
from config.files.errors import LedgerError

VACUUM_FROM_FREE_SHARE = 0.25
"""Share of free pages in a copy above which they are reclaimed (VACUUM)."""


@dataclass(frozen=True)
class LedgerCopy:
    """What a copy contains.

    Attributes
    ----------
    path
        The copy.
    first_night, last_night
        Dates as text; None if no night is recorded.
    nights, readings
        Number of closed nights and of readings.
    size_bytes
        Size of the file.
    """

    path: Path
    first_night: str | None
    last_night: str | None
    nights: int
    readings: int
    size_bytes: int


def copy_ledger(path: Path, target: Path, *, overwrite: bool = False) -> LedgerCopy:
    """Copy a ledger, check the copy, and only then give it its name.

    Parameters
    ----------
    path
        The ledger's file; a daemon may be writing to it. It is not changed.
    target
        The copy to make, in a directory that exists.
    overwrite
        Replace a ledger that is there already.

    Returns
    -------
    LedgerCopy
        What the copy contains.

    Raises
    ------
    LedgerError
        If it can't be made; then nothing is replaced and nothing left behind.
    """
    with plain_errors(path):
        _refuse_source(path)
    with plain_errors(target):
        _refuse_target(path, target, overwrite=overwrite)
        with replacing(target) as part:
            expected = _copy(path, part.path)
            with closing(connect_without_trace(part.path)) as copy:
                refuse_damage(copy, part.path)
                if row_counts(copy) != expected:
                    raise LedgerError(f"{target}: the copy differs from the ledger")
                summary = _summary(copy, target, part.path.stat().st_size)
        flush_directory(target.resolve().parent)
    return summary


def _refuse_source(path: Path) -> None:
    if not (path.is_file() and path.stat().st_size):
        raise LedgerError(f"{path}: there is no ledger yet; the daemon makes it when it first runs")
    if not _is_ledger(path):
        raise LedgerError(f"{path}: this is not a ledger")


def _refuse_target(path: Path, target: Path, *, overwrite: bool) -> None:
    if not target.parent.is_dir():
        raise LedgerError(f"{target}: the directory {target.parent} does not exist")
    if target.exists():
        if target.samefile(path):
            raise LedgerError(f"{target}: this is the ledger itself")
        if not overwrite:
            raise LedgerError(f"{target}: the file exists already (--overwrite replaces it)")
        if has_log(target):
            raise LedgerError(f"{target}: this ledger is in use, or was not closed; left as it is")
        if not (target.is_file() and _is_ledger(target)):
            raise LedgerError(f"{target}: this is not a ledger, so it is not replaced")
    size = path.stat().st_size
    if shutil.disk_usage(target.parent).free < size:
        raise LedgerError(f"{target}: the disk has too little room for a copy")


def _is_ledger(path: Path) -> bool:
    try:
        with closing(connect_without_trace(path)) as connection:
            (application,) = connection.execute("PRAGMA application_id").fetchone()
    except sqlite3.DatabaseError as error:
        if error.sqlite_errorcode == sqlite3.SQLITE_NOTADB:
            return False
        raise
    return bool(application == APPLICATION_ID)


def _copy(path: Path, part: Path) -> dict[str, int]:
    """Copy the ledger of one instant; return how many rows each of its tables has."""
    with plain_errors(path):
        logged = has_log(path)
        with (
            closing(connect_without_trace(path)) as ledger,
            closing(sqlite3.connect(part)) as copy,
        ):
            ledger.execute("BEGIN")
            counts = row_counts(ledger)
            ledger.backup(copy)
            _reclaim_free_pages(copy)
        if has_log(path) and not logged:
            raise LedgerError(f"{path}: a daemon has just begun to write to it; try again")
    return counts


def _reclaim_free_pages(copy: sqlite3.Connection) -> None:
    """Reclaim the pages that a removal freed, if there are enough of them."""
    (free,) = copy.execute("PRAGMA freelist_count").fetchone()
    (pages,) = copy.execute("PRAGMA page_count").fetchone()
    if free > pages * VACUUM_FROM_FREE_SHARE:
        copy.execute("VACUUM")


def _summary(copy: sqlite3.Connection, target: Path, size: int) -> LedgerCopy:
    first, last, nights = copy.execute(
        "SELECT min(night), max(night), count(*) FROM nights"
    ).fetchone()
    (readings,) = copy.execute("SELECT count(*) FROM readings").fetchone()
    return LedgerCopy(target, first, last, nights, readings, size)
