"""One daemon for each ledger: a lock beside the file, which the kernel lets go with its holder.

The lock is on ``<ledger>.lock``, not on the ledger: SQLite's own locks come and go with each
transaction. It holds the process id of the daemon, for the one who is refused. Readers take none.
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
def only_daemon(path: Path) -> Iterator[None]:
    """Be the only daemon of a ledger for as long as the block lasts.

    Parameters
    ----------
    path
        The ledger's file, which need not be there yet. Links that lead to one file have one lock.

    Yields
    ------
    None
        Run the daemon inside.

    Raises
    ------
    LedgerError
        If another daemon has it, which is named by its process id, or its directory can't be used.
    """  # noqa: DOC502 - raised by the parts
    with plain_errors(path):
        refuse_place(path)
        real = path.resolve()
        lock = real.with_name(f"{real.name}.lock")
        held = _take(lock, path)
    try:
        yield
    finally:
        # Taken away while it is held: who waits for it sees that the name is another file's now.
        lock.unlink(missing_ok=True)
        os.close(held)


def _take(lock: Path, path: Path) -> int:
    while True:
        file = os.open(lock, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            holder = os.pread(file, _MOST_DIGITS, 0).decode("ascii", "replace").strip()
            os.close(file)
            raise LedgerError(
                f"{path}: the ledger is kept by another daemon"
                f" (process {holder or 'unknown'}); end that one first"
            ) from None
        except BaseException:
            os.close(file)
            raise
        if _is_still(lock, file):
            os.ftruncate(file, 0)
            os.pwrite(file, f"{os.getpid()}\n".encode(), 0)
            return file
        os.close(file)


def _is_still(lock: Path, file: int) -> bool:
    """Whether the lock's name leads to the file that is locked: its last holder took it away."""
    try:
        return os.path.samestat(lock.stat(), os.fstat(file))
    except FileNotFoundError:
        return False
