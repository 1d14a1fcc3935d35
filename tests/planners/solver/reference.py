"""Solve the planning problem a second time, from its statement and without shared code.

`cheapest_by_highs` is a mixed-integer programme, `cheapest_by_enumeration` tries every choice of
ticks. Both take constant power, and both solve for each target (the need, then the want) as the
statement has it: whole ticks, the last one in time cut short where the target is reached.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby, product

from tests.planners.solver.linear_model import LinearModel, minimised


@dataclass(frozen=True)
class Case:
    """One vehicle, one departure, constant power; energies are metered."""

    rates: tuple[float, ...]
    tick_kwh: float
    need_kwh: float
    want_kwh: float
    max_rate: float
    start_cost: float
    min_run: int
    min_rest: int
    on_before: bool = False
    ticks_before: int = 10**6
    limits: tuple[tuple[int, int, float], ...] = ()
    """Stretches of ticks, and how many ticks' energy may be used of each."""
    least_kwh: float | None = None
    """A tick's energy at the lowest current, if it can be set; then runs may have any length."""

    @property
    def short_run_cost(self) -> float:
        """Cost of a run that ends with the time and is too short, as the statement has it."""
        dearest = max([self.max_rate, *map(abs, self.rates)])
        return 2 * (self.min_run * self.tick_kwh * dearest + self.start_cost) + 1e-7


@dataclass(frozen=True)
class Optimum:
    """The reference's optimum: kWh short of the need first, then money."""

    short_kwh: float
    money: float


def _rungs(target_kwh: float, tick_kwh: float) -> int:
    return math.ceil(target_kwh / tick_kwh - 1e-9)


def better(optima: list[Optimum]) -> Optimum:
    least = min(optimum.short_kwh for optimum in optima)
    return min(
        (o for o in optima if o.short_kwh <= least + 1e-6), key=lambda optimum: optimum.money
    )


def cheapest_by_highs(case: Case) -> Optimum:
    """Solve for the need and for the want on HiGHS and take the better."""
    return better([_highs(case, target) for target in {case.need_kwh, case.want_kwh}])


def _highs(case: Case, target_kwh: float) -> Optimum:
    model, short, *_ = night_model(case, target_kwh)
    return solved_shortest_first(case, model, short)


def night_model(
    case: Case, target_kwh: float, model: LinearModel | None = None
) -> tuple[LinearModel, int, list[int], list[int]]:
    """Build the model of a night, with its columns: kWh short, energy by tick, whether it is on."""
    n, tick = len(case.rates), case.tick_kwh
    rungs = _rungs(target_kwh, tick) if case.least_kwh is None else n
    least = tick if case.least_kwh is None else case.least_kwh
    model = LinearModel() if model is None else model
    on, begins, is_last = ([model.binary() for _ in range(n)] for _ in range(3))
    energy = [model.column(upper=tick) for _ in range(n)]
    reached = model.binary()
    short = model.column(upper=case.need_kwh)
    extra = model.column(upper=max(0.0, target_kwh - case.need_kwh))
    total = [(column, 1.0) for column in energy]
    model.equal([*total, (short, 1), (extra, -1)], case.need_kwh)
    model.at_most(total, target_kwh)
    model.at_least([*total, (reached, -target_kwh)], 0)
    model.equal([*((column, 1) for column in is_last), (reached, -1)], 0)
    model.at_most([(column, 1) for column in on], rungs)
    for i in range(n):
        model.at_most([(energy[i], 1), (on[i], -tick)], 0)
        model.at_least([(energy[i], 1), (on[i], -least), (is_last[i], least)], 0)
        model.at_most([(is_last[i], 1), (on[i], -1)], 0)
        model.at_most([(on[i], 1), *((column, 1) for column in is_last[:i])], 1)
    for start, end, most in case.limits:
        model.at_most([(column, 1) for column in energy[start:end]], most * tick)
    _runs_and_rests(model, case, on, begins, rungs)
    late = begins[max(0, n - min(case.min_run, rungs) + 1) :]
    model.charge([(column, case.short_run_cost) for column in late])
    model.charge(zip(energy, case.rates, strict=True))
    model.charge([*((column, case.start_cost) for column in begins), (extra, -case.max_rate)])
    return model, short, energy, on


