"""Draw problems of two to four vehicles that share a fuse, the same for the same seed."""

from __future__ import annotations

import random

import numpy as np
from numpy.typing import NDArray

from planners.joint.problem import JointProblem, SharedLimit
from planners.power.charging import ChargeModel
from planners.solver.problem import LONG_AT_REST, Deadline, PlanningProblem, SwitchingState

VOLTS = 230.0


def random_joint(
    rng: random.Random,
    *,
    vehicles: tuple[int, int] = (2, 4),
    ticks: tuple[int, int] = (20, 48),
    tick_hours: float = 0.25,
    scarce: bool = False,
) -> JointProblem:
    """Draw a problem at constant power.

    Parameters
    ----------
    rng : random.Random
        Where the draws come from.
    vehicles, ticks : (int, int)
        Fewest and most of each.
    tick_hours : float
        Length of a tick [h].
    scarce : bool
        Whether the needs are more than the fuse can carry, as often as not.

    Returns
    -------
    JointProblem
        With relays and currents that can be set, on one phase or on three, whose fuse may leave
        less in some ticks.
    """
    count, most = rng.randint(*vehicles), rng.randint(*ticks)
    rates = _rates(rng, most, tick_hours)
    three_phase = rng.random() < 0.3
    drawn = [_Outlet(rng, three_phase=three_phase) for _ in range(count)]
    fuse = rng.uniform(0.45, 0.9) * sum(outlet.amps for outlet in drawn)
    fuse = float(max(int(fuse), *(outlet.amps for outlet in drawn)))
    left = np.full(most, fuse)
    if rng.random() < 0.3:  # the rest of the home takes some
        at = rng.randrange(most)
        left[at : at + rng.randint(1, 12)] -= float(rng.randint(4, 20))
    share = rng.uniform(0.7, 1.6) if scarce else rng.uniform(0.2, 0.7)
    per_outlet = share * fuse / sum(outlet.amps for outlet in drawn)
    problems = tuple(_problem(rng, outlet, rates, tick_hours, per_outlet) for outlet in drawn)
    longest = max(problem.ticks for problem in problems)
    phases = range(3) if three_phase else range(1)
    limits = [
        SharedLimit(tuple(float(phase in outlet.phases) for outlet in drawn), left[:longest])
        for phase in phases
    ]
    if rng.random() < 0.15:
        kilowatts = tuple(problem.model.kw_per_amp for problem in problems)
        full = sum(problem.model.full_kw for problem in problems)
        limits.append(SharedLimit(kilowatts, np.full(longest, rng.uniform(0.5, 1.0) * full)))
    return JointProblem(problems, tuple(limits))


class _Outlet:
    """One charge point: its current, how it switches, and the phases that it uses."""

    def __init__(self, rng: random.Random, *, three_phase: bool) -> None:
        self.is_relay = rng.random() < 0.4
        self.amps = rng.choice((10.0, 13.0, 16.0) if self.is_relay else (16.0, 20.0, 32.0))
        self.phases: tuple[int, ...] = (0,)
        if three_phase:
            self.phases = rng.choice(((0,), (1,), (2,), (0, 1, 2)))


def _problem(
    rng: random.Random,
    outlet: _Outlet,
    rates: NDArray[np.float64],
    tick_hours: float,
    share: float,
) -> PlanningProblem:
    ticks = len(rates) if rng.random() < 0.5 else rng.randint(len(rates) // 2, len(rates))
    model = ChargeModel(
        outlet.amps, len(outlet.phases), VOLTS, rng.choice((40.0, 52.0, 77.0)), efficiency=0.9
    )
    stored = rng.uniform(2, 15)
    reach = model.gained_kw(model.full_kw) * ticks * tick_hours
    need = min(model.usable_kwh, stored + share * rng.uniform(0.6, 1.2) * reach)
    want = rng.uniform(need, model.usable_kwh) if rng.random() < 0.4 else need
    return PlanningProblem(
        rates_per_kwh=rates[:ticks],
        highest_amps=np.full(ticks, outlet.amps),
        tick_hours=tick_hours,
        model=model,
        stored_kwh=stored,
        deadlines=(Deadline(ticks, need, want, rng.uniform(0.1, 0.3) if want > need else 0.0),),
        min_amps=None if outlet.is_relay else 6.0,
        start_cost=rng.choice((0.0, 0.02)),
        min_run=rng.randint(1, 3),
        min_rest=rng.randint(0, 2),
        before=LONG_AT_REST if rng.random() < 0.7 else SwitchingState(rng.random() < 0.5, 1),
        prefer_late=rng.random() < 0.2,
    )


def _rates(rng: random.Random, ticks: int, tick_hours: float) -> NDArray[np.float64]:
    per_hour = max(1, round(0.5 / tick_hours))
    hours = [round(rng.uniform(0.08, 0.4), 4) for _ in range(ticks // per_hour + 1)]
    if rng.random() < 0.5:  # bands
        bands, at = (
            [round(rng.uniform(0.08, 0.4), 3) for _ in range(3)],
            sorted(rng.randrange(len(hours)) for _ in range(2)),
        )
        hours = [bands[sum(number >= each for each in at)] for number in range(len(hours))]
    return np.repeat(hours, per_hour)[:ticks].astype(np.float64)
