"""Make a plan from a household, its prices and a state of charge."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from itertools import pairwise, takewhile
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.bounds.rounded import gap_of
from planners.capacity.several_nights import keep_to_best
from planners.capacity.tonight import NightTicks
from planners.local_time.departures import assumed_plugged_in
from planners.plan.alternatives import CarriedOut, alternatives_to
from planners.plan.baselines import at_once, timer
from planners.plan.horizon import (
    Horizon,
    Situation,
    horizon_of,
    kwh_at_any_price,
    slots_between,
    without_margin,
)
from planners.plan.later_nights import later_nights
from planners.plan.periods import (
    PARTS_OF_AN_AMPERE,
    ChargingSlot,
    charging_slot,
    charging_slots,
    cut_where_dearest,
    periods_of,
)
from planners.plan.plan import Plan
from planners.plan.several_nights import bought_ahead, met_before, prepared_for_later
from planners.plan.shortfall import LONGEST, shortfall_of
from planners.plan.why import CarbonShift, why, why_at_once
from planners.plan.window import HOUR
from planners.power.cautions import cautions
from planners.power.charging import climb
from planners.power.circuits import has_power
from planners.solver.exact import solve
from planners.solver.problem import NEED_TOLERANCE_KWH, Floor
from planners.solver.solution import objective
from planners.solver.worth import worth_at, worth_pieces
from planners.surplus.one_phase import between_the_ranges, most_amps_on_one, switches_well

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from config.household.household_file import Hours, HouseholdFile
    from planners.plan.plan import Period
    from planners.plan.window import Slot, Window
    from planners.power.charging import Ladder
    from planners.rates.prices import Prices
    from planners.solver.problem import PlanningProblem
    from planners.solver.solution import Solution
    from planners.surplus.one_phase import PhasesPlanned


LEAST_TWO = 2
"""Periods of a plan that has a later one to compare the first with."""

CERTAIN_PERCENT = 100
"""With so much trust in what is expected of the roofs, a need may wait for the sun."""

MOST_TRIES = 3
"""How often a plan is solved again without powers that no phases can carry; what is left of them is
rounded up."""

SECONDS_ROUNDED = timedelta(seconds=2)
"""By how much the ends of a plan may be off, as it keeps to whole seconds."""

SAME_RATE = 1e-9
"""Rates and costs that differ by less are the same."""


class _Night(NamedTuple):
    """The charging before the first departure."""

    charging: list[ChargingSlot]
    bought: Ladder
    periods: tuple[Period, ...]
    reaches_kwh: float


class _Solved(NamedTuple):
    """A horizon with its solution, carried out up to the first departure.

    `finer` has that night alone in finer ticks, if it is carried out by them.
    """

    horizon: Horizon
    solution: Solution
    night: _Night
    finer: tuple[Horizon, Solution] | None = None


class Draft(NamedTuple):
    """A plan without its reasons yet, with its horizon and solution.

    `cheapest` is the solution's plan if a person asked for another one; `finer` is as in `_Solved`;
    `money` is what all nights cost, less what they buy beyond the needs is worth [currency].
    """

    plan: Plan
    horizon: Horizon
    solution: Solution
    cheapest: Plan | None = None
    finer: tuple[Horizon, Solution] | None = None
    money: float = 0.0


def make_plan(file: HouseholdFile, prices: Prices, situation: Situation) -> Plan:
    """Make a plan as `draft_plan` does, with its reasons."""
    return explained(draft_plan(file, prices, situation))


def explained(draft: Draft) -> Plan:
    """Add the reasons to a plan; this solves other choices for comparison.

    Parameters
    ----------
    draft : Draft
        From `draft_plan`.

    Returns
    -------
    Plan
        The same plan with its reasons.
    """
    plan, horizon, solution, cheapest, finer, _ = draft
    if cheapest is not None:
        return replace(plan, why=why_at_once(plan, cheapest, horizon.file))
    departure = horizon.situation.departure
    window = horizon.window.until(departure.ready_by)
    other = alternatives_to(horizon, solution, _carried_out)
    if finer is not None and other is not None:
        alone = alternatives_to(*finer, _carried_out) or other
        other = replace(alone, more_kwh=other.more_kwh, saves=other.saves)
    hours = _hours_that_limit(horizon, window)
    plan = replace(plan, gap=_gap(draft))
    is_cut = any(not has_power(horizon.file, plan.charge_point, s.start) for s in window.slots)
    reasons = why(
        plan, window, horizon.file, departure, other,
        hours=hours, prepares_for=horizon.prepares_for, given_up=horizon.given_up,
        for_later=horizon.for_later, kept=horizon.kept, is_cut=is_cut,
        carbon=_carbon_shift(draft), met_by=horizon.met_by,
    )  # fmt: skip
    return replace(plan, why=reasons)


def _gap(draft: Draft) -> float | None:
    """Bound by how much a plan of several nights could be better, where it may be."""
    is_alone = draft.horizon.kept is None and not draft.horizon.situation.is_joint
    if not draft.plan.later or not is_alone:
        return None
    return gap_of(draft.horizon.problem, draft.solution) or None


def _carbon_shift(draft: Draft) -> CarbonShift | None:
    """Compare a plan that counts carbon with the one that would be made without, by solving it."""
    plan, horizon, carbon = draft.plan, draft.horizon, draft.horizon.prices.carbon
    if carbon is None or not carbon.has_price or not plan.periods:
        return None
    free = horizon.prices.with_carbon(carbon.as_free())
    cheapest = draft_plan(horizon.file, free, horizon.situation).plan
    return CarbonShift(
        moved=_charged(plan.periods) != _charged(cheapest.periods),
        moved_later=[_charged(night.periods) for night in plan.later]
        != [_charged(night.periods) for night in cheapest.later],
        more_money=plan.cost - cheapest.cost,
        less_kg=cheapest.carbon_kg - plan.carbon_kg,
        less_kwh=cheapest.energy_kwh - plan.energy_kwh,
    )


def _charged(periods: Sequence[Period]) -> list[tuple[datetime, datetime, float]]:
    """Join periods of one current, whatever they cost or cause."""
    runs: list[tuple[datetime, datetime, float]] = []
    for period in periods:
        is_same = bool(runs) and runs[-1][1:] == (period.start, period.amps)
        start = runs.pop()[0] if is_same else period.start
        runs.append((start, period.end, period.amps))
    return runs


def _hours_that_limit(horizon: Horizon, window: Window) -> Hours | None:
    """Return the plugged-in hours, if some of the time before the departure is outside them."""
    point, zone = horizon.point, horizon.file.zone
    if point.plugged_in is None or not horizon.situation.by_hours:
        return None
    inside = all(assumed_plugged_in(point, slot.start, zone) for slot in window.slots)
    return None if inside else point.plugged_in


def draft_plan(file: HouseholdFile, prices: Prices, situation: Situation) -> Draft:
    """Plan the cheapest charging of one vehicle up to a departure.

    Later departures in the situation are planned together with it.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situation : Situation
        The instant, the state of charge, the departures, and what the charge point is doing.

    Returns
    -------
    Draft
        The cheapest periods in the time that `planners.plan.horizon.horizon_of` describes, and the
        costs of the baselines. A need that can't be met is met as nearly as possible, and
        `Plan.shortfall` says how much is missing.

    Raises
    ------
    TariffError
        If no rate is known before the last departure.
    """  # noqa: DOC502 - raised by prices
    prices = prices.at(file.vehicles[situation.departure.vehicle].charge_point)
    return _on_fewer_phases(_with_run(file, prices, situation), prices)


def _on_fewer_phases(draft: Draft, prices: Prices) -> Draft:
    """Charge on one phase, or on one and on all by turns, where that costs less beside a roof."""
    file, situation = draft.horizon.file, draft.horizon.situation
    has_choice = not (situation.is_joint or situation.allotted or situation.keeps_all_phases)
    if draft.horizon.problem.surplus_kw is None or not has_choice or situation.excess is not None:
        return draft
    if most_amps_on_one(file, situation.departure.vehicle) is None:
        return draft
    best = draft
    # Caps of a capacity charge are chosen for one range of power, not for two.
    has_caps = any(each.capacity_charge for each in prices.tariffs)
    choices: tuple[PhasesPlanned, ...] = ("one",) if has_caps else ("either", "one")
    for phases in choices:
        other = _with_run(file, prices, replace(situation, phases_planned=phases))
        if _serves_better(other, best) and switches_well(
            _stretches(other.plan), draft.horizon.point
        ):
            best = other
    if best is draft:
        return draft
    plan, whole = best.plan, draft.plan
    return best._replace(plan=replace(plan, at_once=whole.at_once, timer=whole.timer))


def _serves_better(one: Draft, other: Draft) -> bool:
    """Whether a plan meets the needs as well as another, and costs less by all its nights."""
    if _misses_more(one, other):
        return False
    costs = [
        objective(each.horizon.problem, each.solution)
        + each.horizon.problem.start_cost * _changes_of_phases(each.plan)
        for each in (one, other)
    ]
    return costs[0] < costs[1] - SAME_RATE


def _misses_more(one: Draft | _Solved, other: Draft | _Solved) -> bool:
    """Whether a plan comes less near to some need than another."""
    deadlines = one.horizon.problem.deadlines
    reached = zip(one.solution.reaches_kwh, other.solution.reaches_kwh, strict=True)
    return any(
        min(each.need_kwh, kwh) < min(each.need_kwh, nearer) - NEED_TOLERANCE_KWH
        for each, (kwh, nearer) in zip(deadlines, reached, strict=True)
    )


def _stretches(plan: Plan) -> list[tuple[datetime, datetime, bool]]:
    """List when a plan charges without a pause on the same phases."""
    found: list[tuple[datetime, datetime, bool]] = []
    nights = (plan.periods, *(night.periods for night in plan.later))
    for period in (each for night in nights for each in night):
        on_one = period.one_phase_amps is not None
        begins = period.start
        if found and found[-1][1:] == (begins, on_one):
            begins = found.pop()[0]
        found.append((begins, period.end, on_one))
    return found


def _changes_of_phases(plan: Plan) -> int:
    """Count the starts that only change the phases."""
    pairs = pairwise(_stretches(plan))
    return sum(before[1] == after[0] for before, after in pairs)


def _with_run(file: HouseholdFile, prices: Prices, situation: Situation) -> Draft:
    """Plan as `draft_plan` does, on the phases that the situation names."""
    draft = _draft(file, prices, situation)
    is_empty = not draft.plan.periods
    if not situation.on or not (is_empty or _stays_on_for_nothing(draft) or _begins_dear(draft)):
        return draft
    # A run that is not worth its shortest time is stopped at once; another one may follow, as soon
    # as if it had lasted that.
    shortest = timedelta(minutes=draft.horizon.point.min_run_minutes)
    rests_from = situation.now + max(timedelta(), shortest - situation.lasted)
    stopped = _draft(file, prices, replace(situation, on=False, since=rests_from))
    is_better = not _misses_more(stopped, draft) and stopped.money < draft.money - _rounding(draft)
    # Without caps it is not known what a capacity charge comes to.
    is_better = is_better and (stopped.horizon.kept is None) == (draft.horizon.kept is None)
    return stopped if is_empty or is_better else draft


def _stays_on_for_nothing(draft: Draft) -> bool:
    """Whether a run that is too short to stop goes on at a rate that nothing is wanted at."""
    horizon, first = draft.horizon, draft.plan.periods[0]
    problem, max_rate = horizon.problem, horizon.situation.departure.max_rate
    lasted = horizon.situation.lasted >= timedelta(minutes=horizon.point.min_run_minutes)
    is_needed = problem.stored_kwh < problem.deadlines[0].need_kwh - NEED_TOLERANCE_KWH
    if lasted or is_needed or max_rate is None or first.start > horizon.situation.now:
        return False
    # At another rate it goes on: else a plan's own runs would be stopped too early for what they
    # must buy after what they were begun for.
    return first.price > first.kwh * (float(max_rate) + SAME_RATE)


def _rounding(draft: Draft) -> float:
    """Return what whole seconds and tenths of an ampere may cost: no run is stopped for less."""
    horizon = draft.horizon
    kwh = horizon.model.full_kw * SECONDS_ROUNDED / HOUR
    if horizon.problem.min_amps is not None:
        kwh += horizon.model.kw_per_amp / PARTS_OF_AN_AMPERE * horizon.problem.tick_hours
    return kwh * horizon.problem.dearest


def at_once_instead(draft: Draft, prices: Prices) -> Draft:
    """Plan to charge at once instead, to all that is wanted, whatever it costs.

    Parameters
    ----------
    draft : Draft
        The cheapest plan from the same instant.
    prices : Prices
        The household's rates.

    Returns
    -------
    Draft
        With the highest currents that the rest of the home leaves, until the departure itself. It
        plans no later night.

    Raises
    ------
    TariffError
        If no rate is known before the departure.
    """  # noqa: DOC502 - raised by prices
    horizon, cheapest = draft.horizon, draft.plan
    prices = prices.at(horizon.charge_point)
    situation, model = horizon.situation, horizon.model
    slots = slots_between(prices, horizon, situation.now, cheapest.departure)
    charging = [ChargingSlot(slot, slot.amps) for slot in slots if slot.amps > 0]
    bought = climb(
        model,
        horizon.problem.stored_kwh,
        max(horizon.problem.stored_kwh, model.stored_kwh(cheapest.want_percent)),
        (each.slot.hours for each in charging),
        (each.amps for each in charging),
    )
    periods = periods_of(charging, bought)
    reached = horizon.problem.stored_kwh + float(bought.gained_kwh.sum())
    plan = replace(
        cheapest,
        reaches_percent=model.soc_percent(reached),
        energy_kwh=float(bought.metered_kwh.sum()),
        cost=sum((period.cost for period in periods), 0.0),
        starts=_starts(periods, situation),
        shortfall=shortfall_of(
            model,
            slots,
            lambda: horizon.amps_allowed(situation.now, situation.now + LONGEST),
            horizon.amps_possible,
            from_kwh=horizon.problem.stored_kwh,
            reaches_kwh=reached,
            need_kwh=model.stored_kwh(cheapest.need_percent),
        ),
        periods=periods,
        later=(),
    )
    return draft._replace(plan=plan, cheapest=cheapest)


def _begins_dear(draft: Draft) -> bool:
    """Whether a run goes on, at a higher rate than any later one, though it may stop."""
    horizon, periods = draft.horizon, draft.plan.periods
    shortest = timedelta(minutes=horizon.point.min_run_minutes)
    if not horizon.situation.on or horizon.situation.lasted < shortest or len(periods) < LEAST_TWO:
        return False
    fragment = horizon.window.fragment
    if fragment is None or periods[0].start != fragment.start:
        return False
    dearest = max(period.price / period.kwh for period in periods[1:])
    kw = periods[0].amps * horizon.model.kw_per_amp
    return fragment.price_at(kw) > dearest + SAME_RATE


def _draft(file: HouseholdFile, prices: Prices, situation: Situation) -> Draft:
    solved = _solved(horizon_of(file, prices, situation), prices)
    if _is_missed(solved):
        solved = _solved(without_margin(file, prices, situation), prices)
    elif (missed := _missed_while_it_stays(solved)) is not None:
        whole = _solved(replace(without_margin(file, prices, situation), for_later=True), prices)
        gained = whole.solution.reaches_kwh[missed] - solved.solution.reaches_kwh[missed]
        solved = whole if gained > NEED_TOLERANCE_KWH else solved
    horizon, solution, night, _ = solved
    departure, model = horizon.situation.departure, horizon.model
    stored = horizon.problem.stored_kwh
    want_kwh = max(stored, model.stored_kwh(departure.want_percent))
    window = horizon.window.until(departure.ready_by)
    # No rule can charge while the charge point rests either.
    ticks = window.ticks[horizon.problem.rest_left :]
    rested = replace(window, fragment=_open_fragment(horizon), ticks=ticks)
    shortfall = shortfall_of(
        model,
        [*_allowed(horizon, window.ticks), *horizon.tail],
        lambda: horizon.amps_allowed(horizon.situation.now, horizon.situation.now + LONGEST),
        horizon.amps_possible,
        from_kwh=stored,
        reaches_kwh=night.reaches_kwh,
        need_kwh=model.stored_kwh(departure.need_percent),
    )
    plan = Plan(
        charge_point=horizon.charge_point,
        vehicle=departure.vehicle,
        currency=file.household.currency,
        tariff=prices.rate_at(horizon.situation.now).tariff,
        made_at=situation.now,
        departure=departure.instant,
        soc_percent=situation.soc_percent,
        need_percent=departure.need_percent,
        want_percent=departure.want_percent,
        reaches_percent=model.soc_percent(night.reaches_kwh),
        energy_kwh=float(night.bought.metered_kwh.sum()),
        cost=sum((period.cost for period in night.periods), 0.0),
        starts=_starts(night.periods, horizon.situation),
        shortfall=shortfall,
        periods=night.periods,
        at_once=at_once(rested, model, stored, want_kwh),
        timer=timer(rested, model, stored, want_kwh),
        later=later_nights(horizon, solution, night.reaches_kwh),
        cautions=(*_of_carbon(prices), *cautions(file, horizon.charge_point)),
        carbon_kind=_carbon_kind(prices),
        event=departure.event,
    )
    money = _money_of_all(solved)
    return Draft(plan, horizon, solution, finer=solved.finer, money=money)


def _of_carbon(prices: Prices) -> tuple[str, ...]:
    """Warn that carbon has a price, and nothing of it is known."""
    carbon = prices.carbon
    if carbon is None or carbon.is_known or not carbon.carbon.price_per_tonne:
        return ()
    return ("No carbon intensity of the grid is known: the plan counts no carbon.",)


def _carbon_kind(prices: Prices) -> str | None:
    carbon = prices.carbon
    return carbon.carbon.kind if carbon is not None and carbon.has_price else None


def _solved(horizon: Horizon, prices: Prices) -> _Solved:
    horizon, solution = _within_capacity(*_cheapest(horizon), prices)
    solved = _Solved(horizon, solution, _first_night(horizon, solution))
    if _cuts_a_shortest_run(horizon, solution):
        # In minutes that run is not cut, but a cheaper one: then one that lasts may cost less, or
        # longer runs, any of which may be cut.
        problem = horizon.problem
        lasting = replace(problem, least_part=_least_part(horizon))
        longer = replace(problem, min_run=problem.min_run + 1)
        for each in (lasting, longer):
            other, found = _cheapest(replace(horizon, problem=each))
            night = _first_night(other, found)
            kept = replace(other.problem, min_run=problem.min_run)
            trial = _Solved(replace(other, problem=kept), found, night)
            is_cheaper = _money_of_all(trial) < _money_of_all(solved) - SAME_RATE
            solved = trial if is_cheaper and not _misses_more(trial, solved) else solved
    return _to_the_minute(solved, prices)


def _cuts_a_shortest_run(horizon: Horizon, solution: Solution) -> bool:
    """Whether the last run before the next departure is too short in minutes, and not in ticks."""
    if horizon.kept is not None or horizon.situation.is_joint or not horizon.point.min_run_minutes:
        return False
    share = solution.share[: horizon.problem.deadlines[0].end]
    on = np.flatnonzero(share)
    if not len(on) or share[on[-1]] == 1:
        return False
    off = np.flatnonzero(share[: on[-1]] == 0)
    first = int(off[-1]) + 1 if len(off) else 0
    minutes = horizon.window.tick_minutes * float(share[first : on[-1] + 1].sum())
    return minutes < horizon.point.min_run_minutes and (first > 0 or not horizon.situation.on)


def _least_part(horizon: Horizon) -> float:
    """Return the part of the last tick with which the shortest run of ticks lasts its minutes."""
    minutes = horizon.window.tick_minutes
    return horizon.point.min_run_minutes / minutes - (horizon.problem.min_run - 1)


def _to_the_minute(solved: _Solved, prices: Prices) -> _Solved:
    """Carry out the first night in finer ticks, if those of several nights end before it does."""
    horizon, _solution, night, _ = solved
    situation, reaches = horizon.situation, night.reaches_kwh
    departure = situation.departure
    # At constant power `charging_slots` uses the minutes after the last tick already.
    ends_between = horizon.rest_before(0) is not None and bool(horizon.model.taper)
    is_short = reaches < horizon.problem.deadlines[0].need_kwh - NEED_TOLERANCE_KWH
    if not (situation.later and ends_between) or is_short or horizon.kept is not None:
        return solved
    percent = horizon.model.soc_percent(reaches)
    same = replace(departure, need_percent=percent, want_percent=percent, max_rate=None)
    alone = horizon_of(horizon.file, prices, replace(situation, departure=same, later=()))
    solution = solve(alone.problem)
    finer = _first_night(alone, solution)
    if finer.reaches_kwh < reaches - NEED_TOLERANCE_KWH or _money(finer, alone) >= _money(
        night, alone
    ):
        return solved
    alone = replace(alone, situation=replace(alone.situation, departure=departure))
    return solved._replace(night=finer, finer=(alone, solution))


def _money(night: _Night, horizon: Horizon) -> float:
    """Return what a night counts, starts and carbon included [currency]."""
    starts = _starts(night.periods, horizon.situation)
    energy = sum(period.price for period in night.periods)
    return energy + float(horizon.point.start_cost) * starts + SAME_RATE * starts


def _money_of_all(solved: _Solved) -> float:
    """Price all nights, the first to the minute, less what they buy beyond the needs is worth."""
    problem, solution = solved.horizon.problem, solved.solution
    first = slice(problem.deadlines[0].end)
    on, rates = solution.on[first], problem.rates_per_kwh[first]
    starts = int((on & ~np.concatenate(([problem.before.on], on))[: len(on)]).sum())
    in_ticks = rates @ solution.metered_kwh[first] + problem.start_cost * starts
    if problem.export_rates_per_kwh is not None:
        in_ticks += (problem.export_rates_per_kwh[first] - rates) @ solution.roof_kwh[first]
    reached = np.array([solution.reaches_kwh[0], solved.night.reaches_kwh])
    worth = worth_at(problem.model, worth_pieces(problem.deadlines), reached)
    in_minutes = _money(solved.night, solved.horizon) - float(worth[1] - worth[0])
    if solved.horizon.kept is not None:
        in_minutes += solved.horizon.kept.best.charge
    return objective(problem, solution) - float(in_ticks) + in_minutes


def _within_capacity(
    horizon: Horizon, solution: Solution, prices: Prices
) -> tuple[Horizon, Solution]:
    """Keep the next departure's plan to the power that a capacity charge makes worth its while."""
    if horizon.situation.is_joint:
        return horizon, solution
    if not horizon.window.ticks or not any(each.capacity_charge for each in prices.tariffs):
        return horizon, solution
    night = NightTicks(
        file=horizon.file,
        vehicle=horizon.situation.departure.vehicle,
        tariff_on=prices.tariff_on,
        now=horizon.situation.now,
        begins=horizon.window.ticks[0].start,
        tick_minutes=horizon.window.tick_minutes,
        problem=horizon.problem,
        peaks=horizon.situation.peaks,
        sun=prices.sun,
    )
    problem, solution, kept = keep_to_best(night, solution)
    return replace(horizon, problem=problem, kept=kept), solution