def solved_shortest_first(case: Case, model: LinearModel, short: int) -> Optimum:
    """Minimise the cost; if the need can't be met, first what it is short by."""
    solver = model.highs()
    solver.changeColBounds(short, 0.0, 0.0)
    if not minimised(solver, model.cost):
        # The need can't be met: first as little short as can be, then the cheapest of that.
        solver.changeColBounds(short, 0.0, case.need_kwh)
        assert minimised(solver, [float(column == short) for column in range(len(model.cost))])
        solver.changeColBounds(short, 0.0, max(0.0, solver.getObjectiveValue()) + 1e-9)
        assert minimised(solver, model.cost)
    return Optimum(solver.getSolution().col_value[short], solver.getObjectiveValue())


def _runs_and_rests(
    model: LinearModel, case: Case, on: list[int], begins: list[int], rungs: int
) -> None:
    n, min_run = len(on), min(case.min_run, rungs)
    for i in range(n):
        before = [(on[i - 1], 1.0)] if i else []
        if i or not case.on_before:
            model.at_least([(begins[i], 1), (on[i], -1), *before], 0)
            for j in range(i + 1, min(i + min_run, n)):
                model.at_least([(on[j], 1), (on[i], -1), *before], 0)
        if i or case.on_before:
            for j in range(i + 1, min(i + case.min_rest, n)):
                model.at_most([(on[j], 1), (on[i], -1), *before], 1 if i else 0)
    left_to_run = max(0, case.min_run - case.ticks_before) if case.on_before else 0
    for i in range(min(left_to_run, rungs, n)):
        model.at_least([(on[i], 1)], 1)
    left_to_rest = 0 if case.on_before else max(0, case.min_rest - case.ticks_before)
    for i in range(min(left_to_rest, n)):
        model.at_most([(on[i], 1)], 0)


def cheapest_by_enumeration(case: Case) -> Optimum:
    """Try every choice of ticks, for the need and for the want."""
    found = []
    for target_kwh in (case.need_kwh, case.want_kwh):
        rungs = _rungs(target_kwh, case.tick_kwh)
        for choice in product((False, True), repeat=len(case.rates)):
            if sum(choice) > rungs or not _allowed(case, choice, rungs):
                continue
            if _within_limits(case, choice, target_kwh):
                found += [_price(case, choice, target_kwh, rungs)]
    return better(found)


def _allowed(case: Case, choice: tuple[bool, ...], rungs: int) -> bool:
    """Judge each run and rest by its length, including what came before the first tick."""
    passed = min(case.ticks_before, 60)
    stretches = [(on, len(list(same))) for on, same in groupby((case.on_before,) * passed + choice)]
    for position, (on, length) in enumerate(stretches[:-1]):
        need_not_outlast = rungs + (passed if position == 0 else 0)
        if length < (min(case.min_run, need_not_outlast) if on else case.min_rest):
            return False
    return True


def _within_limits(case: Case, choice: tuple[bool, ...], target_kwh: float) -> bool:
    """Judge the use of each limited stretch, the last tick cut at the target."""
    left, used = target_kwh / case.tick_kwh, []
    for on in choice:
        used.append(min(1.0, left) if on else 0.0)
        left -= used[-1]
    return all(sum(used[start:end]) <= most + 1e-9 for start, end, most in case.limits)


def _price(case: Case, choice: tuple[bool, ...], target_kwh: float, rungs: int) -> Optimum:
    bought = 0.0
    last = next((i for i, on in enumerate(reversed(choice)) if not on), len(choice))
    went_on = case.on_before and last == len(choice)
    is_short = 0 < last < min(case.min_run, rungs) and not went_on
    money = case.short_run_cost if is_short else 0.0
    before = case.on_before
    for rate, on in zip(case.rates, choice, strict=True):
        if on:
            kwh = min(case.tick_kwh, target_kwh - bought)
            bought += kwh
            money += rate * kwh + (0.0 if before else case.start_cost)
        before = on
    money -= case.max_rate * max(0.0, bought - case.need_kwh)
    return Optimum(max(0.0, case.need_kwh - bought), money)
