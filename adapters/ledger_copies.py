"""The copies of a ledger that stand beside it: their names, and which is the newest.

Knows the file system and no SQLite: it is asked when the ledger itself can't be read.
"""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path


def backup_of(path: Path) -> Path:
    """Return where the daily backup of a ledger is; links are followed."""
    real = path.resolve()
    return real.with_name(f"{real.name}.backup")


def backup_before(path: Path) -> Path:
    """Return where the backup before that one is."""
    return backup_of(path).with_suffix(".backup.1")


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
