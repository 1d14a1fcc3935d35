"""Copy a ledger before it is migrated, as the way back to the previous version.

Knows SQLite and the file system. Without a complete copy nothing is migrated.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from pathlib import Path

from adapters.host.whole_file import replacing
from adapters.ledger.copies import (
    SPARE_BYTES,
    backup_of_schema,
    flush_directory,
    require_disk_space,
)
from config.files.errors import LedgerError


def copy_before_migrating(connection: sqlite3.Connection, path: Path) -> Path:
    """Copy a ledger to ``<ledger>.schema-N.backup`` for the previous version.

    The copy gets its name once it is checked and on the disk. A copy with the same name, from an
    earlier upgrade, is replaced: after a downgrade the daemon has gone on with that one.

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
        If there is too little room for it, or it is not complete. Errors of SQLite and of the file
        system are passed on.
    """
    version = _number(connection, "PRAGMA user_version")
    target = backup_of_schema(path, version)
    require_disk_space(path.resolve(), SPARE_BYTES)
    with replacing(target) as part:
        with closing(sqlite3.connect(part.path)) as copy:
            # It must be on the disk before the ledger is changed, in case of a power cut.
            copy.execute("PRAGMA synchronous = FULL")
            connection.backup(copy)
            if _summary(copy) != _summary(connection) or _fault(copy) != "ok":
                raise LedgerError(
                    f"{path}: the ledger: the copy made before bringing it up to date is not "
                    "complete; nothing was changed"
                )
        os.fsync(part.file.fileno())
    flush_directory(target.parent)
    return target


def row_counts(connection: sqlite3.Connection) -> dict[str, int]:
    """Return how many rows each table of a ledger has, for comparison with a copy."""
    names = connection.execute(
        "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
    ).fetchall()
    counts = {name: f'SELECT count(*) FROM "{name}"' for (name,) in names}  # noqa: S608 - the schema's
    return {name: _number(connection, query) for name, query in counts.items()}


def _summary(connection: sqlite3.Connection) -> tuple[int, int, dict[str, int]]:
    version, application = (
        _number(connection, f"PRAGMA {name}") for name in ("user_version", "application_id")
    )
    return version, application, row_counts(connection)


def _number(connection: sqlite3.Connection, query: str) -> int:
    (value,) = connection.execute(query).fetchone()
    return int(value)


def _fault(connection: sqlite3.Connection) -> str:
    (found,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    return str(found)
