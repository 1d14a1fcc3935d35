"""Carry out, price and judge a plan by the planning problem's statement.

Shares no formula with the planner. It knows every kind of problem that the planner knows, but not
which plan is best.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from planners.power.charging import ChargeModel
from planners.solver.problem import PlanningProblem

NEAR_KWH = 2e-6
NEAR_AMPS = 1e-5
WHOLE = 1 - 1e-6
"""A share above this is a whole tick, but for rounding."""

GAUSS = np.polynomial.legendre.leggauss(8)
"""Where to sample a smooth function, and with which weights, to integrate it from -1 to 1."""


@dataclass(frozen=True)
class Carried:
    """A plan's result: energies [kWh] by tick and by departure, and money [currency]."""

    metered_kwh: list[float]
    returned_kwh: list[float]
    reached_kwh: list[float]
    cost: float
    starts: int
    money: float

    def short_kwh(self, problem: PlanningProblem) -> list[float]:
        """Return the battery energy short of each need."""
        pairs = zip(problem.deadlines, self.reached_kwh, strict=True)
        return [max(0.0, deadline.need_kwh - reached) for deadline, reached in pairs]


def full_share(model: ChargeModel, stored_kwh: float) -> float:
    """Share of full power that the taper leaves at a battery energy."""
    if not model.taper:
        return 1.0
    soc = 100 * stored_kwh / model.usable_kwh
    if soc <= model.taper[0][0]:
        return model.taper[0][1] / 100
    for (low, at_low), (high, at_high) in pairwise(model.taper):
        if soc <= high:
            return (at_low * (high - soc) + at_high * (soc - low)) / (high - low) / 100
    return model.taper[-1][1] / 100


def tick_kwh(problem: PlanningProblem, stored_kwh: float, amps: float) -> tuple[float, float]:
    """Energy through the meter and into the battery in a whole tick."""
    vehicle = problem.model
    kw = vehicle.phases * vehicle.volts * amps * full_share(vehicle, stored_kwh) / 1000
    into = vehicle.efficiency * kw - vehicle.standby_kw
    return kw * problem.tick_hours, max(0.0, into) * problem.tick_hours


def worth_rate(problem: PlanningProblem, k: int, kwh: float) -> float:
    """Worth of a metered kWh that lifts the battery to this energy at departure `k`."""
    limits = [0.0]
    for deadline in problem.deadlines[k:]:
        if kwh <= deadline.need_kwh:
            return 0.0
        if kwh <= deadline.want_kwh:
            limits.append(deadline.max_rate_per_kwh)
        if kwh <= deadline.trip_kwh:
            break
        kwh -= deadline.trip_kwh
    return max(limits)


def worth_edges(problem: PlanningProblem, k: int) -> list[float]:
    """Battery energies at departure `k` at which that worth may change [kWh]."""
    edges, trips = [], 0.0
    for deadline in problem.deadlines[k:]:
        edges += [deadline.need_kwh + trips, deadline.want_kwh + trips, deadline.trip_kwh + trips]
        trips += deadline.trip_kwh
    return sorted(edges)


def worth(problem: PlanningProblem, k: int, before: float, after: float) -> float:
    """Worth of what was bought before departure `k`, metered at the model's current."""
    bends = [soc * problem.model.usable_kwh / 100 for soc, _ in problem.model.taper]
    inside = sorted(edge for edge in (*worth_edges(problem, k), *bends) if before < edge < after)
    money = 0.0
    for low, high in pairwise([before, *inside, after]):
        rate, half = worth_rate(problem, k, (low + high) / 2), (high - low) / 2
        for at, weight in zip(*GAUSS, strict=True) if half > 0 and rate > 0 else ():
            kwh, gained = tick_kwh(problem, low + half * (1 + at), problem.model.amps)
            money += rate * half * weight * kwh / gained
    return money


def spans_of(problem: PlanningProblem) -> list[range]:
    """Ticks at home before each departure."""
    starts = [0, *(deadline.return_tick for deadline in problem.deadlines[:-1])]
    return [range(a, d.end) for a, d in zip(starts, problem.deadlines, strict=True)]


