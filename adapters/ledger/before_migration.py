"""A copy of a ledger as it is, made before its schema is brought up to date: the way back.

Knows SQLite and the file system. Without the copy, or if it is not whole, nothing is migrated.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from adapters.ledger.copies import SPARE_BYTES, backup_of_schema, refuse_a_full_disk, settle
from config.files.errors import LedgerError


def copy_before_migrating(connection: sqlite3.Connection, path: Path) -> Path:
    """Copy a ledger to ``<ledger>.schema-N.backup``, which the version before can open.

    The copy gets its name once it has been looked over and is on the disk. One of the same name,
    from an earlier upgrade, is replaced: whoever went back wrote on in it.

    Parameters
    ----------
    connection
        The ledger, open.
    path
        Its file.

    Returns
    -------
    Path
        The copy.

    Raises
    ------
    LedgerError
        If there is too little room for it, or it does not hold what the ledger holds. Errors of
        SQLite and of the file system are passed on.
    """
    version = _number(connection, "PRAGMA user_version")
    target = backup_of_schema(path, version)
    part = target.with_name(f"{target.name}.part")
    refuse_a_full_disk(path.resolve(), SPARE_BYTES)
    part.unlink(missing_ok=True)
    try:
        with closing(sqlite3.connect(part)) as copy:
            # Whole only if it is on the disk before the ledger is changed, also in a power cut.
            copy.execute("PRAGMA synchronous = FULL")
            connection.backup(copy)
            if _summary(copy) != _summary(connection) or _fault(copy) != "ok":
                raise LedgerError(
                    f"{path}: the ledger: the copy made before bringing it up to date is not "
                    "whole; nothing was changed"
                )
        _flush(part)
        part.replace(target)
        settle(target.parent)
    finally:
        part.unlink(missing_ok=True)
    return target


def _flush(path: Path) -> None:
    with path.open("rb") as file:
        os.fsync(file.fileno())


def _summary(connection: sqlite3.Connection) -> tuple[int, ...]:
    """Tell the schema's version, whose file it is, and how many rows the tables have."""
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        " ORDER BY name"
    ).fetchall()
    counts = [f'SELECT count(*) FROM "{name}"' for (name,) in names]  # noqa: S608 - the schema's
    asked = ("PRAGMA user_version", "PRAGMA application_id", *counts)
    return tuple(_number(connection, each) for each in asked)


def _number(connection: sqlite3.Connection, query: str) -> int:
    (value,) = connection.execute(query).fetchone()
    return int(value)


def _fault(connection: sqlite3.Connection) -> str:
    (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    return str(found)