def _cheapest(horizon: Horizon) -> tuple[Horizon, Solution]:
    """Solve a horizon; powers that neither one phase nor all can carry are left out."""
    solved, solution = _cheapest_by_ranges(horizon)
    if horizon.situation.phases_planned != "either":
        return solved, solution
    most, phases = horizon.most_amps_on_one or 0.0, horizon.model.phases
    for _ in range(MOST_TRIES):
        highest = horizon.problem.highest_amps
        between = between_the_ranges(solution.amps, highest, most, phases, horizon.point.min_amps)
        if not between.any():
            break
        highest = np.where(between, np.minimum(highest, most) / phases, highest)
        horizon = replace(horizon, problem=replace(horizon.problem, highest_amps=highest))
        solved, solution = _cheapest_by_ranges(horizon)
    return solved, solution


def _cheapest_by_ranges(horizon: Horizon) -> tuple[Horizon, Solution]:
    generation = horizon.file.generation
    if generation is not None and generation.trust_percent < CERTAIN_PERCENT:
        horizon = replace(horizon, problem=not_by_sun_alone(horizon.problem))
    solution = solve(horizon.problem)
    prepared = prepared_for_later(horizon, solution)
    if prepared is not horizon:
        horizon, solution = prepared, solve(prepared.problem)
    problem, solution = met_before(horizon.problem, solution)
    return bought_ahead(replace(horizon, problem=problem), solution)


