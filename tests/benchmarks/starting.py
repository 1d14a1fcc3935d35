"""Time a start: from the process until the command in force is on the bus."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Iterator, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from time import monotonic

from tests.benchmarks.processes import ENDS_WITHIN, daemon
from tests.benchmarks.stages import STAGES
from tests.benchmarks.table import Row, at_most, duration, durations
from tests.benchmarks.timed_bus import TimedBus
from tests.benchmarks.timing import median

ROOT = Path(__file__).parents[2]
READY_SECONDS = 1.0
"""Reach (design, section 9)."""


@contextmanager
def started(bus: TimedBus, points: Sequence[str], house: Path) -> Iterator[int]:
    """Run a daemon until it has sent every charge point its command; yields its process id."""
    pids: list[int] = []
    with ExitStack() as ending:
        bus.commands_of_all(points, lambda: pids.append(ending.enter_context(daemon(house))))
        bus.settle()
        yield pids[0]


def rows(what: str, bus: TimedBus, points: Sequence[str], house: Path, count: int) -> list[Row]:
    """Start a daemon so many times, and return rows with the time in all and for each stage."""
    times = [_ready(bus, points, house) for _ in range(count)]
    stages = [_stages(house) for _ in range(count)]
    middles = [median([each[stage] for each in stages]) for stage in STAGES]
    return [
        Row(
            f"{what}: start until connected and commanding, median of {count}",
            f"under {duration(READY_SECONDS)}",
            f"{duration(median(times))} (slowest {duration(max(times))})",
            at_most(median(times), READY_SECONDS),
        ),
        Row(f"{what}: of that {', '.join(STAGES)}", "", durations(middles)),
    ]


def _ready(bus: TimedBus, points: Sequence[str], house: Path) -> float:
    with ExitStack() as ending:
        return max(bus.commands_of_all(points, lambda: ending.enter_context(daemon(house))))


def _stages(house: Path) -> dict[str, float]:
    command = [sys.executable, "-m", "tests.benchmarks.stages", str(house), str(monotonic())]
    ran = subprocess.run(
        command, cwd=ROOT, check=True, capture_output=True, text=True, timeout=3 * ENDS_WITHIN
    )
    found: dict[str, float] = json.loads(ran.stdout)
    return found
