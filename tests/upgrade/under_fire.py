"""Kill what changes a ledger at every change of a file, and at random: a part of ``make upgrade``.

Each kept ledger is brought up to date, backed up, and rid of old rows, in a process that is killed
before each write, sync, rename and removal in turn (every second write is made in half), and then
at random instants. Afterwards the ledger must be whole and hold all that was acknowledged; the same
done again must succeed, and end as if nothing had happened. ``install.sh --back`` to each of them
is killed in the same way. LULLWATT_KILLS is how often each is killed (200).
"""

from __future__ import annotations

import gzip
import json
import os
import random
import shutil
import sqlite3
import subprocess
import sys
import tempfile
import time
from contextlib import closing, contextmanager
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Final, NamedTuple

from adapters.backups.backup import make_backup
from adapters.ledger import retention
from adapters.ledger.copies import backup_of, backup_of_schema, previous_backup_of
from adapters.ledger.ledger import open_ledger
from adapters.ledger.schema import MIGRATIONS
from tests.deploy.prefix import INSTALLER, Prefix
from tests.faults.tally import say
from tests.support.waiting import wait_until
from tests.upgrade.dying import (
    ONLY_COUNT,
    again_with_it,
    changes_to_die_at,
    counted,
    run_until,
)
from tests.upgrade.keep import PREVIOUS
from tests.upgrade.killed import must, nights_of, schema_of

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from adapters.ledger.ledger import Ledger

KILLS: Final = int(os.environ.get("LULLWATT_KILLS", "200"))
POINT: Final = "driveway"
KEPT_FROM: Final = datetime(2026, 6, 4, tzinfo=UTC)
"""Between the first of the kept nights and the second."""

NOW: Final = datetime(2026, 6, 7, tzinfo=UTC)
MINUTE: Final = timedelta(minutes=1)
STEP_ROWS: Final = 50


class Kept(NamedTuple):
    """A kept ledger: its name, its schema, the nights it reported, and its file."""

    name: str
    schema: int
    nights: list[object]
    packed: bytes


def kept_in(folder: Path) -> Kept:
    """Read a folder of ``tests/data/previous``."""
    schema = int(json.loads((folder / "about.json").read_text("utf-8"))["schema"])
    nights = json.loads((folder / "nights.json").read_text("utf-8"), parse_float=Decimal)["nights"]
    return Kept(
        folder.name, schema, nights, gzip.decompress((folder / "ledger.sqlite3.gz").read_bytes())
    )


def kill_everywhere(
    run: Callable[[Path], None],
    prepare: Callable[[Path], None],
    judge: Callable[[Path], None],
    rng: random.Random,
) -> str:
    """Kill something at every change, and at random instants, and judge what it leaves.

    Parameters
    ----------
    run, prepare, judge : callable
        Each gets the folder.
    rng : random.Random
        Draws the instants.

    Returns
    -------
    str
        How many changes there are, and how often it was killed.
    """
    changes, begun = _changes_of(run, prepare), time.monotonic()
    _changes_of(run, prepare)
    usual = time.monotonic() - begun
    at_changes = list(changes_to_die_at(changes, KILLS))
    for change in at_changes:
        _kill_and_judge(run, prepare, judge, change, None)
    at_random = KILLS - len(at_changes)
    for _ in range(at_random):
        _kill_and_judge(run, prepare, judge, ONLY_COUNT, rng.uniform(0, 1.2 * usual))
    return f"{changes} changes, killed at {len(at_changes)} of them and {at_random} times at random"


def _changes_of(run: Callable[[Path], None], prepare: Callable[[Path], None]) -> int:
    with _scratch() as folder:
        prepare(folder)
        return run_until(ONLY_COUNT, lambda: run(folder))


def _kill_and_judge(
    run: Callable[[Path], None],
    prepare: Callable[[Path], None],
    judge: Callable[[Path], None],
    change: int,
    seconds: float | None,
) -> None:
    with _scratch() as folder:
        prepare(folder)
        run_until(change, lambda: run(folder), seconds)
        judge(folder)


@contextmanager
def _scratch() -> Iterator[Path]:
    with tempfile.TemporaryDirectory(prefix="lullwatt-fire-") as folder:
        yield Path(folder)


# --- a ledger -------------------------------------------------------------------------------------


def kill_migrations(kept: Kept, rng: random.Random) -> str:
    """Kill the upgrade of a kept ledger."""

    def prepare(folder: Path) -> None:
        (folder / "ledger.sqlite3").write_bytes(kept.packed)

    def run(folder: Path) -> None:
        open_ledger(folder / "ledger.sqlite3").close()

    with _scratch() as folder:
        prepare(folder)
        before = _rows(folder / "ledger.sqlite3")

    def judge(folder: Path) -> None:
        ledger = folder / "ledger.sqlite3"
        found = schema_of(ledger)
        must(found in {kept.schema, len(MIGRATIONS)}, f"schema {found} after a kill")
        must(_has(ledger, before), "rows are missing after a kill")
        copy = backup_of_schema(ledger, kept.schema)
        if found != kept.schema:
            must(schema_of(copy) == kept.schema, "migrated without a copy")
            must(_has(copy, before), "the copy lacks rows")
        must(nights_of(ledger) == kept.nights, "nights are not what they were")
        must(_has(ledger, before), "rows are missing after the next start")
        must(schema_of(copy) == kept.schema, "the copy is not of the old schema")
        _no_other_files(folder, ledger, copy)

    return kill_everywhere(run, prepare, judge, rng)


