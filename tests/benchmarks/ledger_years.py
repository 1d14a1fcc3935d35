"""Time a ledger of ten years: ``python -m tests.benchmarks.ledger_years``.

A reading a minute, and all else that `ledger_filling` puts into each night.
"""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import partial
from itertools import count, pairwise
from pathlib import Path
from tempfile import TemporaryDirectory
from threading import Event, Thread
from time import perf_counter

import click

from adapters.backups.backup import make_backup
from adapters.backups.whole_copy import copy_ledger
from adapters.ledger.ledger import Ledger, open_ledger
from adapters.ledger.retention import remove_before
from config.household.loading import load_household
from daemon.command_line.cli import cli
from daemon.nights.retention import keep_from
from daemon.service.backup_schedule import PAUSE_SECONDS
from planners.local_time.departures import night_bounds
from tests.benchmarks.households import demo
from tests.benchmarks.ledger_filling import DAY, DAYS, LAST_NIGHT, POINT, fill
from tests.benchmarks.machine import machine
from tests.benchmarks.table import Row, at_most, duration, table
from tests.benchmarks.timing import median, percentile_99

MONTH = (2026, 10)
ANSWER_SECONDS = 1.0
"""Reach: a month, and the nights, of a ledger of ten years."""

KEEP_DAYS = 400
SECONDS_BETWEEN_WRITES = 0.01


@dataclass(frozen=True)
class Sizes:
    """How much to fill in and to measure."""

    nights: int = 3650
    readings: int = 1370
    writes: int = 300
    steps: int = 50


FULL = Sizes()

QUICK = Sizes(nights=500, readings=200, writes=20, steps=5)