def not_by_sun_alone(problem: PlanningProblem) -> PlanningProblem:
    """Let the next need be met by the end of the last hours in which the grid would meet it.

    What is left to the sun after those could only be bought in dearer hours if it fails.

    Parameters
    ----------
    problem : PlanningProblem
        With or without a surplus.

    Returns
    -------
    PlanningProblem
        With a floor, if there is any sun after those hours.
    """
    deadline, surplus_kw = problem.deadlines[0], problem.surplus_kw
    is_met = problem.stored_kwh >= deadline.need_kwh - NEED_TOLERANCE_KWH
    if surplus_kw is None or is_met or not surplus_kw[: deadline.end].any():
        return problem
    alone = replace(deadline, want_kwh=deadline.need_kwh, trip_kwh=0.0)
    by_grid = problem.during(
        0,
        deadline.end,
        deadlines=(alone,),
        prefer_late=True,
        surplus_kw=None,
        export_rates_per_kwh=None,
    )
    solution = solve(by_grid)
    last = int(np.flatnonzero(solution.on).max(initial=-1)) + 1
    if last in {0, deadline.end} or not surplus_kw[last : deadline.end].any():
        return problem
    return replace(problem, floor=Floor(last, min(deadline.need_kwh, solution.reaches_kwh[0])))


