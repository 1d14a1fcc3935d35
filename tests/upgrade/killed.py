"""Kill upgrades at random instants, and go back after them; `under_fire` kills at every change.

Each kept ledger of an older schema is opened by today's code in a process that is killed. What it
leaves must be whole: either the old ledger, or the new one with a copy of the old one beside it.
Opened once more it has the same nights; and the copy, put back in its place, is the old ledger.
"""

from __future__ import annotations

import gzip
import json
import os
import random
import signal
import sqlite3
import sys
import tempfile
import time
from contextlib import closing
from decimal import Decimal
from pathlib import Path
from threading import Event

from adapters.ledger.copies import backup_of_schema
from adapters.ledger.ledger import open_ledger
from adapters.ledger.schema import MIGRATIONS


def kill_upgrades(kept: Path, kills: int, rng: random.Random) -> str:
    """Kill the upgrade of one kept ledger many times.

    Parameters
    ----------
    kept : Path
        A folder of ``tests/data/previous``, of an older schema.
    kills : int
        How often.
    rng : random.Random
        Draws the instants, from the start of the upgrade to a little after its usual end.

    Returns
    -------
    str
        A line for people; it says how many were killed before they were done.
    """
    schema = int(json.loads((kept / "about.json").read_text("utf-8"))["schema"])
    nights = json.loads((kept / "nights.json").read_text("utf-8"), parse_float=Decimal)["nights"]
    packed = gzip.decompress((kept / "ledger.sqlite3.gz").read_bytes())
    usual = _seconds_of(packed)
    old = 0
    for _ in range(kills):
        with tempfile.TemporaryDirectory(prefix="lullwatt-killed-") as scratch:
            ledger = Path(scratch, "ledger.sqlite3")
            ledger.write_bytes(packed)
            _upgrade_and_kill(ledger, rng.uniform(0, 1.2 * usual))
            found = schema_of(ledger)
            must(found in {schema, len(MIGRATIONS)}, f"{kept.name}: schema {found} after a kill")
            old += found == schema
            must(nights_of(ledger) == nights, f"{kept.name}: its nights are not what they were")
            copy = backup_of_schema(ledger, schema)
            must(schema_of(copy) == schema, f"{kept.name}: the copy is of another schema")
            for name in (ledger, *ledger.parent.glob(f"{ledger.name}-*")):
                name.unlink()
            copy.replace(ledger)
            must(nights_of(ledger) == nights, f"{kept.name}: the copy has other nights")
    return f"{kept.name}: {kills} upgrades killed, {old} before they were done, nothing lost"


def _seconds_of(packed: bytes) -> float:
    with tempfile.TemporaryDirectory(prefix="lullwatt-killed-") as scratch:
        ledger = Path(scratch, "ledger.sqlite3")
        ledger.write_bytes(packed)
        begin = time.monotonic()
        open_ledger(ledger).close()
        return time.monotonic() - begin


def _upgrade_and_kill(ledger: Path, seconds: float) -> None:
    """Open the ledger in a process of its own, and kill it after so many seconds."""
    process = os.fork()
    if process == 0:
        open_ledger(ledger)
        signal.pause()
    Event().wait(seconds)
    os.kill(process, signal.SIGKILL)
    os.waitpid(process, 0)


def schema_of(ledger: Path) -> int:
    """Return the schema of a ledger that is whole."""
    with closing(sqlite3.connect(ledger)) as db:
        must(db.execute("PRAGMA integrity_check").fetchone() == ("ok",), f"{ledger}: not whole")
        return int(db.execute("PRAGMA user_version").fetchone()[0])


def nights_of(ledger: Path) -> list[object]:
    with open_ledger(ledger) as opened:
        return list(opened.nights())


def must(held: bool, otherwise: str) -> None:  # noqa: FBT001 - read as a sentence
    if not held:
        sys.exit(otherwise)
