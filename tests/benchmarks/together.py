"""Time plans of several vehicles, and their gaps: ``python -m tests.benchmarks.together``.

Nights of 154 ticks of 5 minutes, relays and currents that can be set, behind a fuse that is too
small for all at once. A gap is what could be saved at most, as a part of what the energy costs.
Some of the time is for rounds of prices, and the rest for HiGHS, as in the daemon.
"""

from __future__ import annotations

import random
from collections.abc import Callable
from dataclasses import dataclass, replace
from time import perf_counter

import click

from planners.joint.integer_programme import improved_by_programme
from planners.joint.joint import ever_better
from planners.joint.plans import Plans
from planners.joint.problem import JointProblem
from tests.benchmarks.machine import machine
from tests.benchmarks.problems import FIVE_MINUTES, NIGHT_TICKS
from tests.benchmarks.table import Row, at_most, duration, table
from tests.benchmarks.timing import median, percentile_99
from tests.planners.joint.random_joint import random_joint


@dataclass(frozen=True)
class Reach:
    """What some vehicles must reach: a gap within a time [s], at the median."""

    vehicles: int
    gap: float
    seconds: float


REACHES = (Reach(2, 0.001, 1.0), Reach(3, 0.001, 5.0), Reach(4, 0.01, 10.0))
MANY = Reach(20, 0.02, 15.0)
FIRST_GAP = 0.01

ROUNDS_SHARE = 0.2
"""The part of the time in which rounds of prices begin."""


@dataclass(frozen=True)
class Measured:
    """One problem: times [s] and gaps of the first plan and of the last in time."""

    first_seconds: float
    first_gap: float
    gap: float
    seconds: float


def _measure(joint: JointProblem, reach: Reach) -> Measured:
    begin = perf_counter()

    def improve(joint: JointProblem, best: Plans) -> tuple[Plans, float]:
        left = max(0.0, begin + reach.seconds - perf_counter())
        return improved_by_programme(joint, best, left, lambda: False)

    plans = ever_better(
        replace(joint, solutions={}),  # without those that are remembered
        is_enough=lambda: perf_counter() - begin >= ROUNDS_SHARE * reach.seconds,
        improve=improve,
    )
    first = last = next(plans)
    first_seconds = perf_counter() - begin
    for plan in plans:
        last = plan
    seconds = perf_counter() - begin
    cost = sum(abs(each.cost) for each in last.plans)
    gap = (first.money - last.least_money) / cost
    return Measured(first_seconds, gap, last.gap_share, seconds)


def _crowded(count: int, number: int, *, settable: bool) -> JointProblem:
    """Draw a night on which the vehicles alone would take more than there is."""
    seed = 0
    while True:
        rng = random.Random(f"bench {count} {number} {seed}")
        joint = random_joint(
            rng,
            vehicles=(count, count),
            ticks=(NIGHT_TICKS, NIGHT_TICKS),
            tick_hours=FIVE_MINUTES,
        )
        if settable:
            cars = [replace(problem, min_amps=6.0) for problem in joint.vehicles]
            joint = replace(joint, vehicles=tuple(cars))
        first = next(ever_better(joint))
        if not first.is_proven and first.shortages_kwh[0][1] == 0:
            return joint
        seed += 1


def rows_of(reach: Reach, problems: int, *, settable: bool = False) -> list[Row]:
    """Measure some nights."""
    drawn = [_crowded(reach.vehicles, number, settable=settable) for number in range(problems)]
    found = [_measure(joint, reach) for joint in drawn]
    what = f"{reach.vehicles} vehicles"
    times = [each.first_seconds for each in found]
    gaps = [each.gap for each in found]
    first = median([each.first_gap for each in found])
    return [
        Row(f"{what}: first plan, median", "", duration(median(times))),
        Row(f"{what}: first plan, slowest", "", duration(max(times))),
        Row(f"{what}: gap of the first plan, median", f"{FIRST_GAP:.1%}", f"{first:.2%}",
            at_most(first, FIRST_GAP)),
        Row(f"{what}: gap after {reach.seconds:g} s, median", f"{reach.gap:.1%}",
            f"{median(gaps):.2%}", at_most(median(gaps), reach.gap)),
        Row(f"{what}: gap after {reach.seconds:g} s, largest", "", f"{percentile_99(gaps):.2%}"),
        Row(f"{what}: last plan, median", "", duration(median([each.seconds for each in found]))),
    ]  # fmt: skip


def rows(problems: int, many: int, say: Callable[[str], None]) -> list[Row]:
    """Measure everything; `say` gets a line for each measurement."""
    found = []
    for reach in REACHES:
        say(f"{reach.vehicles} vehicles")
        found += rows_of(reach, problems)
    say(f"{MANY.vehicles} vehicles whose current can be set")
    return [*found, *rows_of(MANY, many, settable=True)]


@click.command()
@click.option("--quick", is_flag=True, help="One night of each kind: a minute.")
def main(*, quick: bool) -> None:
    """Print a table of what joint plans must reach, and what they reach here."""
    counts = (1, 1) if quick else (20, 3)
    found = rows(*counts, lambda name: click.echo(f"{name} ...", err=True))
    click.echo(table(found))
    click.echo(f"\n{machine()}")


if __name__ == "__main__":
    main()