def _is_missed(solved: _Solved) -> bool:
    """Whether the first departure's need is out of reach, or what a person asked for."""
    departure, model = solved.horizon.situation.departure, solved.horizon.model
    asked = departure.wish is not None
    need = kwh_at_any_price(model, departure) if asked else model.stored_kwh(departure.need_percent)
    return solved.night.reaches_kwh < need - NEED_TOLERANCE_KWH


def _missed_while_it_stays(solved: _Solved) -> int | None:
    """Return the first later departure whose need is missed, if the vehicle stays before it."""
    horizon, reaches = solved.horizon, solved.solution.reaches_kwh
    departures, stored_kwh = horizon.situation.departures, horizon.model.stored_kwh
    if departures[0].returns is not None or departures[0].ready_by == departures[0].instant:
        return None
    return next(
        (
            k
            for k in range(1, len(departures))
            if reaches[k] < stored_kwh(departures[k].need_percent) - NEED_TOLERANCE_KWH
        ),
        None,
    )


def _first_night(horizon: Horizon, solution: Solution) -> _Night:
    """Carry out the solution up to the first departure, fragment included."""
    model, problem = horizon.model, horizon.problem
    reaches = solution.reaches_kwh[0]
    charging = charging_slots(horizon, solution, 0)
    fragment = _open_fragment(horizon)
    is_short = reaches < problem.deadlines[0].need_kwh - NEED_TOLERANCE_KWH
    if horizon.kept is not None and not horizon.situation.on and not is_short:
        fragment = None  # its energy would come on top of what its interval may have
    is_wanted = fragment is not None and _is_wanted(fragment, horizon, solution)
    begun = (
        _fragment_charge(fragment, charging, horizon, is_short=is_short, is_wanted=is_wanted)
        if fragment
        else None
    )
    if begun is not None:
        charging = [begun, *charging]
    if is_short:
        # The solver stays a hair below the most that is possible; nothing may be lost by that.
        charging = [charging_slot(horizon, each.slot, each.slot.amps) for each in charging]
        charging += _tail_charge(horizon, charging)
    target = _target_kwh(horizon, reaches, begun if is_wanted else None)
    if not is_short:
        charging, target = cut_where_dearest(charging, horizon, 0, problem.stored_kwh, target)
    bought = climb(
        model,
        problem.stored_kwh,
        target,
        (each.slot.hours for each in charging),
        (each.amps for each in charging),
    )
    reached = problem.stored_kwh + float(bought.gained_kwh.sum())
    return _Night(charging, bought, periods_of(charging, bought), reached)


