"""Time a year of four choices, and a thousand drawn years: ``python -m ...appraising``.

The worked example of choices that comes with the code, at its ticks of five minutes.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

import click
import numpy as np

import config
from config.choices.loading import load_choices
from planners.appraisal.appraising import appraise
from planners.appraisal.choice_case import case_of
from planners.year.driving_days import driving_of
from tests.benchmarks.machine import machine
from tests.benchmarks.table import Row, at_most, duration, table
from tests.benchmarks.timing import exponent

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from config.choices.choices_file import ChoicesFile

YEAR_SECONDS = 2.0
"""Reach: one year of four choices, without drawing any."""

MOST_MB = 400.0
"""Reach: resident memory, however many years are drawn."""

EXAMPLE = Path(config.__file__).parent / "examples" / "choices.yaml"


@dataclass(frozen=True)
class Sizes:
    """How many years are drawn, in one run after another."""

    draws: Sequence[int] = (0, 100, 1000)
    tick_minutes: int = 5
    timeout_seconds: float = 1800.0


FULL = Sizes()

QUICK = Sizes(draws=(0, 5, 10))


def declared(draws: int, tick_minutes: int = 5) -> ChoicesFile:
    """Return the example file with so many draws."""
    file = load_choices(EXAMPLE)
    driving = file.driving.model_copy(update={"draws": draws})
    home = file.appraisal.model_copy(update={"tick_minutes": tick_minutes})
    return file.model_copy(update={"driving": driving, "appraisal": home})


def weigh(draws: int, tick_minutes: int) -> dict[str, float]:
    """Appraise; return the time and the highest resident memory, in MB of 10^6 bytes."""
    file = declared(draws, tick_minutes)
    begin = perf_counter()
    _years_alone(file)
    alone = perf_counter() - begin
    begin = perf_counter()
    appraise(file, {})
    took = perf_counter() - begin
    status = Path("/proc/self/status").read_text("ascii")
    [most_kib] = re.findall(r"^VmHWM:\s*(\d+) kB$", status, re.MULTILINE)
    return {"alone": alone, "seconds": took, "resident_mb": int(most_kib) * 1024 / 1e6}


def _years_alone(file: ChoicesFile) -> None:
    """Simulate the declared year under each choice, and nothing more."""
    driving = driving_of(file)
    trips = np.array([[trip.kwh for trip in driving.trips]])
    for choice in file.choices:
        case_of(file, choice, driving, ()).simulate(trips)


def rows(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Run each number of draws in a separate process, and return rows with what it took."""
    found: dict[int, dict[str, float]] = {}
    for draws in sizes.draws:
        say(f"{draws} draws")
        found[draws] = _weighed(draws, sizes)
    none, *drawn = found
    took = found[none]["seconds"]
    target = f"under {duration(YEAR_SECONDS)}"
    lines = [
        Row("a year of 4 choices alone", "", duration(found[none]["alone"])),
        Row("a year of 4 choices, and what would change it", target, duration(took),
            at_most(took, YEAR_SECONDS)),
    ]  # fmt: skip
    for draws in drawn:
        seconds = found[draws]["seconds"]
        lines.append(Row(f"the same with {draws} drawn years", "", duration(seconds)))
    # A few draws are lost in the noise between two runs.
    more = [max(1e-3, found[draws]["seconds"] - took) for draws in drawn]
    grows = exponent(drawn, more)
    lines.append(Row("growth with the draws", "", f"draws ^ {grows:.2f}"))
    for draws, weighed in found.items():
        most = weighed["resident_mb"]
        lines.append(
            Row(f"most memory, {draws} draws", f"under {MOST_MB:.0f} MB", f"{most:.0f} MB",
                at_most(most, MOST_MB))
        )  # fmt: skip
    return lines


def _weighed(draws: int, sizes: Sizes) -> dict[str, float]:
    arguments = ["-m", "tests.benchmarks.appraising", "--weigh", f"{draws} {sizes.tick_minutes}"]
    ran = subprocess.run(
        [sys.executable, *arguments],
        check=True, capture_output=True, timeout=sizes.timeout_seconds,
    )  # fmt: skip
    weighed: dict[str, float] = json.loads(ran.stdout)
    return weighed


@click.command()
@click.option("--quick", is_flag=True, help="Ten draws: some seconds, too few to judge growth by.")
@click.option("--weigh", "one", hidden=True, help="Draws and tick, for the child that is weighed.")
def main(one: str | None, *, quick: bool) -> None:
    """Print what an appraisal must reach, and what it reaches here."""
    if one is not None:
        draws, tick_minutes = map(int, one.split())
        click.echo(json.dumps(weigh(draws, tick_minutes)))
        return
    found = rows(QUICK if quick else FULL, lambda name: click.echo(f"{name} ...", err=True))
    click.echo(table(found))
    click.echo(f"\n{machine()}")


if __name__ == "__main__":
    main()
