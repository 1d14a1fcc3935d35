"""Time the appraisal of many homes on one process and on several: ``python -m ...many_homes``.

Seeded homes with four weeks of nights each; a year of four choices (the home as it is now, and
three others) in ticks of half an hour. Times are of the whole command, with its start. On a machine
that is busy with other things, the processor time says more than the time that passed.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from time import perf_counter
from typing import TYPE_CHECKING

import click

from tests.benchmarks.desk_homes import choices_file, homes
from tests.benchmarks.machine import machine
from tests.benchmarks.table import REACHED, Row, at_least, at_most, duration, table

if TYPE_CHECKING:
    from collections.abc import Callable

EFFICIENCY = 0.8
"""Reach: how much of twice the pace two processes have."""
GROWTH_MB = 20.0
"""Reach: how much more memory the most homes need than the fewest."""


@dataclass(frozen=True)
class Sizes:
    """How many homes are appraised, one run after another; the last with several processes, too."""

    homes: Sequence[int] = (50, 150, 300)
    workers: Sequence[int] = (2, 4)


FULL = Sizes()
QUICK = Sizes(homes=(8, 24), workers=(2,))


@dataclass(frozen=True)
class Weighed:
    """One run: its output, the time that passed, that of processors, and the largest process."""

    output: bytes
    seconds: float
    processor_seconds: float
    largest_mb: float


def weigh(choices: Path, files: Sequence[Path], workers: int) -> Weighed:
    """Run the command."""
    command = [
        str(Path(sys.executable).with_name("lullwatt")), "appraise", str(choices), "--homes",
        *map(str, files), "--json", "--workers", str(workers),
    ]  # fmt: skip
    begin = perf_counter()
    with subprocess.Popen(command, stdout=subprocess.PIPE) as ran:
        assert ran.stdout is not None
        output = ran.stdout.read()
        _, status, used = os.wait4(ran.pid, 0)
        ran.returncode = os.waitstatus_to_exitcode(status)
    assert ran.returncode == 0
    seconds = perf_counter() - begin
    return Weighed(output, seconds, used.ru_utime + used.ru_stime, used.ru_maxrss * 1024 / 1e6)


def rows(folder: Path, sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Run all sizes.

    Parameters
    ----------
    folder : Path
        Where homes are made, or are already.
    sizes : Sizes
        Which.
    say : callable
        Is told what is run next.

    Returns
    -------
    list of Row
        Times, efficiency, memory, and whether several processes write what one writes.
    """
    say(f"making {max(sizes.homes)} homes")
    files, choices = homes(folder, max(sizes.homes)), choices_file(folder)
    alone = {}
    for count in sizes.homes:
        say(f"{count} homes, 1 process")
        alone[count] = weigh(choices, files[:count], 1)
    lines = [
        Row(f"{count} homes, 1 process", "",
            f"{duration(each.seconds)}, {duration(each.processor_seconds)} of processors,"
            f" {each.largest_mb:.0f} MB")
        for count, each in alone.items()
    ]  # fmt: skip
    least, most = (alone[count].largest_mb for count in (min(sizes.homes), max(sizes.homes)))
    lines.append(
        Row("more memory for the most homes", f"under {GROWTH_MB:.0f} MB", f"{most - least:.1f} MB",
            at_most(most - least, GROWTH_MB))
    )  # fmt: skip
    one = alone[max(sizes.homes)]
    for workers in sizes.workers:
        say(f"{max(sizes.homes)} homes, {workers} processes")
        lines += _shared(one, weigh(choices, files, workers), workers)
    return lines


def _shared(one: Weighed, many: Weighed, workers: int) -> list[Row]:
    cores = min(workers, os.cpu_count() or 1)
    passed = one.seconds / many.seconds / cores
    worked = one.processor_seconds / many.processor_seconds
    name, target = f"{workers} processes", f"{EFFICIENCY:g}"
    is_judged = workers == cores
    return [
        Row(name, "",
            f"{duration(many.seconds)}, {duration(many.processor_seconds)} of processors"),
        Row(f"{name}: efficiency", target, f"{passed:.2f}",
            at_least(passed, EFFICIENCY) if is_judged else ""),
        Row(f"{name}: work that one process needs, of theirs", target, f"{worked:.2f}",
            at_least(worked, EFFICIENCY) if is_judged else ""),
        Row(f"{name}: the same to the byte", "yes", "yes" if one.output == many.output else "no",
            REACHED if one.output == many.output else "missed"),
    ]  # fmt: skip


@click.command()
@click.option("--quick", is_flag=True, help="Two dozen homes: too few to judge by.")
@click.option("--folder", type=click.Path(path_type=Path), help="Keep the homes in this folder.")
def main(folder: Path | None, *, quick: bool) -> None:
    """Print what the appraisal of many homes must reach, and what it reaches here."""
    before = os.getloadavg()[0]
    with TemporaryDirectory() as made:
        found = rows(
            folder or Path(made),
            QUICK if quick else FULL,
            lambda name: click.echo(f"{name} ...", err=True),
        )
    click.echo(table(found))
    click.echo(f"\n{machine()}, load {before:.1f} before and {os.getloadavg()[0]:.1f} after")


if __name__ == "__main__":
    main()
