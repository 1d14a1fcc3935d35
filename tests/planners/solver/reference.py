"""Solve the planning problem a second time, from its statement and without shared code.

`cheapest_by_highs` is a mixed-integer programme, `cheapest_by_enumeration` tries every choice of
ticks. Both take constant power, and both solve for each target (the need, then the want) as the
statement has it: whole ticks, the last one in time cut short where the target is reached.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import groupby, product

import highspy


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


@dataclass(frozen=True)
class Optimum:
    """The reference's optimum: kWh short of the need first, then money."""

    short_kwh: float
    money: float


def _rungs(target_kwh: float, tick_kwh: float) -> int:
    return math.ceil(target_kwh / tick_kwh - 1e-9)


def _better(optima: list[Optimum]) -> Optimum:
    least = min(optimum.short_kwh for optimum in optima)
    return min(
        (o for o in optima if o.short_kwh <= least + 1e-6), key=lambda optimum: optimum.money
    )


def cheapest_by_highs(case: Case) -> Optimum:
    """Solve for the need and for the want on HiGHS and take the better."""
    return _better([_highs(case, target) for target in (case.need_kwh, case.want_kwh)])


def _highs(case: Case, target_kwh: float) -> Optimum:  # noqa: C901 - one model, in one piece
    n, tick = len(case.rates), case.tick_kwh
    rungs = _rungs(target_kwh, tick)
    min_run = min(case.min_run, rungs)
    left_to_run = max(0, case.min_run - case.ticks_before) if case.on_before else 0
    left_to_rest = 0 if case.on_before else max(0, case.min_rest - case.ticks_before)
    h = highspy.Highs()  # type: ignore[no-untyped-call]
    h.setOptionValue("output_flag", False)  # noqa: FBT003 - its interface
    h.setOptionValue("mip_rel_gap", 0.0)
    h.setOptionValue("mip_abs_gap", 1e-9)
    on = [h.addBinary() for _ in range(n)]
    begins = [h.addBinary() for _ in range(n)]
    is_last = [h.addBinary() for _ in range(n)]
    energy = [h.addVariable(lb=0.0, ub=tick) for _ in range(n)]
    reached = h.addBinary()
    short = h.addVariable(lb=0.0, ub=case.need_kwh)
    extra = h.addVariable(lb=0.0, ub=max(0.0, target_kwh - case.need_kwh))
    total = sum(energy)
    h.addConstr(total + short - extra == case.need_kwh)
    h.addConstr(total <= target_kwh)
    h.addConstr(total >= target_kwh * reached)
    h.addConstr(sum(is_last) == reached)
    h.addConstr(sum(on) <= rungs)
    for i in range(n):
        h.addConstr(energy[i] <= tick * on[i])
        h.addConstr(energy[i] >= tick * on[i] - tick * is_last[i])
        h.addConstr(is_last[i] <= on[i])
        if i:
            h.addConstr(on[i] + sum(is_last[:i]) <= 1)
            h.addConstr(begins[i] >= on[i] - on[i - 1])
            for j in range(i + 1, min(i + min_run, n)):
                h.addConstr(on[j] >= on[i] - on[i - 1])
            for j in range(i + 1, min(i + case.min_rest, n)):
                h.addConstr(on[j] <= 1 - on[i - 1] + on[i])
        elif not case.on_before:
            h.addConstr(begins[0] >= on[0])
            for j in range(1, min(min_run, n)):
                h.addConstr(on[j] >= on[0])
        else:
            for j in range(1, min(case.min_rest, n)):
                h.addConstr(on[j] <= on[0])
    for i in range(min(left_to_run, rungs, n)):
        h.addConstr(on[i] >= 1)
    for i in range(min(left_to_rest, n)):
        h.addConstr(on[i] <= 0)
    money = (
        sum(rate * e for rate, e in zip(case.rates, energy, strict=True))
        + case.start_cost * sum(begins)
        - case.max_rate * extra
    )
    # First as little short as can be, whatever it costs; then the cheapest of that.
    if case.need_kwh > 0:
        h.minimize(short)
        assert h.getModelStatus() == highspy.HighsModelStatus.kOptimal
        h.addConstr(short <= max(0.0, h.val(short)) + 1e-9)
    h.minimize(money)
    assert h.getModelStatus() == highspy.HighsModelStatus.kOptimal
    return Optimum(h.val(short), h.getObjectiveValue())


def cheapest_by_enumeration(case: Case) -> Optimum:
    """Try every choice of ticks, for the need and for the want."""
    found = []
    for target_kwh in (case.need_kwh, case.want_kwh):
        rungs = _rungs(target_kwh, case.tick_kwh)
        for choice in product((False, True), repeat=len(case.rates)):
            if sum(choice) <= rungs and _allowed(case, choice, rungs):
                found += [_price(case, choice, target_kwh)]
    return _better(found)


def _allowed(case: Case, choice: tuple[bool, ...], rungs: int) -> bool:
    """Judge each run and rest by its length, including what came before the first tick."""
    passed = min(case.ticks_before, 60)
    stretches = [(on, len(list(same))) for on, same in groupby((case.on_before,) * passed + choice)]
    for position, (on, length) in enumerate(stretches[:-1]):
        need_not_outlast = rungs + (passed if position == 0 else 0)
        if length < (min(case.min_run, need_not_outlast) if on else case.min_rest):
            return False
    return True


def _price(case: Case, choice: tuple[bool, ...], target_kwh: float) -> Optimum:
    bought = money = 0.0
    before = case.on_before
    for rate, on in zip(case.rates, choice, strict=True):
        if on:
            kwh = min(case.tick_kwh, target_kwh - bought)
            bought += kwh
            money += rate * kwh + (0.0 if before else case.start_cost)
        before = on
    money -= case.max_rate * max(0.0, bought - case.need_kwh)
    return Optimum(max(0.0, case.need_kwh - bought), money)
