"""The compiled accelerator, built for the test, against the same loops in numpy."""

from __future__ import annotations

import importlib.util
import random
import shutil
import sysconfig
from collections.abc import Iterator
from dataclasses import replace
from hashlib import blake2b
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from planners.inner_loops import accelerator
from planners.solver.cost_tables import remembered
from planners.solver.exact import solve
from planners.solver.problem import Floor, PlanningProblem, UseLimit
from planners.solver.solution import Solution
from tests.planners.solver.random_several import Kind, random_problem
from tests.planners.solver.random_surplus import with_surplus
from tests.planners.solver.test_exact_power import tapered

ROOT = Path(__file__).parents[3]

KINDS: tuple[Kind, ...] = ("on_off", "current")


def load(name: str, path: Path) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> ModuleType:
    """Build what `pip install ./deploy/accelerator` builds."""
    pytest.importorskip("cffi", reason="cffi is not installed: no extra that needs it is")
    headers = Path(sysconfig.get_path("include"), "Python.h")
    if shutil.which(sysconfig.get_config_var("CC").split()[0]) is None or not headers.exists():
        pytest.skip("there is no C compiler, or Python's headers are missing")
    source = shutil.copytree(
        ROOT / "deploy" / "accelerator", tmp_path_factory.mktemp("built") / "accelerator"
    )
    builder = load("build_rows", source / "build_rows.py").builder
    return load("lullwatt_accelerator", Path(builder.compile(tmpdir=str(source))))


def problems() -> Iterator[PlanningProblem]:
    """Draw problems of every kind: several departures, tapers, a surplus, limits, a floor."""
    rng = random.Random("accelerator")
    for number in range(60):
        problem = random_problem(rng, kind=KINDS[number % 2], ticks=(6, 40))
        if number % 3 == 0:
            problem = tapered(rng, problem)
        if number % 4 < 2:
            problem = with_surplus(rng, problem)
        if number % 5 == 0:
            start = rng.randrange(problem.ticks - 3)
            limits = (UseLimit(start, start + 3, rng.uniform(0, 3)),)
            problem = replace(problem, use_limits=limits)
        if number % 4 == 2:
            problem = replace(problem, least_part=rng.random())
        if number % 7 == 0:
            first = problem.deadlines[0]
            problem = replace(problem, floor=Floor(first.end // 2, first.need_kwh))
        yield problem


def test_another_interface_has_another_number(built: ModuleType) -> None:
    """An accelerator that was built for other structures is left alone: it would write anywhere.

    If this fails, raise `INTERFACE` in both places, and write the new digest down.
    """
    digest = blake2b(
        (ROOT / "deploy" / "accelerator" / "rows.h").read_bytes(), digest_size=8
    ).hexdigest()
    assert (accelerator.INTERFACE, digest) == (1, "d76f32a8ed004aa9")
    assert built.lib.INTERFACE == accelerator.INTERFACE


def numbers_of(solution: Solution) -> list[float]:
    return [*solution.amps, *solution.share, *solution.metered_kwh, solution.cost, solution.worth]


def test_the_accelerator_changes_no_plan(
    built: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every number of every plan is the same with and without it, to the last bit."""
    drawn = list(problems())
    monkeypatch.setattr(accelerator, "lib", None)
    assert not accelerator.is_installed()
    by_numpy = [solve(problem) for problem in drawn]
    monkeypatch.setattr(accelerator, "ffi", built.ffi)
    monkeypatch.setattr(accelerator, "lib", built.lib)
    assert accelerator.is_installed()
    remembered.cache_clear()  # or nothing would be computed again
    for number, problem in enumerate(drawn):
        assert numbers_of(solve(problem)) == numbers_of(by_numpy[number]), number
    assert np.mean([solution.on.any() for solution in by_numpy]) > 0.5