def kill_backups(kept: Kept, rng: random.Random) -> str:
    """Kill the daily backup, with readings before and after it."""
    ready = _up_to_date(kept)
    before = datetime(2026, 6, 6, tzinfo=UTC)

    def prepare(folder: Path) -> None:
        ledger = folder / "ledger.sqlite3"
        ledger.write_bytes(ready)
        make_backup(ledger, before)

    def run(folder: Path) -> None:
        path = folder / "ledger.sqlite3"
        with open_ledger(path) as ledger:
            _record(ledger, folder, 0)
            make_backup(path, NOW)
            _acknowledge(folder, "backup")
            _record(ledger, folder, 1)

    def judge(folder: Path) -> None:
        ledger, acknowledged = folder / "ledger.sqlite3", _acknowledged(folder)
        _must_hold(ledger, acknowledged)
        copies = [each for each in (backup_of(ledger), previous_backup_of(ledger)) if each.exists()]
        must(bool(copies), "no backup is left")
        for copy in copies:
            must(schema_of(copy) == len(MIGRATIONS), "a backup is not whole")
            must(nights_of(copy) == kept.nights, "a backup lacks nights")
        if "backup" in acknowledged:
            _must_hold(backup_of(ledger), {"0"})
        must(nights_of(ledger) == kept.nights, "nights are not what they were")
        make_backup(ledger, NOW + MINUTE)
        _must_hold(backup_of(ledger), acknowledged - {"backup"})
        _no_other_files(folder, ledger, *copies, backup_of(ledger), previous_backup_of(ledger))

    return kill_everywhere(run, prepare, judge, rng)


def kill_removals(kept: Kept, rng: random.Random) -> str:
    """Kill the removal of old rows, with readings before and after it."""
    ready = _up_to_date(kept)

    def prepare(folder: Path) -> None:
        (folder / "ledger.sqlite3").write_bytes(ready)

    def remove(path: Path) -> None:
        retention.remove_before(path, KEPT_FROM, lambda: False)

    def run(folder: Path) -> None:
        path = folder / "ledger.sqlite3"
        with open_ledger(path) as ledger:
            _record(ledger, folder, 0)
            remove(path)
            _acknowledge(folder, "removed")
            _record(ledger, folder, 1)

    with _scratch() as folder:
        prepare(folder)
        run(folder)
        ends = _rows(folder / "ledger.sqlite3")

    def judge(folder: Path) -> None:
        ledger, acknowledged = folder / "ledger.sqlite3", _acknowledged(folder)
        _must_hold(ledger, acknowledged)
        must(schema_of(ledger) == len(MIGRATIONS), "another schema")
        must(nights_of(ledger) == kept.nights, "nights are not what they were")
        if "removed" in acknowledged:
            left = {each for each in _rows(ledger) if each not in ends}
            must(not left, f"what was removed is back: {left}")
        for number in {0, 1} - {int(each) for each in acknowledged if each.isdigit()}:
            with open_ledger(ledger) as opened:
                _record(opened, folder, number)
        remove(ledger)
        must(_rows(ledger) == ends, "a removal that was killed does not end as another")
        _no_other_files(folder, ledger)

    return kill_everywhere(run, prepare, judge, rng)


def _up_to_date(kept: Kept) -> bytes:
    with _scratch() as folder:
        ledger = folder / "ledger.sqlite3"
        ledger.write_bytes(kept.packed)
        open_ledger(ledger).close()
        return ledger.read_bytes()


def _record(ledger: Ledger, folder: Path, number: int) -> None:
    """Record a reading, and acknowledge it as the bus does."""
    ledger.add_reading(POINT, NOW + number * MINUTE, register_wh=9_000_000 + number, watts=None)
    _acknowledge(folder, str(number))


def _acknowledge(folder: Path, what: str) -> None:
    with (folder / "acknowledged").open("a", encoding="utf-8") as file:
        file.write(f"{what}\n")


def _acknowledged(folder: Path) -> set[str]:
    path = folder / "acknowledged"
    lines = path.read_text("utf-8").split("\n")[:-1] if path.exists() else []
    return set(lines)


def _must_hold(ledger: Path, acknowledged: set[str]) -> None:
    with closing(sqlite3.connect(f"{ledger.as_uri()}?mode=ro", uri=True)) as db:
        found = {wh for (wh,) in db.execute("SELECT register_wh FROM readings").fetchall()}
    for each in acknowledged:
        if each.isdigit():
            must(9_000_000 + int(each) in found, f"{ledger.name} lost reading {each}")


