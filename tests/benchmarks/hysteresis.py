"""Measure how long the guard of the main fuse must wait before it gives current back.

One charge point that can be set from 6 to 32 A is in use all day in an invented home behind a fuse;
its meter reports every 5 s. Run with `python -m tests.benchmarks.hysteresis`.
"""

from __future__ import annotations

import sys
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from math import floor
from unittest import mock

from adapters.simulated.home import DAY, home_amps
from planners.power import live_load
from planners.power.live_load import LiveLoad, amps_for_charging, with_load

BEGIN = datetime(2026, 6, 3, tzinfo=UTC)
EVERY_SECONDS = 5
LOWEST_AMPS, HIGHEST_AMPS = 6, 32


@dataclass(frozen=True)
class Day:
    """What a day with the guard was like: switchings, other changes, and the mean current [A]."""

    rises: int
    starts: int
    mean_amps: float


def day(fuse_amps: float, lower_for: timedelta, smallest_rise: float) -> Day:
    """Run through a day.

    Parameters
    ----------
    fuse_amps : float
        The main fuse [A].
    lower_for : timedelta
        How long the load must have stayed lower.
    smallest_rise : float
        The smallest rise [A].

    Returns
    -------
    Day
        Of one charge point.
    """
    known: LiveLoad | None = None
    before, rises, starts, total = 0, 0, 0, 0
    with mock.patch.multiple(live_load, LOWER_FOR=lower_for, SMALLEST_RISE=smallest_rise):
        for second in range(0, DAY, EVERY_SECONDS):
            at, amps = BEGIN + timedelta(seconds=second), home_amps(second)
            known = with_load(known, at, amps, amps)
            (left,) = amps_for_charging(known, at, (fuse_amps,)) or (0.0,)
            given = min(HIGHEST_AMPS, floor(left)) if left >= LOWEST_AMPS else 0
            rises += given > before
            starts += given > 0 and before == 0
            total += given
            before = given
    return Day(rises, starts, total * EVERY_SECONDS / DAY)


def main() -> None:
    """Print a table."""
    lines: list[str] = []
    for fuse_amps in (25, 40):
        lines.append(f"fuse {fuse_amps} A: wait [s], smallest rise [A]: rises and starts, mean [A]")
        for wait in (0, 30, 60, 120, 180, 300, 600, 900):
            for step in (1.0, 2.0, 4.0):
                got = day(fuse_amps, timedelta(seconds=wait), step)
                lines.append(
                    f"{wait:4} {step:3g}: {got.rises:4} {got.starts:3} {got.mean_amps:5.1f}"
                )
    sys.stdout.write("\n".join([*lines, ""]))


if __name__ == "__main__":
    main()