def can_charge(problem: PlanningProblem, tick: int) -> bool:
    """Whether any current is allowed in a tick."""
    highest = float(problem.highest_amps[tick])
    return highest > 0 and highest >= (problem.min_amps or 0.0)


def carry_out(problem: PlanningProblem, amps: list[float], share: list[float]) -> Carried:
    """Charge as planned, tick by tick, and add up."""
    metered, returned, reached = [0.0] * len(amps), [], []
    stored, worths, starts, hurried = problem.stored_kwh, 0.0, 0, 0
    for k, span in enumerate(spans_of(problem)):
        returned.append(stored)
        running = k == 0 and problem.before.on
        for tick in span:
            is_on = share[tick] > 0
            starts += is_on and not running
            running = is_on
            if is_on:
                kwh, gained = tick_kwh(problem, stored, amps[tick])
                metered[tick] = kwh * share[tick]
                stored += gained * share[tick]
        worths += worth(problem, k, returned[-1], stored)
        on = [tick for tick in span if share[tick] > 0]
        cut = bool(on) and share[on[-1]] < least_part(problem)
        hurried += ends_short(problem, k, span, on, cut=cut) and not (
            len(runs_of(on)) == 1 and is_target(problem, k, stored)
        )
        reached.append(stored)
        stored = max(0.0, stored - problem.deadlines[k].trip_kwh)
    cost = sum(energy_cost(problem, i, metered[i], share[i]) for i in range(len(metered)))
    money = cost + problem.start_cost * starts + problem.short_run_cost * hurried - worths
    return Carried(metered, returned, reached, cost, starts, money)


def energy_cost(problem: PlanningProblem, tick: int, kwh: float, share: float) -> float:
    """Price a tick's energy: that of the used part's surplus as exported, the rest as imported."""
    rate = float(problem.rates_per_kwh[tick])
    if problem.surplus_kw is None or problem.export_rates_per_kwh is None:
        return rate * kwh
    surplus = float(problem.surplus_kw[tick]) * problem.tick_hours * share
    return float(problem.export_rates_per_kwh[tick]) * min(kwh, surplus) + rate * max(
        0.0, kwh - surplus
    )


def targets_of(problem: PlanningProblem, k: int) -> list[float]:
    """Battery energies at which the last tick before departure `k` may be cut short [kWh]."""
    found, trips = [], 0.0
    for deadline in problem.deadlines[k:]:
        found += [deadline.need_kwh + trips, deadline.want_kwh + trips]
        trips += deadline.trip_kwh
    return [target for target in found if target <= problem.deadlines[k].want_kwh + 1e-9]


def is_target(problem: PlanningProblem, k: int, stored: float) -> bool:
    """Whether a battery energy is one of those targets."""
    return any(abs(stored - target) <= NEAR_KWH for target in targets_of(problem, k))


def faults_of(problem: PlanningProblem, amps: list[float], share: list[float]) -> list[str]:
    """List where a plan breaks the statement's rules; empty for a plan that is allowed."""
    carried = carry_out(problem, amps, share)
    home = {tick for span in spans_of(problem) for tick in span}
    faults = [f"away in tick {i}" for i, part in enumerate(share) if part and i not in home]
    faults += _currents(problem, amps, share)
    for k, span in enumerate(spans_of(problem)):
        faults += [
            f"departure {k}: {fault}" for fault in _segment(problem, carried, share, k, span)
        ]
    return faults


def _currents(problem: PlanningProblem, amps: list[float], share: list[float]) -> Iterator[str]:
    for tick, highest in enumerate(map(float, problem.highest_amps)):
        if share[tick] <= 0:
            if amps[tick] or share[tick]:
                yield f"tick {tick}: off, and yet not"
            continue
        lowest = highest if problem.min_amps is None else problem.min_amps
        if not can_charge(problem, tick):
            yield f"tick {tick}: can't charge"
        if amps[tick] > highest + NEAR_AMPS or amps[tick] < lowest - NEAR_AMPS:
            yield f"tick {tick}: {amps[tick]} A, allowed {lowest} to {highest}"


