"""The disk of the ledger: full, killed beside, or without power in the midst of a write.

A kill leaves all that was written. A power cut leaves all that was synced: each transaction is
(`make crash-images` shows that). Of what the last one changed, any sectors may be there.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    import sqlite3
    from pathlib import Path
    from random import Random

_SECTOR: Final = 512
_ENDINGS: Final = ("", "-wal")


class Disk:
    """Holds the ledger's files.

    Parameters
    ----------
    path : Path
        The ledger.
    chance : Random
        Decides which sectors a power cut leaves.

    Attributes
    ----------
    is_full : bool
        Whether it takes nothing more.
    """

    def __init__(self, path: Path, chance: Random) -> None:
        self._paths = [path.with_name(path.name + ending) for ending in _ENDINGS]
        self._shared = path.with_name(path.name + "-shm")
        self._chance = chance
        self.is_full = False
        self._synced: list[bytes | None] | None = None

    def keep_what_was_synced(self) -> None:
        """Remember what is on the disk before the last write."""
        self._synced = self._content()

    def after_a_kill(self, connection: sqlite3.Connection, *, cuts_power: bool) -> None:
        """Close a connection, but leave the files as a kill or a power cut leaves them."""
        left, synced = self._content(), self._synced
        self._synced = None
        connection.close()  # which writes, and removes files: what a kill does not do
        if cuts_power and synced is not None:
            left = self._torn(synced, left)
        self._shared.unlink(missing_ok=True)
        for path, content in zip(self._paths, left, strict=True):
            path.unlink(missing_ok=True)
            if content is not None:
                path.write_bytes(content)

    def _content(self) -> list[bytes | None]:
        return [path.read_bytes() if path.exists() else None for path in self._paths]

    def _torn(self, synced: list[bytes | None], written: list[bytes | None]) -> list[bytes | None]:
        """Mix what was synced and what was written: the log first, for it is synced first."""
        old, new = synced[1] or b"", written[1] or b""
        if old == new:
            return written
        return [synced[0], self._mixed(old, new)]

    def _mixed(self, old: bytes, new: bytes) -> bytes:
        share = self._chance.random()
        old = old.ljust(len(new), b"\0")
        sectors = range(0, len(new), _SECTOR)
        return b"".join(
            (old if self._chance.random() < share else new)[each : each + _SECTOR]
            for each in sectors
        )