def rows(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Fill a ledger and measure it; `say` gets a line for each measurement."""
    with TemporaryDirectory() as directory:
        house = demo(Path(directory), "mqtt://127.0.0.1:1")
        path = load_household(house).ledger.path
        say(f"{sizes.nights} nights: filling a ledger")
        took, _ = _timed(lambda: fill(path, sizes.nights, sizes.readings))
        name = f"{sizes.nights} nights"
        found = [Row(f"{name}: built apart", "", f"{_megabytes(path)} in {duration(took)}")]
        say(f"{name}: reading")
        found += _reading(name, path)
        found += _commands(name, house)
        say(f"{name}: copying")
        found += _copying(name, path)
        say(f"{name}: removing what is older than {KEEP_DAYS} days")
        found += _removing(name, path, sizes)
    return found


def _timed(task: Callable[[], object]) -> tuple[float, object]:
    begin = perf_counter()
    answer = task()
    return perf_counter() - begin, answer


def _reading(name: str, path: Path) -> list[Row]:
    def look() -> None:
        open_ledger(path).close()

    found = [Row(f"{name}: opened to be written, looked over", "", duration(_timed(look)[0]))]
    first = date(*MONTH, 1)
    nights = [first + day * DAY for day in range((LAST_NIGHT - first).days + 1)]
    bounds = [night_bounds(night, DAYS) for night in nights]
    with open_ledger(path, read_only=True) as ledger:
        tasks: dict[str, Callable[[], object]] = {
            "what a start reads": lambda: _what_a_start_reads(ledger),
            "all nights": ledger.nights,
            "a month's nights": lambda: ledger.nights(first, LAST_NIGHT),
            "a month's alerts": lambda: ledger.alerts_between(bounds[0][0], bounds[-1][1]),
            "a month's readings, night by night": lambda: [
                ledger.register_readings(POINT, *each) for each in bounds
            ],
            "a month's readings at once": lambda: ledger.register_readings(
                POINT, bounds[0][0], bounds[-1][1]
            ),
        }
        for what, task in tasks.items():
            found.append(Row(f"{name}: {what}", "", duration(_timed(task)[0])))
    return found


def _what_a_start_reads(ledger: Ledger) -> None:
    ledger.last_reading(POINT)
    ledger.last_command(POINT)
    ledger.last_vehicle_reports(POINT)
    ledger.last_switches(POINT, timedelta(minutes=1))
    ledger.open_night(POINT)


def _commands(name: str, house: Path) -> list[Row]:
    """Time whole commands, including the start of Python."""
    asked = {
        "nights": ["nights", str(house)],
        "month": ["month", str(house), "{}-{}".format(*MONTH)],
    }
    found = []
    for what, arguments in asked.items():
        if what in cli.list_commands(click.Context(cli)):
            took, _ = _timed(partial(run_command, arguments))
            found.append(
                Row(
                    f"{name}: lullwatt {what}", f"under {duration(ANSWER_SECONDS)}",
                    duration(took), at_most(took, ANSWER_SECONDS),
                )
            )  # fmt: skip
    return found


def run_command(arguments: list[str]) -> None:
    """Run a whole command, including the start of Python."""
    command = [sys.executable, "-c", "from daemon.command_line.cli import main; main()", *arguments]
    subprocess.run(command, check=True, capture_output=True, timeout=60)


def _copying(name: str, path: Path) -> list[Row]:
    target = path.with_name("copy.sqlite3")
    took, _ = _timed(lambda: copy_ledger(path, target))
    target.unlink()
    found = [Row(f"{name}: lullwatt backup, rows counted", "", duration(took))]
    took, copy = _timed(lambda: make_backup(path, datetime(2026, 11, 1, tzinfo=UTC)))
    assert isinstance(copy, Path)
    copy.unlink()
    return [*found, Row(f"{name}: the daily copy", "", duration(took))]


def _removing(name: str, path: Path, sizes: Sizes) -> list[Row]:
    """Remove in one go, then measure how long a writer waits during a removal."""
    now = night_bounds(LAST_NIGHT, DAYS)[1]
    with open_ledger(path) as ledger:
        kept_from = keep_from(ledger, now, DAYS, KEEP_DAYS)
        assert kept_from is not None
        before = _writes(ledger, now, sizes.writes)
        meanwhile = _writes_during(ledger, path, kept_from, now + DAY, sizes.steps)
        steps = [perf_counter()]
        took, gone = _timed(lambda: remove_before(path, kept_from, lambda: _step(steps)))
        longest = max(later - earlier for earlier, later in pairwise(steps))
        (free,) = ledger._connection.execute("PRAGMA freelist_count").fetchone()
        (pages,) = ledger._connection.execute("PRAGMA page_count").fetchone()
    return [
        Row(f"{name}: a reading kept, median and 99th percentile", "", _spread(before)),
        Row(f"{name}: the same during a removal", "", _spread(meanwhile)),
        Row(f"{name}: the slowest of them", "", duration(max(meanwhile))),
        Row(f"{name}: {gone} rows removed without pauses", "", duration(took)),
        Row(f"{name}: its longest step", "", duration(longest)),
        Row(f"{name}: then free in the file", "", f"{100 * free / pages:.0f}%"),
        Row(f"{name}: then copied, the copy packed", "", _packed(path)),
    ]


def _writes_during(
    ledger: Ledger, path: Path, kept_from: datetime, after: datetime, steps: int
) -> list[float]:
    """Store a hundred readings a second while so many steps of a removal go on."""
    never, done = Event(), count(1)

    def pause() -> bool:
        return never.wait(PAUSE_SECONDS) or next(done) >= steps

    removal = Thread(target=remove_before, args=(path, kept_from, pause))
    removal.start()
    times: list[float] = []
    while removal.is_alive():
        times += _writes(ledger, after + len(times) * timedelta(seconds=1), 1)
        removal.join(SECONDS_BETWEEN_WRITES)
    return times


def _step(steps: list[float]) -> bool:
    steps.append(perf_counter())
    return False


def _writes(ledger: Ledger, after: datetime, times: int) -> list[float]:
    instants = [after + i * timedelta(seconds=1) for i in range(times)]
    return [_timed(partial(ledger.add_reading, POINT, at, 10**9))[0] for at in instants]


def _packed(path: Path) -> str:
    target = path.with_name("copy.sqlite3")
    took, _ = _timed(lambda: copy_ledger(path, target))
    return f"{_megabytes(target)} in {duration(took)}"


def _spread(times: list[float]) -> str:
    return f"{duration(median(times))}, {duration(percentile_99(times))}"


def _megabytes(path: Path) -> str:
    return f"{path.stat().st_size / 1e6:.0f} MB"


@click.command()
@click.option("--quick", is_flag=True, help="A ledger of 500 nights.")
def main(*, quick: bool) -> None:
    """Print what a ledger of ten years must reach, and what it reaches here."""
    found = rows(QUICK if quick else FULL, lambda name: click.echo(f"{name} ...", err=True))
    click.echo(table(found))
    click.echo(f"\n{machine()}")


if __name__ == "__main__":
    main()
