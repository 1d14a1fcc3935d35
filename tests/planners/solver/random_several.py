"""Draw awkward random planning problems with several departures, at constant power."""

from __future__ import annotations

import random
from itertools import pairwise
from typing import Literal

import numpy as np

from planners.power.charging import ChargeModel
from planners.solver.problem import Deadline, PlanningProblem, SwitchingState

Kind = Literal["on_off", "current"]


def random_problem(
    rng: random.Random,
    *,
    kind: Kind,
    ticks: tuple[int, int] = (6, 30),
    departures: tuple[int, int] = (1, 4),
) -> PlanningProblem:
    """Draw a problem, the same for the same state of `rng`.

    Parameters
    ----------
    rng : random.Random
        Where the draws come from.
    kind : {"on_off", "current"}
        How the charge point switches.
    ticks, departures : (int, int)
        Fewest and most of each; there are never more departures than half the ticks.

    Returns
    -------
    PlanningProblem
        At constant power. Every tick that may charge gains something. A trip keeps the vehicle
        away for at least a tick, perhaps for less than the shortest rest.
    """
    n = rng.randint(*ticks)
    count = min(rng.randint(*departures), n // 2)
    vehicle = _vehicle(rng, kind)
    hours = rng.choice((1 / 12, 0.25, 0.5))
    tick_kwh = vehicle.efficiency * vehicle.full_kw * hours - vehicle.standby_kw * hours
    stored = rng.choice((0.0, rng.uniform(0, 6) * tick_kwh, rng.randint(0, 6) * tick_kwh))
    return PlanningProblem(
        rates_per_kwh=_rates(rng, n),
        highest_amps=_highest_amps(rng, n, vehicle.amps),
        tick_hours=hours,
        model=vehicle,
        stored_kwh=min(stored, vehicle.usable_kwh),
        deadlines=_deadlines(rng, n, count, tick_kwh, vehicle.usable_kwh),
        min_amps=6.0 if kind == "current" else None,
        start_cost=rng.choice((0.0, 0.02, rng.uniform(0, 0.2), 3.0)),
        min_run=rng.randint(1, 5),
        min_rest=rng.randint(0, 4),
        before=SwitchingState(on=rng.random() < 0.5, ticks=rng.choice((0, 1, 2, 3, 5, 1000))),
        prefer_late=rng.random() < 0.5,
    )


def _vehicle(rng: random.Random, kind: Kind) -> ChargeModel:
    return ChargeModel(
        amps=rng.choice((10.0, 16.0, 32.0) if kind == "on_off" else (16.0, 32.0)),
        phases=rng.choice((1, 3)),
        volts=230.0,
        usable_kwh=rng.uniform(20, 80),
        efficiency=rng.choice((1.0, 0.9, rng.uniform(0.7, 1.0))),
        standby_kw=rng.choice((0.0, 0.0, 0.1, 0.3)),
    )


def _rates(rng: random.Random, n: int) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Few bands, all different, some negative, or all alike."""
    bands = [rng.uniform(0.05, 0.4) for _ in range(3)]
    kind = rng.randrange(4)
    if kind == 0:
        rates = [rng.choice(bands) for _ in range(n)]
    elif kind == 1:
        rates = [rng.uniform(-0.15, 0.4) for _ in range(n)]
    elif kind == 2:
        rates = [bands[0]] * n
    else:
        length = rng.randint(2, 6)
        rates = [bands[(i // length) % 3] - 0.1 * (i % 7 == 0) for i in range(n)]
    return np.array(rates)


def _highest_amps(
    rng: random.Random, n: int, amps: float
) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """All alike, or few values held for some ticks each, 0 among them."""
    if rng.random() < 0.4:
        return np.full(n, amps)
    drawn: list[float] = []
    while len(drawn) < n:
        level = rng.choice((amps, amps, 8.0, 0.8 * amps, 0.0))
        drawn += [min(level, amps)] * rng.randint(1, 5)
    return np.array(drawn[:n])


def _deadlines(
    rng: random.Random, n: int, count: int, tick_kwh: float, usable_kwh: float
) -> tuple[Deadline, ...]:
    edges = [*sorted(rng.sample(range(1, n), 2 * count - 2)), n, n]
    pairs = list(zip(edges[::2], edges[1::2], strict=True))
    lengths = [end - start for start, end in pairwise([0, *(end for end, _ in pairs)])]
    return tuple(
        _deadline(rng, pair, length, tick_kwh, usable_kwh)
        for pair, length in zip(pairs, lengths, strict=True)
    )


def _deadline(
    rng: random.Random, pair: tuple[int, int], length: int, tick_kwh: float, usable_kwh: float
) -> Deadline:
    """Needs from nothing to beyond reach, some of them whole ticks; trips from nothing to all."""
    needed = rng.choice((0.0, rng.uniform(0, 2), rng.uniform(0, length), rng.randint(0, length)))
    wanted = rng.choice((0.0, rng.uniform(0, 3), rng.uniform(0, length), rng.randint(0, 3)))
    used = rng.choice((0.0, rng.uniform(0, needed), needed, rng.uniform(0, 2 + needed + wanted)))
    need = min(needed * tick_kwh, usable_kwh)
    return Deadline(
        end=pair[0],
        need_kwh=need,
        want_kwh=min(need + wanted * tick_kwh, usable_kwh),
        max_rate_per_kwh=rng.choice((0.0, rng.uniform(0, 0.4), 2.0)),
        return_tick=pair[1],
        trip_kwh=used * tick_kwh,
    )
