"""Make the daily backup beside the ledger, while the daemon goes on writing.

The copy uses a separate connection, so any thread may make it. It is made in one step: it shows the
ledger of one instant, and writers do not wait for it.
"""

from __future__ import annotations

import os
import sqlite3
from contextlib import closing
from datetime import datetime
from pathlib import Path

from adapters.host.whole_file import replacing
from adapters.ledger.copies import (
    SPARE_BYTES,
    backup_of,
    flush_directory,
    previous_backup_of,
    require_disk_space,
)
from adapters.ledger.file import BUSY_SECONDS, connect_without_trace, plain_errors, refuse_damage


def make_backup(path: Path, at: datetime) -> Path:
    """Copy a ledger to ``<ledger>.backup``.

    The previous copy becomes ``<ledger>.backup.1``. Nothing is replaced before the new copy is
    complete and on the disk.

    Parameters
    ----------
    path
        The ledger's file.
    at
        An aware instant, which becomes the modification time of the copy.

    Returns
    -------
    Path
        The copy.

    Raises
    ------
    LedgerError
        If there is too little room for it, or it can't be made.
    """  # noqa: DOC502 - raised by the parts
    target = backup_of(path)
    with plain_errors(path):
        require_disk_space(path.resolve(), SPARE_BYTES)
        with replacing(target) as part:
            _copy(path, part.path)
            with closing(connect_without_trace(part.path)) as copy:
                refuse_damage(copy, part.path)
            os.utime(part.path, (at.timestamp(), at.timestamp()))
            if target.exists():
                target.replace(previous_backup_of(path))
        flush_directory(target.parent)
    return target


def _copy(path: Path, part: Path) -> None:
    source = path.resolve().as_uri()
    with (
        closing(sqlite3.connect(f"{source}?mode=ro", uri=True, timeout=BUSY_SECONDS)) as ledger,
        closing(sqlite3.connect(part)) as copy,
    ):
        ledger.backup(copy)
