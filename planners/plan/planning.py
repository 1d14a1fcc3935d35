"""From a household, its prices and a state of charge to a plan: the main job, in one function."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from typing import TYPE_CHECKING, NamedTuple

from planners.plan.alternatives import alternatives_to
from planners.plan.baselines import at_once, timer
from planners.plan.horizon import Horizon, Situation, horizon, kwh_at_any_price
from planners.plan.later_nights import later_nights
from planners.plan.periods import Draw, draws, periods_of
from planners.plan.plan import Plan
from planners.plan.shortfall import LONGEST, shortfall_of
from planners.plan.why import why
from planners.power.cautions import cautions
from planners.power.charging import climb
from planners.solver.exact import solve
from planners.solver.problem import NEED_TOLERANCE_KWH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from config.household.household_file import HouseholdFile
    from planners.plan.plan import Period
    from planners.plan.window import Slot
    from planners.power.charging import Ladder
    from planners.rates.prices import Prices
    from planners.solver.solution import Solution


class _Night(NamedTuple):
    """The time before the first departure, as it will be charged."""

    drawn: list[Draw]
    bought: Ladder
    periods: tuple[Period, ...]
    reaches_kwh: float


class Draft(NamedTuple):
    """A plan that does not say why yet, and what it was made from."""

    plan: Plan
    ahead: Horizon
    solution: Solution


def make_plan(file: HouseholdFile, prices: Prices, situation: Situation) -> Plan:
    """Plan as `draft_plan` does, and say why."""
    return explained(draft_plan(file, prices, situation))


def explained(draft: Draft) -> Plan:
    """Let a plan say why, which takes asking the solver what other choices would have cost.

    Parameters
    ----------
    draft : Draft
        Of `draft_plan`.

    Returns
    -------
    Plan
        The same with its sentences.
    """
    plan, ahead, solution = draft
    departure = ahead.situation.departure
    window = ahead.window.until(departure.ready_by)
    other = alternatives_to(ahead, solution)
    return replace(plan, why=why(plan, window, ahead.file.zone, departure.max_rate, other))


def draft_plan(file: HouseholdFile, prices: Prices, situation: Situation) -> Draft:
    """Plan the cheapest charging of one vehicle up to a departure, with those after it in mind.

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
        See `planners.plan.horizon.horizon` for the time that is planned. The cheapest periods, and
        what the baselines would cost. A need that can't be met is met as nearly as can be, and
        `Plan.shortfall` says by how much not.

    Raises
    ------
    TariffError
        Where no rate is known before the last departure.
    """  # noqa: DOC502 - raised by prices
    ahead = horizon(file, prices, situation)
    departure, model = ahead.situation.departure, ahead.model
    solution = solve(ahead.problem)
    night = _first_night(ahead, solution)
    stored = ahead.problem.stored_kwh
    want_kwh = max(stored, model.stored_kwh(departure.want_percent))
    window = ahead.window.until(departure.ready_by)
    shortfall = shortfall_of(
        model,
        _allowed(ahead, window.ticks),
        ahead.amps_allowed(ahead.situation.now, ahead.situation.now + LONGEST),
        from_kwh=stored,
        reaches_kwh=night.reaches_kwh,
        need_kwh=model.stored_kwh(departure.need_percent),
    )
    plan = Plan(
        charge_point=ahead.charge_point,
        vehicle=departure.vehicle,
        currency=file.household.currency,
        tariff=prices.rate_at(ahead.situation.now).tariff,
        made_at=situation.now,
        departure=departure.instant,
        soc_percent=situation.soc_percent,
        need_percent=departure.need_percent,
        want_percent=departure.want_percent,
        reaches_percent=model.soc_percent(night.reaches_kwh),
        energy_kwh=float(night.bought.metered_kwh.sum()),
        cost=sum((period.cost for period in night.periods), 0.0),
        starts=_starts(night.periods, ahead.situation),
        shortfall=shortfall,
        periods=night.periods,
        at_once=at_once(window, model, stored, want_kwh),
        timer=timer(window, model, stored, want_kwh),
        later=later_nights(ahead, solution, night.reaches_kwh),
        cautions=cautions(file, ahead.charge_point),
    )
    return Draft(plan, ahead, solution)


def _first_night(ahead: Horizon, solution: Solution) -> _Night:
    """Carry out the time before the first departure, with the fragment before its first tick."""
    model, departure, problem = ahead.model, ahead.situation.departure, ahead.problem
    reaches = solution.reaches_kwh[0]
    drawn = draws(ahead, solution, 0, problem.deadlines[0].end)
    fragment = _open_fragment(ahead)
    is_short = reaches < kwh_at_any_price(model, departure) - NEED_TOLERANCE_KWH
    begun = _begun_in(fragment, drawn, ahead, is_short=is_short) if fragment else None
    if begun is not None:
        drawn = [begun, *drawn]
    target = _target_kwh(ahead, reaches, begun)
    bought = climb(
        model,
        problem.stored_kwh,
        target,
        (draw.slot.hours for draw in drawn),
        (draw.amps for draw in drawn),
    )
    reached = problem.stored_kwh + float(bought.gained_kwh.sum())
    return _Night(drawn, bought, periods_of(drawn, bought), reached)


def _allowed(ahead: Horizon, ticks: Sequence[Slot]) -> list[Slot]:
    """Give the time in which charging may begin, or go on."""
    fragment = _open_fragment(ahead)
    rested = list(ticks[ahead.problem.rest_left :])
    return rested if fragment is None else [fragment, *rested]


def _open_fragment(ahead: Horizon) -> Slot | None:
    """Give the fragment before the first tick, unless a rest must go on in it."""
    rest = timedelta(minutes=ahead.point.min_rest_minutes)
    rested = ahead.situation.lasted >= rest and not ahead.problem.rest_left
    return ahead.window.fragment if ahead.situation.on or rested else None


def _begun_in(fragment: Slot, drawn: list[Draw], ahead: Horizon, *, is_short: bool) -> Draw | None:
    """Charge in the fragment as well as in the chosen ticks, where that is what people expect."""
    # Charging that may begin is to begin, and a run in progress is not to be stopped.
    begins = bool(drawn) and drawn[0].slot is ahead.window.ticks[0]
    amps = min(fragment.amps, drawn[0].amps if begins else ahead.model.amps)
    if amps < (ahead.problem.min_amps or ahead.model.amps):
        return None
    if ahead.situation.on:
        shortest = timedelta(minutes=ahead.point.min_run_minutes)
        is_used = begins or ahead.situation.lasted < shortest
    else:
        dearest = max((draw.slot.span.rate for draw in drawn), default=None)
        is_used = begins and (is_short or (dearest is not None and fragment.span.rate <= dearest))
    return Draw(fragment, amps) if is_used else None


def _target_kwh(ahead: Horizon, by_ticks_kwh: float, begun: Draw | None) -> float:
    """Battery energy to charge to [kWh]: what the ticks reach, and what the fragment adds."""
    model, departure = ahead.model, ahead.situation.departure
    target, limit = by_ticks_kwh, departure.max_rate
    if begun is not None and limit is not None and begun.slot.span.rate <= limit:
        more = model.gained_kw(model.metered_kw(by_ticks_kwh, begun.amps)) * begun.slot.hours
        target = min(target + more, max(target, model.stored_kwh(departure.want_percent)))
    return max(target, kwh_at_any_price(model, departure))


def _starts(periods: Sequence[Period], situation: Situation) -> int:
    """Count the starts; a run in progress that goes on is none."""
    ends = {period.end for period in periods} | ({situation.now} if situation.on else set())
    return sum(period.start not in ends for period in periods)
