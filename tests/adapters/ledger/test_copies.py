"""Copies of a ledger: the room that they need."""

from __future__ import annotations

from contextlib import nullcontext
from types import SimpleNamespace
from typing import TYPE_CHECKING

import pytest

from adapters.ledger.copies import require_disk_space
from config.files.errors import LedgerError

if TYPE_CHECKING:
    from pathlib import Path


@pytest.mark.parametrize("log", [0, 30])
@pytest.mark.parametrize("lacking", [0, 1])
def test_a_copy_leaves_the_spare_room(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, lacking: int, log: int
) -> None:
    """The disk needs room for the ledger, for its log if there is one, and the spare room."""
    path = tmp_path / "ledger.sqlite3"
    path.write_bytes(bytes(100))
    if log:
        path.with_name("ledger.sqlite3-wal").write_bytes(bytes(log))
    free = 100 + log + 50 - lacking
    monkeypatch.setattr("shutil.disk_usage", lambda _: SimpleNamespace(free=free))
    refused = pytest.raises(LedgerError, match="too little room") if lacking else nullcontext()
    with refused:
        require_disk_space(path, spare_bytes=50)
