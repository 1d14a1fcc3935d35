"""Try every choice of ticks and currents of a tiny problem, taper and standby included.

Its energy and its money are its own; its rules are those of `tests.planners.solver.statement`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise, product

import numpy as np
from numpy.typing import NDArray

from planners.solver.problem import PlanningProblem
from tests.planners.solver import statement
from tests.planners.solver.statement import (
    can_charge,
    spans_of,
    targets_of,
    worth_edges,
    worth_rate,
)

Row = NDArray[np.float64]

EXACT_KWH = 1e-9

FINE = 4_000
"""Parts into which the battery is cut to meter what is past the need."""


@dataclass(frozen=True)
class Cheapest:
    short_kwh: tuple[float, ...]
    money: float


@dataclass(frozen=True)
class Plans:
    """Many plans that charge in the same ticks, one entry or column each.

    `returned` and `stored` are battery energies [kWh], at the last return and now; `short` has a
    row for each departure so far; `cut` says whether the last tick was cut short.
    """

    returned: Row
    stored: Row
    money: Row
    short: Row
    cut: NDArray[np.bool_]

    def of(self, keep: NDArray[np.bool_] | NDArray[np.intp]) -> Plans:
        """Select plans by index; an index may come more than once."""
        return Plans(
            self.returned[keep], self.stored[keep], self.money[keep], self.short[:, keep],
            self.cut[keep],
        )  # fmt: skip


def cheapest_on_grid(problem: PlanningProblem, currents: int) -> Cheapest:
    """Try every choice of ticks, with that many currents between the lowest and the highest."""
    may = [tick for span in spans_of(problem) for tick in span if can_charge(problem, tick)]
    choices = product((False, True), repeat=len(may))
    chosen = ([tick for tick, on in zip(may, choice, strict=True) if on] for choice in choices)
    found = [_carried(problem, ticks, currents) for ticks in chosen]
    short = np.concatenate([plans.short for plans in found], axis=1)
    money = np.concatenate([plans.money for plans in found])
    keep = np.ones(len(money), dtype=bool)
    for row in short:
        keep &= row <= row[keep].min() + 1e-7
    best = int(np.flatnonzero(keep)[money[keep].argmin()])
    return Cheapest(tuple(map(float, short[:, best])), float(money[best]))


def _carried(problem: PlanningProblem, chosen: list[int], currents: int) -> Plans:
    """Return all plans, allowed by the statement, that charge in just the chosen ticks."""
    home = np.array([problem.stored_kwh])
    plans = Plans(home, home, np.zeros(1), np.zeros((len(problem.deadlines), 1)), home > np.inf)
    for k, span in enumerate(spans_of(problem)):
        on = [tick for tick in span if tick in chosen]
        if k:
            left = np.maximum(0.0, plans.stored - problem.deadlines[k - 1].trip_kwh)
            plans = replace(plans, returned=left, stored=left, cut=left > np.inf)
        for tick in on:
            grid = _grid(problem, tick, currents)
            plans = _drawn(problem, plans, k, tick, grid, last=tick == on[-1])
        plans = _judged(problem, plans, k, span, on)
    return plans


def _grid(problem: PlanningProblem, tick: int, currents: int) -> Row:
    highest = float(problem.highest_amps[tick])
    lowest = highest if problem.min_amps is None else problem.min_amps
    return np.unique(np.linspace(lowest, highest, currents))


def _drawn(
    problem: PlanningProblem, plans: Plans, k: int, tick: int, grid: Row, *, last: bool
) -> Plans:
    """Draw through a tick at each current; the last also for a part that leads to a target."""
    every = plans.of(np.repeat(np.arange(len(plans.money)), len(grid)))
    amps = np.tile(grid, len(plans.money))
    vehicle = problem.model
    kw = vehicle.phases * vehicle.volts * amps / 1000 * _taper(problem, every.stored)
    metered = kw * problem.tick_hours
    gained = np.maximum(0.0, vehicle.efficiency * kw - vehicle.standby_kw) * problem.tick_hours
    money = _energy_cost(problem, tick, metered)
    cost = money - _worth(problem, k, every.stored, every.stored + gained)
    drawn = [replace(every, stored=every.stored + gained, money=every.money + cost)]
    for target in targets_of(problem, k) if last else []:
        share = (target - every.stored) / gained
        some = (share > EXACT_KWH) & (share < 1)
        part = every.of(some)
        at = np.full(len(part.money), target)
        cost = money[some] * share[some] - _worth(problem, k, part.stored, at)
        drawn.append(replace(part, stored=at, money=part.money + cost, cut=at > 0))
    return Plans(
        returned=np.concatenate([plans.returned for plans in drawn]),
        stored=np.concatenate([plans.stored for plans in drawn]),
        money=np.concatenate([plans.money for plans in drawn]),
        short=np.concatenate([plans.short for plans in drawn], axis=1),
        cut=np.concatenate([plans.cut for plans in drawn]),
    )


def _energy_cost(problem: PlanningProblem, tick: int, metered: Row) -> Row:
    """Price a whole tick: up to the surplus at the export rate, and the rest at the import rate."""
    surplus, more = 0.0, 0.0
    if problem.surplus_kw is not None and problem.export_rates_per_kwh is not None:
        surplus = float(problem.surplus_kw[tick]) * problem.tick_hours
        more = float(problem.export_rates_per_kwh[tick] - problem.rates_per_kwh[tick])
    cost: Row = float(problem.rates_per_kwh[tick]) * metered + more * np.minimum(metered, surplus)
    return cost


def _taper(problem: PlanningProblem, stored: Row) -> Row:
    if not problem.model.taper:
        return np.ones_like(stored)
    soc, percent = zip(*problem.model.taper, strict=True)
    points = np.array(soc) * problem.model.usable_kwh / 100
    share: Row = np.interp(stored, points, np.array(percent) / 100)
    return share


def _judged(problem: PlanningProblem, plans: Plans, k: int, span: range, on: list[int]) -> Plans:
    """Keep the plans that are allowed, and count their shortage and their starts."""
    deadline, stored = problem.deadlines[k], plans.stored
    at_target = np.zeros(len(stored), dtype=bool)
    for target in targets_of(problem, k):
        at_target |= np.abs(stored - target) <= EXACT_KWH
    one_run = len(statement.runs_of(on)) == 1
    allowed = stored <= np.maximum(deadline.want_kwh, plans.returned) + EXACT_KWH
    for cut in (False, True):
        too_short = statement.short_runs(problem, span, on, cut=cut)
        allowed &= (plans.cut != cut) | (not too_short) | (one_run & at_target)
    allowed &= not statement.starts_too_soon(problem, k, on)
    if statement.ended_early(problem, k, span, on):
        allowed &= (stored >= deadline.need_kwh - EXACT_KWH) & (not on)
    short = plans.short.copy()
    short[k] = np.maximum(0.0, deadline.need_kwh - stored)
    money = plans.money + problem.start_cost * statement.starts_of(problem, k, on)
    for cut in (False, True):
        if statement.ends_short(problem, k, span, on, cut=cut):
            is_short = (plans.cut == cut) & ~(one_run & at_target)
            money = money + problem.short_run_cost * is_short
    return replace(plans, short=short, money=money).of(allowed)


def _worth(problem: PlanningProblem, k: int, before: Row, after: Row) -> Row:
    """Worth of what a tick buys before departure `k`."""
    money = np.zeros_like(before)
    for low, high in pairwise(worth_edges(problem, k)):
        rate = worth_rate(problem, k, (low + high) / 2)
        if rate > 0:
            ends = np.clip(before, low, high), np.clip(after, low, high)
            money += rate * (_metered(problem, ends[1]) - _metered(problem, ends[0]))
    return money


def _metered(problem: PlanningProblem, kwh: Row) -> Row:
    """Energy through the meter up to a battery energy, but for a constant."""
    vehicle = problem.model
    kw = vehicle.phases * vehicle.volts * vehicle.amps / 1000
    if not (vehicle.taper and vehicle.standby_kw):
        # Without standby the meter shows what is gained over the efficiency, whatever the power.
        constant: Row = kwh * kw / (vehicle.efficiency * kw - vehicle.standby_kw)
        return constant
    stored = np.linspace(0.0, vehicle.usable_kwh, FINE + 1)
    power = kw * _taper(problem, stored)
    slope = power / (vehicle.efficiency * power - vehicle.standby_kw)
    mean = (slope[1:] + slope[:-1]) / 2
    metered = np.concatenate(([0.0], np.cumsum(mean * vehicle.usable_kwh / FINE)))
    found: Row = np.interp(kwh, stored, metered)
    return found