def _segment(
    problem: PlanningProblem, carried: Carried, share: list[float], k: int, span: range
) -> Iterator[str]:
    deadline, reached = problem.deadlines[k], carried.reached_kwh[k]
    on = [tick for tick in span if share[tick] > 0]
    at_target = is_target(problem, k, reached)
    cut = bool(on) and share[on[-1]] < WHOLE
    if reached > max(deadline.want_kwh, carried.returned_kwh[k]) + NEAR_KWH:
        yield f"{reached} kWh, above the want"
    if any(share[tick] != 1 for tick in on[:-1]) or any(share[tick] > 1 for tick in on):
        yield "not whole before the last tick"
    if cut and not at_target:
        yield f"cut short at {reached} kWh, which is no target"
    if starts_too_soon(problem, k, on):
        yield "too short a rest"
    # It may where nothing more is charged for the departure, and its need is met.
    if ended_early(problem, k, span, on) and (on or reached < deadline.need_kwh - NEAR_KWH):
        yield "the run in progress ended too soon"
    cut = bool(on) and share[on[-1]] < least_part(problem)
    if not (len(runs_of(on)) == 1 and at_target):
        yield from (f"{run} is too short" for run in short_runs(problem, span, on, cut=cut))


# --- rules that only the choice of ticks decides -------------------------------------------------


def runs_of(on: list[int]) -> list[range]:
    """Return the runs of the ticks that are on."""
    runs: list[range] = []
    for tick in on:
        if runs and runs[-1].stop == tick:
            runs[-1] = range(runs[-1].start, tick + 1)
        else:
            runs.append(range(tick, tick + 1))
    return runs


def may_not_count(problem: PlanningProblem) -> bool:
    """Whether a tick cut short may be none of a shortest run: always where currents can be set."""
    is_set = problem.min_amps is not None and problem.min_run > 1
    return is_set or problem.least_part > 0


def least_part(problem: PlanningProblem) -> float:
    """Return the part of a tick below which it is cut so short that this may matter."""
    return min(WHOLE, problem.least_part - 1e-6) if problem.least_part > 0 else WHOLE


def starts_of(problem: PlanningProblem, k: int, on: list[int]) -> int:
    """Count the starts before departure `k`."""
    return len(runs_of(on)) - (k == 0 and problem.before.on and 0 in on)


def short_runs(problem: PlanningProblem, span: range, on: list[int], *, cut: bool) -> list[range]:
    """Return the runs that are too short, unless they are all the charging; the last may be cut."""
    counts_not = cut and may_not_count(problem)
    found = []
    for run in runs_of(on):
        went_on = run.start == 0 and problem.before.on
        less = counts_not and run.stop == on[-1] + 1
        length = len(run) - less + (problem.before.ticks if went_on else 0)
        blocked = went_on and run.stop < span.stop and not can_charge(problem, run.stop)
        if length < problem.min_run and (less or run.stop < span.stop) and not blocked:
            found.append(run)
    return found


def ends_short(problem: PlanningProblem, k: int, span: range, on: list[int], *, cut: bool) -> bool:
    """Whether the last run ends with the time before departure `k`, and is too short for that."""
    if not on or on[-1] + 1 < span.stop:
        return False
    run = runs_of(on)[-1]
    went_on = k == 0 and run.start == 0 and problem.before.on
    counts_not = cut and may_not_count(problem)
    return not went_on and len(run) - counts_not < problem.min_run


def ended_early(problem: PlanningProblem, k: int, span: range, on: list[int]) -> bool:
    """Whether a run in progress ended at once, though it could go on and was too short to end."""
    if k or not problem.before.on or problem.before.ticks >= problem.min_run:
        return False
    return len(span) > 0 and 0 not in on and can_charge(problem, 0)


def starts_too_soon(problem: PlanningProblem, k: int, on: list[int]) -> bool:
    """Whether a run starts after too short a rest; a departure is the begin of one."""
    in_progress = k == 0 and problem.before.on
    rested_from = problem.deadlines[k - 1].end if k else -problem.before.ticks
    if in_progress:
        rested_from = 0
    for run in runs_of(on):
        goes_on = in_progress and run.start == 0
        if not goes_on and run.start - rested_from < problem.min_rest:
            return True
        rested_from = run.stop
    return False
