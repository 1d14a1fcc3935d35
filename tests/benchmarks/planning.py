"""Compare the planner's speed with HiGHS in one run: ``python -m tests.benchmarks.planning``.

Figures depend on the machine and on what else it does: run it alone.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import click

from planners.inner_loops.accelerator import is_installed
from tests.benchmarks import against_highs, alone
from tests.benchmarks.machine import machine
from tests.benchmarks.table import Row, table


@dataclass(frozen=True)
class Sizes:
    """How much to measure."""

    nights: int = 100
    ticks: int = 154
    year_nights: int = 365
    year_ticks: int = 26
    sample: int = 40
    repeats: int = 9
    weeks: int = 15
    days: int = 7
    capacity_evenings: int = 20
    growing_ticks: tuple[int, ...] = (77, 154, 308, 616)
    growing_nights: tuple[int, ...] = (91, 182, 365, 730, 1460)
    five_minute_ticks: int = 288


FULL = Sizes()

QUICK = Sizes(
    nights=4,
    sample=5,
    repeats=3,
    weeks=2,
    capacity_evenings=2,
    growing_ticks=(77, 154),
    growing_nights=(91, 182, 365),
)


def rows(sizes: Sizes, say: Callable[[str], None]) -> list[Row]:
    """Measure everything; `say` gets a line for each measurement."""
    parts: dict[str, Callable[[], list[Row]]] = {
        "one night, on_off": lambda: against_highs.one_night("on_off", sizes.nights, sizes.ticks),
        "one night, current": lambda: against_highs.one_night("current", sizes.nights, sizes.ticks),
        "one night with taper": lambda: alone.with_taper(sizes.nights, sizes.ticks),
        "a surplus": lambda: alone.with_surplus(sizes.nights, sizes.ticks, sizes.days),
        "a year at once": lambda: against_highs.whole_year(
            sizes.year_nights, sizes.year_ticks, sizes.sample, sizes.repeats
        ),
        "a capacity charge": lambda: alone.with_capacity_charge(sizes.capacity_evenings),
        "a week at once": lambda: alone.week_at_once(sizes.weeks, sizes.days),
        "a week again": lambda: alone.week_again(sizes.weeks, sizes.days),
        "growth with ticks": lambda: alone.growth_with_ticks(sizes.growing_ticks, sizes.repeats),
        "growth with nights": lambda: alone.growth_with_nights(
            sizes.growing_nights, sizes.year_ticks, sizes.repeats
        ),
        "memory": lambda: alone.year_of_ticks(sizes.year_nights, sizes.five_minute_ticks),
    }
    found = []
    for name, part in parts.items():
        say(name)
        found += part()
    return found


@click.command()
@click.option("--quick", is_flag=True, help="A few problems of each kind: some seconds.")
def main(*, quick: bool) -> None:
    """Print a table of what the planner must reach, and what it reaches here."""
    against_highs.silence_banner()
    found = rows(QUICK if quick else FULL, lambda name: click.echo(f"{name} ...", err=True))
    click.echo(table(found))
    loops = "compiled" if is_installed() else "in numpy"
    click.echo(f"\n{machine('highspy')}, HiGHS on one thread, the planner's innermost loop {loops}")
    if quick:
        click.echo("A quick run: too few problems to judge by.")


if __name__ == "__main__":
    main()
