"""A copy of the ledger beside it, made while the daemon writes on.

The copy is made through a connection of its own, so from any thread, in one step: it is the ledger
of one instant, and writers do not wait for it.
"""

from __future__ import annotations

import os
import shutil
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path

from adapters.ledger_copies import backup_before, backup_of
from adapters.ledger_file import BUSY_SECONDS, connect_without_trace, plain_errors, refuse_damage
from config.errors import LedgerError

SPARE_BYTES = 16 * 1024 * 1024
"""Room that a backup leaves on the disk: what the daemon writes until somebody looks."""


def make_backup(path: Path, at: datetime) -> Path:
    """Copy a ledger to ``<ledger>.backup``, and keep the copy before as ``<ledger>.backup.1``.

    Nothing is replaced before the new copy is whole and on the disk.

    Parameters
    ----------
    path
        The ledger's file.
    at
        An aware instant, which the copy carries as its time of change.

    Returns
    -------
    Path
        The copy.

    Raises
    ------
    LedgerError
        If there is too little room for it, or it can't be made, in plain words.
    """  # noqa: DOC502 - raised by the parts
    target = backup_of(path)
    part = target.with_name(f"{target.name}.part")
    with plain_errors(path):
        _refuse_a_full_disk(path.resolve())
        part.unlink(missing_ok=True)
        try:
            _copy(path, part)
            with closing(connect_without_trace(part)) as copy:
                refuse_damage(copy, part)
            os.utime(part, (at.timestamp(), at.timestamp()))
            if target.exists():
                target.replace(backup_before(path))
            part.replace(target)
            settle(target.parent)
        finally:
            part.unlink(missing_ok=True)
    return target


def _copy(path: Path, part: Path) -> None:
    source = path.resolve().as_uri()
    with (
        closing(sqlite3.connect(f"{source}?mode=ro", uri=True, timeout=BUSY_SECONDS)) as ledger,
        closing(sqlite3.connect(part)) as copy,
    ):
        ledger.backup(copy)


def _refuse_a_full_disk(real: Path) -> None:
    log = real.with_name(f"{real.name}-wal")
    size = real.stat().st_size + (log.stat().st_size if log.exists() else 0)
    if shutil.disk_usage(real.parent).free < size + SPARE_BYTES:
        raise LedgerError(f"{real}: the ledger: the disk has too little room for a backup")


def settle(directory: Path) -> None:
    """Put the new names themselves on the disk."""
    file = os.open(directory, os.O_RDONLY)
    try:
        os.fsync(file)
    finally:
        os.close(file)
