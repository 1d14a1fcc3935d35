"""The benchmark's table has all its rows, and both solvers agree; no time is judged."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np
import pytest
from click.testing import CliRunner

from planners.many_nights.many_nights import solve_nights
from planners.solver.exact import solve as exact
from planners.solver.problem import PlanningProblem
from planners.solver.solution import Solution, solution_of
from tests.benchmarks import against_highs, planning
from tests.benchmarks.against_highs import EQUAL, Pair, compare, equal, one_of, rows_of_nights
from tests.benchmarks.machine import machine
from tests.benchmarks.problems import (
    FIVE_MINUTES,
    RATE_KINDS,
    RateKind,
    night,
    night_of,
    rates_per_kwh,
    week,
    year,
)
from tests.benchmarks.table import REACHED, Row, at_least, at_most, duration, table
from tests.benchmarks.timing import exponent, median, percentile_99
from tests.planners.solver.reference_several import cheapest

TINY = planning.Sizes(
    nights=2,
    ticks=20,
    year_nights=6,
    year_ticks=10,
    sample=2,
    repeats=1,
    weeks=1,
    days=2,
    capacity_evenings=1,
    growing_ticks=(10, 20),
    growing_nights=(3, 6),
    five_minute_ticks=24,
)


@pytest.fixture(scope="module")
def rows() -> list[Row]:
    return planning.rows(TINY, lambda _: None)


@pytest.mark.parametrize(
    ("what", "target"),
    [
        ("one night, on_off: times faster than HiGHS, medians", "10"),
        ("one night, on_off: 99th percentile", "HiGHS's at most"),
        ("one night, on_off: slower than HiGHS", ""),
        ("one night, on_off: equal objective", "all, to 1e-05"),
        ("one night, current: times faster than HiGHS, medians", "10"),
        ("one night, current: 99th percentile", "HiGHS's at most"),
        ("one night, current: slower than HiGHS", ""),
        ("one night, current: equal objective", "all, to 1e-05"),
        ("one night with taper, on_off: median, 99th percentile", ""),
        ("one night with taper, current: median, 99th percentile", ""),
        ("6 nights at once, 30-minute ticks: times faster than HiGHS", "1000"),
        ("6 nights at once, 30-minute ticks: equal objective", "all, to 1e-05"),
        ("2 days at once, 5-minute ticks, on_off: median", "under 100 ms"),
        ("2 days at once, 5-minute ticks, current: median", "under 100 ms"),
        ("10, 20 five-minute ticks", ""),
        ("10, 20 ticks in the same night", ""),
        ("3, 6 nights at once, 30-minute ticks", "linear"),
        ("6 nights of 24 five-minute ticks at once: memory", "under 200 MB"),
    ],
)
def test_the_table_has_a_row_for_each_reach(rows: list[Row], what: str, target: str) -> None:
    """Everything to be reached in planning has its row, its target and a figure (design, 9)."""
    [row] = [row for row in rows if row.what == what]
    assert row.target == target
    assert row.measured
    assert bool(row.verdict) == bool(target)


def test_the_objectives_agree(rows: list[Row]) -> None:
    """In every comparison both solvers find the same, and the table says so."""
    verdicts = [row.verdict for row in rows if "equal objective" in row.what]
    assert verdicts == [REACHED] * 3


def test_a_different_objective_is_shown() -> None:
    """One answer in three that is not the same is a miss."""
    row = equal("nights", [0.0, 2 * EQUAL, EQUAL / 2])
    assert row.measured.startswith("2 of 3, ")
    assert row.verdict == "missed in 1"


def test_a_night_that_costs_more_than_highs_finds_is_noticed(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The difference is that of the plans as carried out, not as promised."""
    problem = night(np.random.default_rng(1), "market", 20)
    assert compare(problem).difference <= EQUAL

    def wrong(problem: PlanningProblem) -> Solution:
        dearest = exact(replace(problem, rates_per_kwh=1 - problem.rates_per_kwh))
        return solution_of(problem, dearest.amps, dearest.share)

    monkeypatch.setattr(against_highs, "solve", wrong)
    assert compare(problem).difference > EQUAL