def _carried_out(horizon: Horizon, solution: Solution) -> CarriedOut:
    night = _first_night(horizon, solution)
    cost = sum((period.cost for period in night.periods), 0.0)
    return CarriedOut(cost, float(night.bought.metered_kwh.sum()), night.reaches_kwh)


def _allowed(horizon: Horizon, ticks: Sequence[Slot]) -> list[Slot]:
    """List the slots in which charging may begin or continue."""
    fragment = _open_fragment(horizon)
    rested = list(ticks[horizon.problem.rest_left :])
    return rested if fragment is None else [fragment, *rested]


def _open_fragment(horizon: Horizon) -> Slot | None:
    """Return the fragment before the first tick, unless a rest must continue in it."""
    rest = timedelta(minutes=horizon.point.rest_minutes)
    rested = horizon.situation.lasted >= rest and not horizon.problem.rest_left
    return horizon.window.fragment if horizon.situation.on or rested else None


def _fragment_charge(
    fragment: Slot,
    charging: list[ChargingSlot],
    horizon: Horizon,
    *,
    is_short: bool,
    is_wanted: bool,
) -> ChargingSlot | None:
    """Charge in the fragment too, if people expect charging there."""
    # They expect charging that may begin to begin at once, and a run in progress to continue.
    begins = bool(charging) and charging[0].slot is horizon.window.ticks[0]
    lowest = horizon.problem.min_amps or horizon.model.amps
    amps = min(fragment.amps, charging[0].amps if begins else horizon.model.amps)
    if amps < lowest:
        return None
    if horizon.situation.on:
        shortest = timedelta(minutes=horizon.point.min_run_minutes)
        is_used = begins or is_wanted
        if not is_used and horizon.situation.lasted < shortest:
            amps, is_used = lowest, True  # it must stay on, and nothing more
    else:
        kw_per_amp = horizon.model.kw_per_amp
        dearest = max(
            (each.slot.price_at(each.amps * kw_per_amp) for each in charging), default=None
        )
        rate = fragment.price_at(amps * kw_per_amp)
        is_used = begins and (is_short or (dearest is not None and rate <= dearest))
    return charging_slot(horizon, fragment, amps) if is_used else None


