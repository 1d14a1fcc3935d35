"""Give planning problems a random surplus of the home's own generation."""

from __future__ import annotations

import random
from dataclasses import replace

import numpy as np

from planners.solver.problem import PlanningProblem


def with_surplus(rng: random.Random, problem: PlanningProblem) -> PlanningProblem:
    """Add a surplus and export rates, the same for the same state of `rng`.

    Parameters
    ----------
    rng : random.Random
        Where the draws come from.
    problem : PlanningProblem
        The problem.

    Returns
    -------
    PlanningProblem
        A hump of sun with clouds, an hourly forecast or noise, often 0, sometimes above all that
        can be drawn; export pays mostly less than import costs, sometimes more or nothing.
    """
    n, full = problem.ticks, problem.model.full_kw
    peak = rng.choice((0.3, 0.8, 1.5)) * full
    kind = rng.choice(("hump", "hours", "noise"))
    middle, width = rng.uniform(0, n), rng.uniform(1, n)
    sun = [peak * max(0.0, 1 - ((i - middle) / width) ** 2) for i in range(n)]
    if kind == "hours":
        sun = [sun[i - i % 4] for i in range(n)]
    elif kind == "noise":
        sun = [one * rng.choice((0.0, rng.uniform(0, 1), 1.0)) for one in sun]
    level = rng.uniform(-0.05, 0.2)
    pays = {
        "one": [level] * n,
        "none": [0.0] * n,
        "series": [rng.uniform(-0.1, 0.35) for _ in range(n)],
        "share": [float(rate) * 0.4 for rate in problem.rates_per_kwh],
    }[rng.choice(("one", "one", "none", "series", "share"))]
    return replace(problem, surplus_kw=np.array(sun), export_rates_per_kwh=np.array(pays))