def test_rows_are_medians_and_percentiles_of_the_pairs() -> None:
    """Ratio, 99th percentiles and the count of slower nights come from the pairs' times."""
    pairs: list[tuple[RateKind, Pair]] = [
        ("market", Pair(1.0, 0.5, 0.1, 0.0)),
        ("bands", Pair(1.0, 0.7, 0.1, 0.0)),
        ("market", Pair(1.0, 0.2, 0.4, 0.0)),
    ]
    found = {row.what: row for row in rows_of_nights("night", pairs)}
    faster = found["night: times faster than HiGHS, medians"]
    assert faster.measured == "5 (100 ms against 500 ms)"
    assert faster.verdict == "missed 2 times"
    assert found["night: the same, bands rates only"].measured == "7 (100 ms against 700 ms)"
    assert found["night: 99th percentile"].verdict == REACHED
    assert found["night: slower than HiGHS"].measured == "in 1 of 3"


@pytest.mark.parametrize("number", range(4))
def test_a_night_of_many_is_the_same_problem_alone(number: int) -> None:
    """HiGHS solves the problem of that night alone: both find the same optimum."""
    many = year(4, 12, 0.5)
    problem = night_of(many, number)
    solution = one_of(many, solve_nights(many), number)
    assert against_highs.difference(problem, solution, cheapest(problem)) <= EQUAL


@pytest.mark.parametrize("kind", RATE_KINDS)
def test_rates_hold_for_half_an_hour(kind: RateKind) -> None:
    """Six five-minute ticks have one rate, or thirty of one minute, and the day has several."""
    for ticks, tick_hours, held in ((48, FIVE_MINUTES, 6), (240, 1 / 60, 30)):
        drawn = rates_per_kwh(np.random.default_rng(4), kind, ticks, tick_hours)
        stretches = drawn.reshape(-1, held)
        assert (stretches == stretches[:, :1]).all()
    day = rates_per_kwh(np.random.default_rng(4), kind, 48, 0.5)
    assert len(set(day.tolist())) >= 3


def test_problems_are_the_same_each_time_and_hold_together() -> None:
    """The timed problems are valid, the same when drawn again, and their needs within reach."""
    first, second = (week(np.random.default_rng(7)) for _ in range(2))
    first.check()
    assert len(first.deadlines) == 7
    assert first.deadlines == second.deadlines
    assert first.rates_per_kwh.tolist() == second.rates_per_kwh.tolist()
    solution = exact(first)
    for deadline, reached in zip(first.deadlines, solution.reaches_kwh, strict=True):
        assert reached >= deadline.need_kwh - 1e-9


def test_verdicts() -> None:
    """A target is reached at its value, and a miss says by how much."""
    assert at_least(10.0, 10.0) == at_most(0.1, 0.1) == REACHED
    assert at_least(8.0, 10.0) == "missed 1.25 times"
    assert at_most(0.25, 0.1) == "missed 2.5 times"


@pytest.mark.parametrize(
    ("seconds", "text"),
    [
        (0.0012345, "1.23 ms"),
        (0.0999, "99.9 ms"),
        (0.1, "100 ms"),
        (0.9996, "1000 ms"),
        (1.0, "1.00 s"),
        (1234.5, "1234 s"),
        (0.00004, "0.0400 ms"),
    ],
)
def test_times_have_three_digits(seconds: float, text: str) -> None:
    """Times are written in milliseconds or seconds, never with a power of ten."""
    assert duration(seconds) == text


def test_the_exponent_is_that_of_the_growth() -> None:
    """Times that grow with the square have exponent 2, constant ones 0."""
    assert exponent([1, 2, 4, 8], [3.0, 12.0, 48.0, 192.0]) == pytest.approx(2)
    assert exponent([1, 2, 4], [5.0, 5.0, 5.0]) == pytest.approx(0)


def test_median_and_99th_percentile() -> None:
    """Of 0 to 100 they are 50 and 99."""
    values = [float(i) for i in range(101)]
    random.Random(1).shuffle(values)
    assert (median(values), percentile_99(values)) == (50, 99)


def test_columns_are_aligned() -> None:
    """Each column begins at the same place in every line."""
    lines = table([Row("a", "10", "9", "missed"), Row("longer", "", "12345")]).splitlines()
    assert lines == [
        "what    target  measured  verdict",
        "------  ------  --------  -------",
        "a       10      9         missed",
        "longer          12345",
    ]


def test_the_script_prints_the_table_and_the_machine(
    monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """The table comes first, without a solver's banner, and the machine last."""
    monkeypatch.setattr(planning, "rows", lambda *_: against_highs.one_night("on_off", 2, 20))
    printed = CliRunner().invoke(planning.main, ["--quick"], catch_exceptions=False).stdout
    assert printed.startswith("what ")
    assert machine("highspy") in printed
    assert "HiGHS" not in capfd.readouterr().out
