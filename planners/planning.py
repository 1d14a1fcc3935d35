"""From a household, its prices and a state of charge to a plan: the main job, in one function."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from math import ceil
from typing import TYPE_CHECKING

from planners.baselines import at_once, timer
from planners.cautions import cautions
from planners.charging import ChargeModel, Ladder, climb, ladder
from planners.electrics import charge_model
from planners.exact import solve
from planners.plan import Period, Plan
from planners.problem import LONG_AT_REST, Problem, SwitchingState
from planners.shortfall import SHORT_KWH, shortfall_of
from planners.why import why
from planners.window import Stretch, Window, window

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from config import ChargePoint, HouseholdFile
    from planners.departures import DepartureAt
    from planners.prices import Prices


PLANNED_DAYS = timedelta(days=7)
"""Time before a departure in which its charge is planned: at 10 A that is 380 kWh."""


@dataclass(frozen=True, slots=True)
class Situation:
    """What is known when a plan is made.

    Attributes
    ----------
    now : datetime
        UTC.
    soc_percent : float
        State of charge of the vehicle.
    departure : DepartureAt
        The departure it is planned for; it names the vehicle.
    on : bool
        Whether a run is in progress.
    since : datetime or None
        Since when it has been on, or off; None for long since.
    """

    now: datetime
    soc_percent: float
    departure: DepartureAt
    on: bool = False
    since: datetime | None = None


def make_plan(file: HouseholdFile, prices: Prices, situation: Situation) -> Plan:
    """Plan the cheapest charging of one vehicle up to one departure.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situation : Situation
        The instant, the state of charge, the departure, and what the charge point is doing.

    Returns
    -------
    Plan
        Made for the last `PLANNED_DAYS` before the departure, where it is further off than that.
        The cheapest periods, what the baselines would cost, and why. A need that can't be met
        is met as nearly as can be, and `Plan.shortfall` says by how much not.

    Raises
    ------
    TariffError
        Where no rate is known before the departure.
    """  # noqa: DOC502 - raised by prices
    made_at = situation.now
    situation = _in_the_last_days(situation)
    departure = situation.departure
    car = file.vehicles[departure.vehicle]
    point = file.charge_points[car.charge_point]
    model = charge_model(file, departure.vehicle)
    slots = window(prices, situation.now, departure.ready_by, file.household.tick_minutes)
    stored = model.stored_kwh(situation.soc_percent)
    want_kwh = max(stored, model.stored_kwh(departure.want_percent))
    problem = _problem(file, slots, model, situation)
    solution = solve(problem)
    fragment = _open_fragment(slots, problem, situation, point)
    is_short = stored + solution.gained_kwh < _kwh_at_any_price(model, departure) - SHORT_KWH
    used = [tick for tick, on in zip(slots.ticks, solution.on, strict=True) if on]
    if fragment and _is_used(fragment, used, slots, situation, point, is_short=is_short):
        used = [fragment, *used]
    target = _target_kwh(model, departure, stored + solution.gained_kwh, used, fragment)
    bought = climb(model, stored, target, (stretch.hours for stretch in used))
    periods = _periods(used, bought, model.amps)
    reaches = stored + float(bought.gained_kwh.sum())
    allowed = slots.ticks[problem.rest_left :]
    shortfall = shortfall_of(
        model,
        situation.now,
        (allowed if fragment is None else (fragment, *allowed)),
        from_kwh=stored,
        reaches_kwh=reaches,
        need_kwh=model.stored_kwh(departure.need_percent),
    )
    plan = Plan(
        charge_point=car.charge_point,
        vehicle=departure.vehicle,
        currency=file.household.currency,
        tariff=prices.rate_at(situation.now).tariff,
        made_at=made_at,
        departure=departure.instant,
        soc_percent=situation.soc_percent,
        need_percent=departure.need_percent,
        want_percent=departure.want_percent,
        reaches_percent=model.soc_percent(reaches),
        energy_kwh=float(bought.metered_kwh.sum()),
        cost=sum((period.cost for period in periods), 0.0),
        starts=_starts(periods, situation),
        shortfall=shortfall,
        periods=periods,
        at_once=at_once(slots, model, stored, want_kwh),
        timer=timer(slots, model, stored, want_kwh),
        cautions=cautions(file, car.charge_point),
    )
    return replace(plan, why=why(plan, slots, file.zone, departure.max_rate))


def _in_the_last_days(situation: Situation) -> Situation:
    """Leave out what lies further ahead of the departure than any charge takes."""
    opens = situation.departure.ready_by - PLANNED_DAYS
    if situation.now >= opens:
        return situation
    return replace(situation, now=opens, on=False, since=None)


def _problem(
    file: HouseholdFile, slots: Window, model: ChargeModel, situation: Situation
) -> Problem:
    departure = situation.departure
    car = file.vehicles[departure.vehicle]
    point = file.charge_points[car.charge_point]
    stored = model.stored_kwh(situation.soc_percent)

    def up_to(percent: float) -> Ladder:
        target = model.stored_kwh(percent)
        return ladder(model, stored, target, slots.tick_hours, len(slots.ticks))

    unlimited = departure.max_rate is None
    to_want = up_to(departure.want_percent)
    return Problem(
        rates_per_kwh=slots.rates_per_kwh,
        to_need=to_want if unlimited else up_to(departure.need_percent),
        to_want=to_want,
        max_rate_per_kwh=float(departure.max_rate or 0),
        start_cost=float(point.start_cost),
        min_run=max(1, _whole_ticks(point.min_run_minutes, slots)),
        min_rest=_whole_ticks(point.min_rest_minutes, slots),
        before=SwitchingState(situation.on, _ticks_since(situation, slots)),
        prefer_late=car.prefer == "late",
    )


def _whole_ticks(minutes: float, slots: Window) -> int:
    return ceil(minutes / slots.tick_minutes)


def _ticks_since(situation: Situation, slots: Window) -> int:
    """Whole ticks that the present state will have lasted at the first tick."""
    if situation.since is None or not slots.ticks:
        return LONG_AT_REST.ticks
    return max(0, (slots.ticks[0].start - situation.since) // timedelta(minutes=slots.tick_minutes))


def _lasted(situation: Situation) -> timedelta:
    """How long the charge point has been on, or off."""
    return timedelta.max if situation.since is None else situation.now - situation.since


def _open_fragment(
    slots: Window, problem: Problem, situation: Situation, point: ChargePoint
) -> Stretch | None:
    """Give the fragment before the first tick, unless a rest must go on in it."""
    rested = _lasted(situation) >= timedelta(minutes=point.min_rest_minutes)
    return slots.fragment if situation.on or (rested and not problem.rest_left) else None


def _is_used(
    fragment: Stretch,
    used: list[Stretch],
    slots: Window,
    situation: Situation,
    point: ChargePoint,
    *,
    is_short: bool,
) -> bool:
    """Whether to charge in the fragment as well as in the chosen ticks."""
    # People expect charging that may begin to begin, and a run in progress not to be stopped.
    begins = used[:1] == list(slots.ticks[:1])
    if situation.on:
        return begins or _lasted(situation) < timedelta(minutes=point.min_run_minutes)
    return begins and (is_short or fragment.span.rate <= max(tick.span.rate for tick in used))


def _kwh_at_any_price(model: ChargeModel, departure: DepartureAt) -> float:
    """Battery energy to be reached whatever it costs [kWh]."""
    # Without a limit to the rate, what is wanted is as good as needed.
    unlimited = departure.max_rate is None
    return model.stored_kwh(departure.want_percent if unlimited else departure.need_percent)


def _target_kwh(
    model: ChargeModel,
    departure: DepartureAt,
    by_ticks_kwh: float,
    used: list[Stretch],
    fragment: Stretch | None,
) -> float:
    """Battery energy to charge to [kWh]: what the ticks reach, and what the fragment adds."""
    target, limit = by_ticks_kwh, departure.max_rate
    first = used[0] if used[:1] == [fragment] else None
    if first is not None and limit is not None and first.span.rate <= limit:
        more = model.gained_kw(model.metered_kw(by_ticks_kwh)) * first.hours
        target = min(target + more, model.stored_kwh(departure.want_percent))
    return max(target, _kwh_at_any_price(model, departure))


def _starts(periods: Sequence[Period], situation: Situation) -> int:
    """Count the starts; a run in progress that goes on is none."""
    ends = {period.end for period in periods} | ({situation.now} if situation.on else set())
    return sum(period.start not in ends for period in periods)


def _periods(used: list[Stretch], bought: Ladder, amps: float) -> tuple[Period, ...]:
    """Join what was bought in neighbouring stretches at one rate."""
    periods: list[Period] = []
    last_span = None
    for stretch, share, kwh in zip(used, bought.share, bought.metered_kwh, strict=False):
        cost = float(stretch.span.rate) * float(kwh)
        if periods and periods[-1].end == stretch.start and last_span is stretch.span:
            joined = periods.pop()
            start, kwh_before, cost_before = joined.start, joined.kwh, joined.cost
        else:
            start, kwh_before, cost_before = stretch.start, 0.0, 0.0
        last_span = stretch.span
        periods.append(
            Period(
                start=start,
                end=stretch.end(float(share)),
                amps=amps,
                kwh=kwh_before + float(kwh),
                cost=cost_before + cost,
                band=stretch.span.band,
                estimated=stretch.span.estimated,
            )
        )
    return tuple(periods)
