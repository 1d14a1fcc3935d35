"""Compare the planner with HiGHS: each problem is solved once by both, in turn."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace

import highspy
import numpy as np

from planners.many_nights.arrays import Nights, NightsSolution
from planners.many_nights.many_nights import solve_nights
from planners.solver.exact import solve
from planners.solver.problem import PlanningProblem
from planners.solver.solution import Solution, objective, solution_of
from tests.benchmarks.problems import (
    RATE_KINDS,
    SWITCHINGS,
    RateKind,
    Switching,
    night_of,
    nights,
    year,
)
from tests.benchmarks.table import REACHED, Row, at_least, at_most, duration
from tests.benchmarks.timing import median, percentile_99, timed
from tests.planners.solver import reference_several as reference

EQUAL = 1e-5
"""Objectives [currency] and shortages [kWh] are equal if they differ by no more than this."""

TIMES_FASTER = 10
YEAR_TIMES_FASTER = 1000
"""Reaches (design, section 9)."""


@dataclass(frozen=True)
class Pair:
    """One problem solved by both: times [s], and the difference of the answers."""

    built: float
    theirs: float
    ours: float
    difference: float


def silence_banner() -> None:
    """Have HiGHS print its banner now, unseen: it prints it once, bypassing `sys.stdout`."""
    kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    highspy.Highs()  # type: ignore[no-untyped-call]
    os.dup2(kept, 1)
    os.close(kept)
    os.close(nowhere)


def build(problem: PlanningProblem) -> reference.Model:
    """Return the model for HiGHS, to be solved by one thread with all of its usual heuristics."""
    model = reference.build(problem)
    # Its own choice of threads is no faster for five-minute ticks, and slower for half-hour ones.
    model.solver.setOptionValue("mip_heuristic_run_feasibility_jump", True)  # noqa: FBT003
    return model


def compare(problem: PlanningProblem) -> Pair:
    """Solve a problem by both, timing the building of HiGHS's model separately."""
    built, model = timed(build, problem)
    theirs, optimum = timed(reference.solve, model)
    ours, solution = timed(solve, problem)
    return Pair(built, theirs, ours, difference(problem, solution, optimum))


def difference(problem: PlanningProblem, solution: Solution, optimum: reference.Optimum) -> float:
    """Return the largest difference of money or of a shortage."""
    short = [
        max(0.0, deadline.need_kwh - reached)
        for deadline, reached in zip(problem.deadlines, solution.reaches_kwh, strict=True)
    ]
    shortages = np.subtract(short, optimum.short_kwh)
    money = abs(objective(problem, solution) - optimum.money)
    return max(money, float(np.abs(shortages).max()))


def equal(what: str, differences: Sequence[float]) -> Row:
    """Return a row with how many answers are the same."""
    count = sum(one <= EQUAL for one in differences)
    total = len(differences)
    verdict = REACHED if count == total else f"missed in {total - count}"
    measured = f"{count} of {total}, they differ by {max(differences):.1e} at most"
    return Row(f"{what}: equal objective", f"all, to {EQUAL:.0e}", measured, verdict)


def one_night(switching: Switching, count: int, ticks: int) -> list[Row]:
    """Compare single nights, with on/off switching or a current that can be set."""
    drawn = [
        (kind, replace(night, min_amps=SWITCHINGS[switching]))
        for kind, night in nights(count, ticks)
    ]
    compare(drawn[0][1])  # the first of all is slower: it doesn't count
    pairs = [(kind, compare(night)) for kind, night in drawn]
    return rows_of_nights(f"one night, {switching}", pairs)


def rows_of_nights(what: str, pairs: Sequence[tuple[RateKind, Pair]]) -> list[Row]:
    """Return rows that compare the two, over all nights and over those of one kind of rates."""
    every = [pair for _, pair in pairs]
    ours, theirs = [pair.ours for pair in every], [pair.theirs for pair in every]
    ratio = median(theirs) / median(ours)
    slower = sum(pair.ours > pair.theirs for pair in every)
    last, their_last = percentile_99(ours), percentile_99(theirs)
    return [
        Row(
            f"{what}: times faster than HiGHS, medians",
            f"{TIMES_FASTER}",
            f"{ratio:.3g} ({duration(median(ours))} against {duration(median(theirs))})",
            at_least(ratio, TIMES_FASTER),
        ),
        *(_of_kind(what, kind, pairs) for kind in RATE_KINDS),
        Row(
            f"{what}: 99th percentile",
            "HiGHS's at most",
            f"{duration(last)} against {duration(their_last)}",
            at_most(last, their_last),
        ),
        Row(f"{what}: slower than HiGHS", "", f"in {slower} of {len(every)}"),
        Row(f"{what}: HiGHS's model, built", "", duration(median([p.built for p in every]))),
        equal(what, [pair.difference for pair in every]),
    ]


def _of_kind(what: str, kind: RateKind, pairs: Sequence[tuple[RateKind, Pair]]) -> Row:
    some = [pair for one, pair in pairs if one == kind]
    ours, theirs = median([pair.ours for pair in some]), median([pair.theirs for pair in some])
    measured = f"{theirs / ours:.3g} ({duration(ours)} against {duration(theirs)})"
    return Row(f"{what}: the same, {kind} rates only", "", measured)


def whole_year(count: int, ticks: int, sample: int, repeats: int) -> list[Row]:
    """Compare many nights of half-hour ticks in one call with HiGHS night by night."""
    what = f"{count} nights at once, 30-minute ticks"
    many = year(count, ticks, 0.5)
    solved = solve_nights(many)
    ours = median([timed(solve_nights, many)[0] for _ in range(repeats)])
    picked = np.random.default_rng(3).choice(count, sample, replace=False).tolist()
    reference.solve(build(night_of(many, picked[0])))
    theirs, differences = 0.0, []
    for number in picked:
        problem = night_of(many, number)
        seconds, optimum = timed(reference.solve, build(problem))
        theirs += seconds
        differences.append(difference(problem, one_of(many, solved, number), optimum))
    scaled = theirs * count / sample
    measured = f"{scaled / ours:.4g} ({duration(ours)} against {duration(scaled)})"
    return [
        Row(
            f"{what}: times faster than HiGHS",
            f"{YEAR_TIMES_FASTER}",
            measured,
            at_least(scaled / ours, YEAR_TIMES_FASTER),
        ),
        Row(f"{what}: HiGHS's time", "", f"that of {sample} nights, drawn, x {count} / {sample}"),
        equal(what, differences),
    ]


def one_of(many: Nights, solved: NightsSolution, number: int) -> Solution:
    """Return the solution of one of many nights as that of a single night."""
    share = solved.share[number]
    return solution_of(night_of(many, number), (share > 0) * many.model.amps, share)
