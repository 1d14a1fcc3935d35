"""The backups beside a ledger: their names, the newest, and room for one more.

Knows the file system and no SQLite: it is needed when the ledger itself can't be read.
"""

from __future__ import annotations

import os
import re
import shutil
from datetime import UTC, datetime
from pathlib import Path

from config.files.errors import LedgerError

NO_BACKUP = "There is no backup of it."

SPARE_BYTES = 16 * 1024 * 1024
"""Free space that a backup leaves on the disk, so that the daemon can go on recording."""

_OF_SCHEMA = re.compile(r"\.schema-([0-9]{1,9})\.backup", re.ASCII)


def backup_of(path: Path) -> Path:
    """Return the path of a ledger's daily backup; links are followed."""
    real = path.resolve()
    return real.with_name(f"{real.name}.backup")


def previous_backup_of(path: Path) -> Path:
    """Return the path of the daily backup before the last one."""
    return backup_of(path).with_suffix(".backup.1")


def backup_of_schema(path: Path, version: int) -> Path:
    """Return the path of the copy made before a migration from a schema version."""
    real = path.resolve()
    return real.with_name(f"{real.name}.schema-{version}.backup")


def backup_for_schema(path: Path, newest: int) -> Path | None:
    """Find the newest copy that an older version of Lullwatt can open.

    Parameters
    ----------
    path
        The ledger's file.
    newest
        The newest schema that this version knows.

    Returns
    -------
    Path or None
        The copy with the highest schema up to `newest`; None if there is none.
    """
    real = path.resolve()
    found = {
        int(name[1]): copy
        for copy in real.parent.glob(f"{real.name}.schema-*.backup")
        if (name := _OF_SCHEMA.fullmatch(copy.name.removeprefix(real.name)))
    }
    return max(((at, copy) for at, copy in found.items() if at <= newest), default=(0, None))[1]


def backed_up_at(path: Path) -> datetime | None:
    """Return the instant of the daily backup in UTC; None if there is none."""
    try:
        return datetime.fromtimestamp(backup_of(path).stat().st_mtime, UTC)
    except OSError:
        return None


def describe_newest_backup(path: Path) -> str:
    """Say where a ledger's newest backup is, or that there is none.

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
    # Backups from before a migration come last: of two of the same age, the daily one is chosen.
    names = (f"{real.name}.backup", f"{real.name}.backup.1", f"{real.name}.schema-*.backup")
    found = [(_modified_at(copy), copy) for name in names for copy in real.parent.glob(name)]
    if not found:
        return NO_BACKUP
    at, newest = max(found, key=lambda each: each[0])
    made = f"{datetime.fromtimestamp(at, UTC):%Y-%m-%d %H:%M}"
    return f"Its newest backup is {newest}, of {made} UTC."


def _modified_at(path: Path) -> float:
    try:
        return path.stat().st_mtime
    except OSError:
        return 0.0


def require_disk_space(real: Path, spare_bytes: int) -> None:
    """Raise `LedgerError` if a copy of a ledger would leave less than the spare room."""
    log = real.with_name(f"{real.name}-wal")
    size = real.stat().st_size + (log.stat().st_size if log.exists() else 0)
    if shutil.disk_usage(real.parent).free < size + spare_bytes:
        raise LedgerError(f"{real}: the ledger: the disk has too little room for a backup")


def flush_directory(directory: Path) -> None:
    """Write a directory's file names to the disk, so that they survive a power cut."""
    file = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)