def _rows(ledger: Path) -> set[tuple[object, ...]]:
    """Return the rows that a migration may not change, and how often each is there."""
    tables = ("readings", "vehicle_reports", "nights", "alerts", "requests", "plans")
    found: set[tuple[object, ...]] = set()
    with closing(sqlite3.connect(ledger)) as db:
        for table in tables:
            for row in db.execute(f"SELECT * FROM {table}").fetchall():  # noqa: S608
                found.add((table, *row[1:]))
    return found


def _has(ledger: Path, before: set[tuple[object, ...]]) -> bool:
    now = _rows(ledger)
    return len(now) == len(before)


def _no_other_files(folder: Path, *known: Path) -> None:
    names = {each.name for each in known} | {"acknowledged"}
    other = [
        each.name
        for each in folder.iterdir()
        if each.name not in names and not each.name.endswith(("-wal", "-shm"))
    ]
    must(not other, f"left behind: {other}")


# --- going back -----------------------------------------------------------------------------------


class Installed:
    """A root folder in which a version with a kept ledger was upgraded.

    The newer version has changed the ledger to a schema that the older one can't read, and was
    killed: its last rows are in the log alone.
    """

    def __init__(self, folder: Path, kept: Kept) -> None:
        self.prefix = Prefix(folder)
        self._kept, self._template = kept, folder / "template"
        self._make("0.1.0")
        self.ledger.write_bytes(kept.packed)
        self._before = _rows(self.ledger)
        self._make("0.2.0")
        self._leave_a_log()
        shutil.copytree(self.prefix.root, self._template, symlinks=True)

    @property
    def ledger(self) -> Path:
        return self.prefix.var / "ledger.sqlite3"

    def _make(self, version: str) -> None:
        self.prefix.install(version=version).check_returncode()

    def _leave_a_log(self) -> None:
        """Leave what a daemon leaves that was killed."""
        process = os.fork()
        if process == 0:
            ledger = open_ledger(self.ledger)
            _record(ledger, self.prefix.root.parent, 0)
            newer = sqlite3.connect(self.ledger)
            newer.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
            newer.commit()
            os._exit(0)
        _, status = os.waitpid(process, 0)
        must(status == 0, "the newer version failed")

    def again(self) -> None:
        shutil.rmtree(self.prefix.root)
        shutil.copytree(self._template, self.prefix.root, symlinks=True)

    def go_back(self) -> None:
        command = ["sh", str(INSTALLER), "--root", str(self.prefix.root), "--back"]
        subprocess.run(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL, env=counted(), check=True
        )

    def _run_again(self) -> subprocess.CompletedProcess[str]:
        """Run it again; programs of the one that was killed may take a moment to end."""
        done: list[subprocess.CompletedProcess[str]] = []

        def is_alone() -> bool:
            done.append(self.prefix.run("--back"))
            return "another install.sh is running" not in done[-1].stderr

        wait_until(is_alone, what="the installer that was killed has ended")
        return done[-1]

    def judge(self) -> None:
        done = self._run_again()
        is_done = "there is no version to go back to" in done.stderr
        must(done.returncode == 0 or is_done, f"the next run fails: {done.stderr}")
        must(self.prefix.in_force == "0.1.0", "the old version is not in force")
        found = schema_of(self.ledger)
        must(found in {self._kept.schema, len(MIGRATIONS)}, f"a ledger of schema {found} is there")
        must(_rows(self.ledger) == self._before, "the old ledger is not in its place")
        must(nights_of(self.ledger) == self._kept.nights, "nights are not what they were")
        # A copy that was put back already is set aside as well if its schema is too old to be read.
        aside = list(self.prefix.kept.glob("after-0.2.0*/ledger.sqlite3"))
        newer = [each for each in aside if schema_of(each) == len(MIGRATIONS) + 1]
        must(bool(newer), f"the newer ledger is not kept: {aside}")
        for each in newer:
            _must_hold(each, {"0"})


def kill_going_back(kept: Kept, rng: random.Random) -> str:
    """Kill ``install.sh --back`` to a kept ledger."""
    with _scratch() as folder:
        home = Installed(folder, kept)
        return kill_everywhere(
            lambda _folder: home.go_back(),
            lambda _folder: home.again(),
            lambda _folder: home.judge(),
            rng,
        )


def main() -> int:
    """Print what was killed how often; the first thing that is wrong ends it."""
    retention.STEP_ROWS = STEP_ROWS
    seed = int(os.environ.get("LULLWATT_SEED", random.SystemRandom().randrange(1_000_000)))
    say(f"LULLWATT_SEED={seed}")
    for line in _lines(random.Random(seed)):
        say(line)
    return 0


def _lines(rng: random.Random) -> Iterator[str]:
    for folder in sorted(PREVIOUS.iterdir()):
        kept = kept_in(folder)
        if kept.schema < len(MIGRATIONS):
            yield f"{kept.name}: upgrade: {kill_migrations(kept, rng)}"
        yield f"{kept.name}: backup: {kill_backups(kept, rng)}"
        yield f"{kept.name}: removal: {kill_removals(kept, rng)}"
        yield f"{kept.name}: install.sh --back: {kill_going_back(kept, rng)}"
    yield "nothing lost"


if __name__ == "__main__":
    code = again_with_it("tests.upgrade.under_fire")
    sys.exit(main() if code is None else code)
