"""Try every choice of ticks of a tiny problem with several departures.

Shares no formula with the mixed-integer model. With the ticks chosen, only the last share of each
segment is free, and the objective is linear between the points where the battery meets the need,
the want or nothing, at this departure or, trips and whole ticks allowed for, at a later one.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby, product

from planners.solver.problem import PlanningProblem
from tests.planners.solver.statement import ends_short, energy_cost, worth

NEAR = 1e-9

Gains = list[tuple[int, float, float]]
"""Tick, metered and gained energy [kWh] of each chosen tick of a segment, in order."""


@dataclass(frozen=True)
class Priced:
    short_kwh: tuple[float, ...]
    money: float


@dataclass(frozen=True)
class Choice:
    """A choice of ticks; only the last share of each segment is still free."""

    problem: PlanningProblem
    spans: list[range]
    gains: list[Gains]


def cheapest_by_enumeration(problem: PlanningProblem) -> Priced:
    """Try every choice of ticks, with every last share that could matter (on/off switching)."""
    spans, span_first = [], 0
    for deadline in problem.deadlines:
        spans.append(range(span_first, deadline.end))
        span_first = deadline.return_tick
    plans: list[Priced] = []
    may = [tick for span in spans for tick in span if problem.highest_amps[tick] > 0]
    for choice in product((False, True), repeat=len(may)):
        chosen = {tick for tick, on in zip(may, choice, strict=True) if on}
        if _rested(problem, spans, chosen) and _holds_floor(problem, chosen):
            plans += _priced(problem, spans, chosen)
    for k in range(len(spans)):
        least = min(plan.short_kwh[k] for plan in plans)
        plans = [plan for plan in plans if plan.short_kwh[k] <= least + 1e-7]
    return min(plans, key=lambda plan: plan.money)


def _holds_floor(problem: PlanningProblem, chosen: set[int]) -> bool:
    """Tell whether whole ticks hold what the battery must hold before some tick."""
    if problem.floor is None:
        return True
    model, held = problem.model, problem.stored_kwh
    for tick in chosen:
        if tick < problem.floor.tick:
            metered_kw = model.kw_per_amp * float(problem.highest_amps[tick])
            held += problem.tick_hours * model.gained_kw(metered_kw)
    return held >= problem.floor.kwh - NEAR


def _rested(problem: PlanningProblem, spans: list[range], chosen: set[int]) -> bool:
    """Tell whether every start comes after enough rest."""
    rested = 0 if problem.before.on else problem.before.ticks
    running = problem.before.on
    for k, span in enumerate(spans):
        if k:
            running, rested = False, span.start - problem.deadlines[k - 1].end
        for tick in span:
            on = tick in chosen
            if on and not running and rested < problem.min_rest:
                return False
            rested = 0 if on else rested + 1
            running = on
    return True


def _priced(problem: PlanningProblem, spans: list[range], chosen: set[int]) -> Iterator[Priced]:
    gains = [_gains(problem, [tick for tick in span if tick in chosen]) for span in spans]
    starts = sum(
        tick - 1 not in chosen or tick == span.start
        for span in spans
        for tick in span
        if tick in chosen
    ) - (problem.before.on and 0 in chosen)
    choice = Choice(problem, spans, gains)
    for short, money in _onwards(choice, 0, problem.stored_kwh):
        yield Priced(short, money + problem.start_cost * starts)


def _gains(problem: PlanningProblem, ticks: list[int]) -> Gains:
    vehicle, hours = problem.model, problem.tick_hours
    rows = []
    for tick in ticks:
        kw = vehicle.phases * vehicle.volts * float(problem.highest_amps[tick]) / 1000
        rows.append((tick, kw * hours, (vehicle.efficiency * kw - vehicle.standby_kw) * hours))
    return rows


def _onwards(choice: Choice, k: int, stored: float) -> Iterator[tuple[tuple[float, ...], float]]:
    """Return shortages and money (without start costs) of the departures from the k-th on."""
    if k == len(choice.spans):
        yield (), 0.0
        return
    deadline = choice.problem.deadlines[k]
    for share in _shares(choice, k, stored):
        full = [gain for _, _, gain in choice.gains[k]]
        reached = stored + sum(full) - (1 - share) * (full[-1] if full else 0.0)
        if reached > max(deadline.want_kwh, stored) + NEAR:
            continue
        if not _runs_long_enough(choice, k, stored, reached):
            continue
        money = _energy(choice, k, share) - _worth(choice, k, stored, share)
        on = [tick for tick, _, _ in choice.gains[k]]
        if ends_short(choice.problem, k, choice.spans[k], on, cut=share < 1):
            exact = min(abs(reached - target) for target in _targets(choice.problem, k)) <= NEAR
            is_whole = exact and on == list(range(on[0], on[-1] + 1))
            money += 0.0 if is_whole else choice.problem.short_run_cost
        home = max(0.0, reached - deadline.trip_kwh)
        for short, more in _onwards(choice, k + 1, home):
            yield (max(0.0, deadline.need_kwh - reached), *short), money + more


def _energy(choice: Choice, k: int, share: float) -> float:
    money = 0.0
    for position, (tick, metered, _) in enumerate(choice.gains[k]):
        used = share if position == len(choice.gains[k]) - 1 else 1.0
        money += energy_cost(choice.problem, tick, metered * used, used)
    return money


def _worth(choice: Choice, k: int, stored: float, share: float) -> float:
    gains = [gain for _, _, gain in choice.gains[k]]
    after = stored + sum(gains) - (1 - share) * (gains[-1] if gains else 0.0)
    return worth(choice.problem, k, stored, after)


def _shares(choice: Choice, k: int, stored: float) -> list[float]:
    """Shares of the last tick at which something changes."""
    if not choice.gains[k]:
        return [1.0]
    *whole, last = [gain for _, _, gain in choice.gains[k]]
    base = stored + sum(whole)
    shares = [(target - base) / last for target in _targets(choice.problem, k)]
    return [1.0, *(share for share in shares if 1e-4 < share < 1)]


def _targets(problem: PlanningProblem, k: int) -> list[float]:
    """List again where the last tick for departure `k` may be cut short."""
    most = problem.deadlines[k].want_kwh
    targets, used = [], 0.0
    for deadline in problem.deadlines[k:]:
        for wanted in (deadline.need_kwh, deadline.want_kwh):
            targets += [wanted + used] if wanted + used <= most else []
        used += deadline.trip_kwh
    return targets


def _runs_long_enough(choice: Choice, k: int, stored: float, reached: float) -> bool:
    problem, span = choice.problem, choice.spans[k]
    deadline = problem.deadlines[k]
    on = {tick for tick, _, _ in choice.gains[k]}
    runs = []
    position = span.start
    for is_on, same in groupby(tick in on for tick in span):
        length = len(list(same))
        if is_on:
            runs.append((position, position + length))
        position += length
    if k == 0 and problem.before.on and not on:
        blocked = not len(span) or problem.highest_amps[0] <= 0
        at_once = stored >= deadline.need_kwh - NEAR
        return blocked or at_once or problem.before.ticks >= problem.min_run
    may_go_on = k == 0 and problem.before.on and problem.highest_amps[0] > 0
    if may_go_on and 0 not in on and problem.before.ticks < problem.min_run:
        return False
    exact = min(abs(reached - target) for target in _targets(problem, k)) <= NEAR
    whole = len(runs) == 1 and exact
    return whole or all(_long_enough(problem, span, run) for run in runs)


def _long_enough(problem: PlanningProblem, span: range, run: tuple[int, int]) -> bool:
    first, end = run
    went_on = first == 0 and problem.before.on
    length = end - first + (problem.before.ticks if went_on else 0)
    stopped = went_on and end < span.stop and problem.highest_amps[end] <= 0
    return length >= problem.min_run or end == span.stop or stopped
