"""Solve each planning problem once in a test run: many tests pose the same ones.

Those of the solver itself do not use this.
"""

from __future__ import annotations

import os
import pickle
from collections.abc import Iterator
from contextlib import contextmanager
from functools import partial
from hashlib import blake2b
from pathlib import Path
from threading import get_ident
from typing import Final

import pytest

from planners.bounds import rounded
from planners.home import together
from planners.joint import plans, shared_prices
from planners.plan import alternatives, planning, several_nights
from planners.solver.exact import solve
from planners.solver.problem import PlanningProblem
from planners.solver.solution import Solution

_SOLVED: Final[dict[str, Solution]] = {}

_USERS: Final = (
    alternatives, planning, plans, rounded, several_nights, shared_prices, together,
)  # fmt: skip


@contextmanager
def solved_once(base_temp: Path) -> Iterator[None]:
    """Let the planners look up what was solved before: it depends on the problem alone.

    Parameters
    ----------
    base_temp : Path
        Pytest's folder for this process. The workers of a run keep what they solve in its parent,
        for each other.

    Yields
    ------
    None
        The solver itself solves every time.
    """
    shared = base_temp.parent if "PYTEST_XDIST_WORKER" in os.environ else base_temp
    kept = shared / "solved"
    kept.mkdir(exist_ok=True)
    with pytest.MonkeyPatch.context() as patch:
        for user in _USERS:
            patch.setattr(user, "solve", partial(_solved, kept))
        yield


@pytest.fixture(autouse=True, scope="module")
def each_solved_once(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Let the tests of all modules beside or below a `conftest` that imports this look it up."""
    with solved_once(tmp_path_factory.getbasetemp()):
        yield


def _solved(kept: Path, problem: PlanningProblem) -> Solution:
    key = blake2b(pickle.dumps(problem)).hexdigest()
    if key not in _SOLVED:
        path = kept / key
        if not path.exists():
            part = path.with_suffix(f".{os.getpid()}.{get_ident()}")
            part.write_bytes(pickle.dumps(solve(problem)))
            part.rename(path)
        _SOLVED[key] = pickle.loads(path.read_bytes())  # noqa: S301 - our own
    return _SOLVED[key]
