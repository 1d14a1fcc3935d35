"""A copy of a ledger to anywhere, made while the daemon writes on, and held against its source.

Source and copy are of one instant: the rows are counted in the same transaction that is copied.
"""

from __future__ import annotations

import shutil
import sqlite3
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from adapters.ledger.copies import settle
from adapters.ledger.file import connect_without_trace, has_log, plain_errors, refuse_damage
from adapters.ledger.schema import APPLICATION_ID
from config.files.errors import LedgerError

WORTH_PACKING = 0.25
"""Share of a copy that is free, from which on it is packed."""


@dataclass(frozen=True)
class LedgerCopy:
    """What a copy holds.

    Attributes
    ----------
    path
        Where it is.
    first_night, last_night
        Dates as text; None where no night is recorded.
    nights, readings
        How many.
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
        The copy, in a directory that exists.
    overwrite
        Replace a ledger that is there.

    Returns
    -------
    LedgerCopy
        What it holds.

    Raises
    ------
    LedgerError
        In plain words, with nothing replaced and nothing left behind.
    """
    with plain_errors(path):
        _refuse_source(path)
    with plain_errors(target):
        _refuse_target(path, target, overwrite=overwrite)
        part = target.with_name(f"{target.name}.part")
        part.unlink(missing_ok=True)
        try:
            held = _copy(path, part)
            with closing(connect_without_trace(part)) as copy:
                refuse_damage(copy, part)
                if _rows(copy) != held:
                    raise LedgerError(f"{target}: the copy does not hold what the ledger holds")
                told = _told(copy, target, part.stat().st_size)
            part.replace(target)
            settle(target.resolve().parent)
        finally:
            part.unlink(missing_ok=True)
    return told


def _refuse_source(path: Path) -> None:
    if not (path.is_file() and path.stat().st_size):
        raise LedgerError(f"{path}: there is no ledger yet; the daemon makes it when it first runs")
    if not _is_ledger(path):
        raise LedgerError(f"{path}: this is no ledger")


def _refuse_target(path: Path, target: Path, *, overwrite: bool) -> None:
    if not target.parent.is_dir():
        raise LedgerError(f"{target}: the directory {target.parent} does not exist")
    if target.exists():
        if target.samefile(path):
            raise LedgerError(f"{target}: this is the ledger itself")
        if not overwrite:
            raise LedgerError(f"{target}: there is such a file already (--overwrite replaces it)")
        if has_log(target):
            raise LedgerError(f"{target}: this ledger is in use, or was not closed; left as it is")
        if not (target.is_file() and _is_ledger(target)):
            raise LedgerError(f"{target}: this is no ledger, it is not replaced")
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
    """Copy the ledger of one instant; tell how many rows each of its tables has."""
    with plain_errors(path):
        logged = has_log(path)
        with (
            closing(connect_without_trace(path)) as ledger,
            closing(sqlite3.connect(part)) as copy,
        ):
            ledger.execute("BEGIN")
            held = _rows(ledger)
            ledger.backup(copy)
            _pack(copy)
        if has_log(path) and not logged:
            raise LedgerError(f"{path}: a daemon has just begun to write to it; try again")
    return held


def _pack(copy: sqlite3.Connection) -> None:
    """Leave out the room that a removal has freed, where it is worth the time."""
    (free,) = copy.execute("PRAGMA freelist_count").fetchone()
    (pages,) = copy.execute("PRAGMA page_count").fetchone()
    if free > pages * WORTH_PACKING:
        copy.execute("VACUUM")


def _rows(connection: sqlite3.Connection) -> dict[str, int]:
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()
    counts: dict[str, int] = {}
    for (name,) in names:
        query = f'SELECT count(*) FROM "{name}"'  # noqa: S608 - a name out of the schema
        (counts[name],) = connection.execute(query).fetchone()
    return counts


def _told(copy: sqlite3.Connection, target: Path, size: int) -> LedgerCopy:
    first, last, nights = copy.execute(
        "SELECT min(night), max(night), count(*) FROM nights"
    ).fetchone()
    (readings,) = copy.execute("SELECT count(*) FROM readings").fetchone()
    return LedgerCopy(target, first, last, nights, readings, size)
