"""A ledger whose writer is killed at any instant has each acknowledged row exactly once."""

from __future__ import annotations

import json
import random
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from itertools import pairwise
from pathlib import Path
from typing import Any

from adapters.ledger.ledger import open_ledger
from tests.adapters.ledger.ledger_victim import NOON, instant

ROOT = Path(__file__).parents[3]
ROUNDS = 12


def kill_after(acknowledged: int, spins: int, *arguments: str) -> list[int]:
    """Run the victim, kill it some way into the work that follows an acknowledgement.

    Returns
    -------
    list of int
        What it acknowledged.
    """
    command = [sys.executable, "-m", "tests.adapters.ledger.ledger_victim", *arguments]
    with subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True) as victim:
        assert victim.stdout is not None
        numbers = [int(victim.stdout.readline()) for _ in range(acknowledged)]
        for _ in range(spins):  # a moment of random length, in which the victim goes on
            victim.poll()
        victim.kill()
        numbers += [int(line) for line in victim.stdout if line.endswith("\n")]
    assert victim.returncode == -signal.SIGKILL
    return numbers


def test_every_acknowledged_reading_is_found_once(tmp_path: Path) -> None:
    """Over many kills, with the last reading sent again each time, none is lost or doubled."""
    chance = random.Random(20260603)
    path = tmp_path / "ledger.sqlite3"
    acknowledged = {-1}
    for _ in range(ROUNDS):
        # The sender repeats what it is not sure of: the last one acknowledged and the one after it.
        first = max(0, *acknowledged)
        acknowledged.update(
            kill_after(
                chance.randint(1, 12), chance.randrange(4000), "write", str(path), str(first)
            )
        )
    acknowledged.remove(-1)
    with open_ledger(path, read_only=True) as ledger:
        held = ledger.register_readings("driveway", NOON, instant(max(acknowledged) + 9))
    numbers = [each.register_wh - 1000 for each in held]
    assert numbers == list(range(len(numbers)))
    assert acknowledged <= set(numbers)
    # At most one more: the one whose acknowledgement was cut off.
    assert len(numbers) <= max(acknowledged) + 2
    assert all_rows(path, "SELECT count(*) FROM readings") == [len(numbers)]
    assert all_rows(path, "PRAGMA integrity_check") == ["ok"]
    # The two tables of a night never tear: each body is either in force or kept, never both. (A
    # body that was not acknowledged may come again after the repeated one before it.)
    bodies = [
        json.loads(body)["number"]
        for query in ("SELECT body FROM night_revisions ORDER BY id", "SELECT body FROM nights")
        for body in all_rows(path, query)
    ]
    assert all(earlier != later for earlier, later in pairwise(bodies))
    assert acknowledged <= set(bodies) == set(range(max(bodies) + 1))


def all_rows(path: Path, query: str) -> list[Any]:
    """Return the values of a query with one column."""
    with closing(sqlite3.connect(path)) as database:
        return [value for (value,) in database.execute(query)]


def test_a_ledger_killed_while_it_is_made_can_be_opened(tmp_path: Path) -> None:
    """Whatever a kill leaves of a new file opens as a ledger with all acknowledged rows."""
    chance = random.Random(20260604)
    made: set[int] = set()
    first = 0
    for _ in range(ROUNDS):
        made.update(
            kill_after(
                chance.randint(1, 2), chance.randrange(4000), "make", str(tmp_path), str(first)
            )
        )
        first = len(list(tmp_path.glob("*.sqlite3")))
    for number in range(first):
        with open_ledger(tmp_path / f"{number}.sqlite3") as ledger:
            held = ledger.register_readings("driveway", NOON, instant(first))
        assert len(held) in ({1} if number in made else {0, 1})
