"""Lock a ledger, so that only one daemon uses it.

The kernel releases the lock when the process ends. The lock is on ``<ledger>.lock``, not on the
ledger: SQLite's own locks come and go with each transaction. That file contains the daemon's
process id, for the message to a second daemon. Readers need no lock.
"""

from __future__ import annotations

import fcntl
import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from adapters.ledger.file import plain_errors, refuse_place
from config.files.errors import LedgerError

_MOST_DIGITS = 20


@contextmanager
def lock_ledger(path: Path) -> Iterator[None]:
    """Be the only daemon that uses a ledger, for as long as the block runs.

    Parameters
    ----------
    path
        The ledger's file, which need not exist yet. Links to the same file share one lock.

    Yields
    ------
    None
        Run the daemon inside.

    Raises
    ------
    LedgerError
        If another daemon uses it (with its process id), or its directory can't be used.
    """  # noqa: DOC502 - raised by the parts
    with plain_errors(path):
        refuse_place(path)
        real = path.resolve()
        lock = real.with_name(f"{real.name}.lock")
        locked = _acquire(lock, path)
    try:
        yield
    finally:
        # Removed while still locked: a process that opened it before finds that the name is gone.
        lock.unlink(missing_ok=True)
        os.close(locked)


def _acquire(lock: Path, path: Path) -> int:
    while True:
        file = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_NOFOLLOW | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(file, _MOST_DIGITS, 0).decode("ascii", "replace").strip()
            os.close(file)
            raise LedgerError(
                f"{path}: the ledger is in use by another daemon"
                f" (process {holder or 'unknown'}); stop that one first"
            ) from None
        except BaseException:
            os.close(file)
            raise
        if _is_current(lock, file):
            os.ftruncate(file, 0)
            os.pwrite(file, f"{os.getpid()}\n".encode(), 0)
            return file
        os.close(file)


def _is_current(lock: Path, file: int) -> bool:
    """Return whether the locked file still has its name; a holder removes it."""
    try:
        return os.path.samestat(lock.stat(), os.fstat(file))
    except FileNotFoundError:
        return False
