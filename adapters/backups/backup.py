"""A copy of the ledger beside it, made while the daemon writes on.

The copy is made through a connection of its own, so from any thread, in one step: it is the ledger
of one instant, and writers do not wait for it.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path

from adapters.ledger.copies import (
    SPARE_BYTES,
    backup_before,
    backup_of,
    refuse_a_full_disk,
    settle,
)
from adapters.ledger.file import BUSY_SECONDS, connect_without_trace, plain_errors, refuse_damage


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
        refuse_a_full_disk(path.resolve(), SPARE_BYTES)
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
