"""The copies of a ledger that stand beside it: their names, and which is the newest.

Knows the file system and no SQLite: it is asked when the ledger itself can't be read.
"""

from __future__ import annotations

import os
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

from config.files.errors import LedgerError

SPARE_BYTES = 16 * 1024 * 1024
"""Room that a backup leaves on the disk: what the daemon writes until somebody looks."""

_OF_SCHEMA = re.compile(r"\.schema-([0-9]{1,9})\.backup", re.ASCII)


def backup_of(path: Path) -> Path:
    """Return where the daily backup of a ledger is; links are followed."""
    real = path.resolve()
    return real.with_name(f"{real.name}.backup")


def backup_before(path: Path) -> Path:
    """Return where the backup before that one is."""
    return backup_of(path).with_suffix(".backup.1")


def backup_of_schema(path: Path, version: int) -> Path:
    """Return where the copy is that was made before a ledger left a version of its schema."""
    real = path.resolve()
    return real.with_name(f"{real.name}.schema-{version}.backup")


def backup_to_go_back_to(path: Path, newest: int) -> Path | None:
    """Find the copy that a version of Lullwatt before the ledger's own can open.

    Parameters
    ----------
    path
        The ledger's file.
    newest
        The newest schema that version knows.

    Returns
    -------
    Path or None
        The copy of the highest schema it knows; None where there is none.
    """
    real = path.resolve()
    found = {
        int(name[1]): copy
        for copy in real.parent.glob(f"{real.name}.schema-*.backup")
        if (name := _OF_SCHEMA.fullmatch(copy.name.removeprefix(real.name)))
    }
    return max(((at, copy) for at, copy in found.items() if at <= newest), default=(0, None))[1]


def backed_up_at(path: Path) -> datetime | None:
    """Return the instant of the daily backup, UTC; None if there is none."""
    try:
        return datetime.fromtimestamp(backup_of(path).stat().st_mtime, UTC)
    except OSError:
        return None


def where_the_backup_is(path: Path) -> str:
    """Say where the newest copy of a ledger is, or that there is none.

    Parameters
    ----------
    path
        The ledger's file.

    Returns
    -------
    str
        A sentence.
    """
    real = path.resolve()
    # The names of backups made before a migration come behind: of equal age, the daily one counts.
    names = (f"{real.name}.backup", f"{real.name}.backup.1", f"{real.name}.schema-*.backup")
    found = [(_age(copy), copy) for name in names for copy in real.parent.glob(name)]
    if not found:
        return "There is no backup of it."
    at, newest = max(found, key=lambda each: each[0])
    made = f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d %H:%M}"
    return f"Its newest backup is {newest}, of {made} UTC."


def _age(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def refuse_a_full_disk(real: Path, spare_bytes: int) -> None:
    """Raise `LedgerError` where a copy of a ledger would leave less than the spare room."""
    log = real.with_name(f"{real.name}-wal")
    size = real.stat().st_size + (log.stat().st_size if log.exists() else 0)
    if shutil.disk_usage(real.parent).free < size + spare_bytes:
        raise LedgerError(f"{real}: the ledger: the disk has too little room for a backup")


def settle(directory: Path) -> None:
    """Put the new names themselves on the disk."""
    file = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)