def _is_wanted(fragment: Slot, horizon: Horizon, solution: Solution) -> bool:
    """Whether a kWh in the fragment is worth its price, for what is wanted and still missing."""
    departure, model = horizon.situation.departure, horizon.model
    if horizon.problem.stored_kwh >= model.stored_kwh(departure.want_percent):
        return False
    rate = fragment.price_at(fragment.amps * model.kw_per_amp)
    if departure.max_rate is None or rate > float(departure.max_rate):
        return False
    if len(horizon.problem.deadlines) == 1:
        return True
    # With later nights, what is wanted may cost less there.
    used = horizon.problem.least_rates_per_kwh[solution.on]
    return bool(used.size) and rate <= float(used.max()) + SAME_RATE


def _tail_charge(horizon: Horizon, charging: Sequence[ChargingSlot]) -> list[ChargingSlot]:
    """Go on from the last tick, or from a run in progress, until the departure."""
    begins = horizon.tail[0].start if horizon.tail else None
    goes_on = charging[-1].slot.end() == begins if charging else horizon.situation.on
    if begins is None or not goes_on:
        return []
    lowest = horizon.problem.min_amps or horizon.model.amps
    usable = takewhile(lambda slot: slot.amps >= lowest, horizon.tail)
    return [charging_slot(horizon, slot, slot.amps) for slot in usable]


def _target_kwh(horizon: Horizon, by_ticks_kwh: float, begun: ChargingSlot | None) -> float:
    """Return the battery energy to charge to [kWh], with the fragment if what it adds is wanted."""
    model, departure, target = horizon.model, horizon.situation.departure, by_ticks_kwh
    if begun is not None:
        more = model.gained_kw(model.metered_kw(by_ticks_kwh, begun.amps)) * begun.slot.hours
        target = min(target + more, max(target, model.stored_kwh(departure.want_percent)))
    return max(target, horizon.problem.deadlines[0].need_kwh)


def _starts(periods: Sequence[Period], situation: Situation) -> int:
    """Count the starts; continuing a run in progress is none, and a change of phases is one."""
    ends = {period.end for period in periods} | ({situation.now} if situation.on else set())
    changes = sum(
        before.end == after.start
        and (before.one_phase_amps is None) != (after.one_phase_amps is None)
        for before, after in pairwise(periods)
    )
    return sum(period.start not in ends for period in periods) + changes
