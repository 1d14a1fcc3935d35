"""Solve each planning problem once in a test run: the daemon's tests pose the same ones often."""

from __future__ import annotations

import pickle
from collections.abc import Iterator
from contextlib import contextmanager
from hashlib import blake2b
from typing import Final

import pytest

from planners.plan import alternatives, planning, several_nights
from planners.solver.exact import solve
from planners.solver.problem import PlanningProblem
from planners.solver.solution import Solution

_SOLVED: Final[dict[bytes, Solution]] = {}


@contextmanager
def solved_once() -> Iterator[None]:
    """Let the planners look up what they have solved before: it depends on the problem alone.

    Yields
    ------
    None
        The tests of the solver itself do not do this.
    """
    with pytest.MonkeyPatch.context() as patch:
        for user in (alternatives, planning, several_nights):
            patch.setattr(user, "solve", _solved)
        yield


def _solved(problem: PlanningProblem) -> Solution:
    key = blake2b(pickle.dumps(problem)).digest()
    if key not in _SOLVED:
        _SOLVED[key] = solve(problem)
    return _SOLVED[key]
