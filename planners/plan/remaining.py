"""Work out what is left of a plan: its energy, cost and target from now on."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from math import ceil
from typing import TYPE_CHECKING, NamedTuple

from planners.plan.baselines import at_once, timer
from planners.plan.horizon import kwh_at_any_price, model_of, surplus_of
from planners.plan.periods import ChargingSlot, periods_of
from planners.plan.shortfall import LONGEST, shortfall_of
from planners.plan.window import Slot, window_of, with_sources
from planners.power.allowed_currents import amps_allowed, charge_model, with_any_equipment
from planners.power.charging import climb

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from config.household.household_file import HouseholdFile
    from planners.plan.horizon import Situation
    from planners.plan.plan import Period, Plan
    from planners.power.allowed_currents import AmpsSpan
    from planners.power.charging import ChargeModel, Ladder
    from planners.rates.prices import Prices

HOUR = timedelta(hours=1)

GOES_ON_PERCENT = 1.0
"""A vehicle that gains less than planned is charged on after the plan's end, up to this much; if it
misses more, the plan is made again [percent]."""

SAME_PERCENT = 0.05
"""States of charge that differ by less are the same [percent]."""


class Course(NamedTuple):
    """How a charge goes on from now."""

    periods: tuple[Period, ...]
    reaches_percent: float


def lag_percent(plan: Plan, file: HouseholdFile, now: datetime, soc_percent: float) -> float:
    """Return by how much a plan's remaining periods miss its target.

    It is asked at every reading, so it looks up no rates.

    Parameters
    ----------
    plan : Plan
        The plan in force.
    file : HouseholdFile
        The household.
    now : datetime
        UTC.
    soc_percent : float
        The state of charge now.

    Returns
    -------
    float
        Percent; 0 if they reach it.
    """
    model = charge_model(file, plan.vehicle)
    left = [
        ((each.end - max(now, each.start)) / HOUR, each.amps)
        for each in plan.periods
        if each.end > now
    ]
    if model.taper:
        step = file.household.tick_minutes / 60
        left = [
            (min(step, hours - count * step), amps)
            for hours, amps in left
            for count in range(ceil(hours / step))
        ]
        stored, target = model.stored_kwh(soc_percent), model.stored_kwh(plan.reaches_percent)
        bought = climb(model, stored, target, (h for h, _ in left), (amps for _, amps in left))
        gained = float(bought.gained_kwh.sum())
    else:
        gained = sum(model.gained_kw(amps * model.kw_per_amp) * hours for hours, amps in left)
    return max(0.0, plan.reaches_percent - soc_percent - model.soc_percent(gained))


def is_as_made(plan: Plan, now: datetime, soc_percent: float) -> bool:
    """Whether nothing of a plan has been carried out: its figures are still those of now."""
    begun = any(period.start < now for period in plan.periods)
    return not begun and abs(soc_percent - plan.soc_percent) < SAME_PERCENT


def course_of(
    plan: Plan,
    file: HouseholdFile,
    prices: Prices,
    situation: Situation,
) -> Course:
    """Carry out the rest of a plan.

    Parameters
    ----------
    plan : Plan
        The plan in force.
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situation : Situation
        The instant, the state of charge, the plan's departure, and whether it charges.

    Returns
    -------
    Course
        Charging ends at the plan's target. If the plan's periods miss it by at most
        `GOES_ON_PERCENT`, charging goes on after them.

    Raises
    ------
    TariffError
        If a rate is not known.
    """  # noqa: DOC502 - raised by prices
    model, prices = charge_model(file, plan.vehicle), prices.at(plan.charge_point)
    stored = model.stored_kwh(situation.soc_percent)
    planned = model.stored_kwh(plan.reaches_percent)
    # A plan that is short takes all that there is time for.
    target = planned if plan.shortfall is None else kwh_at_any_price(model, situation.departure)
    now, step = situation.now, timedelta(minutes=file.household.tick_minutes)
    ahead = [replace(each, start=max(now, each.start)) for each in plan.periods if each.end > now]
    charging = [slot for period in ahead for slot in _slots(period, prices, step)]
    charging = _with_surplus(charging, file, prices, situation)
    bought = _bought(model, stored, target, charging)
    reached = stored + float(bought.gained_kwh.sum())
    lag = model.soc_percent(planned - reached)
    if ahead and 0 < lag <= GOES_ON_PERCENT:
        last = ahead[-1]
        longer = replace(last, start=last.end, end=max(last.end, situation.departure.ready_by))
        charging += _with_surplus(_slots_by_rate(longer, prices, step), file, prices, situation)
        bought = _bought(model, stored, target, charging)
        reached = stored + float(bought.gained_kwh.sum())
    return Course(periods_of(charging, bought), model.soc_percent(reached))


def remaining_plan(
    plan: Plan,
    file: HouseholdFile,
    prices: Prices,
    situation: Situation,
) -> Plan:
    """Return a plan with the figures of what is left of it.

    Parameters
    ----------
    plan : Plan
        The plan in force.
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situation : Situation
        The instant, the state of charge, the plan's departure, and whether it charges.

    Returns
    -------
    Plan
        The same plan if nothing of it has been carried out; else with `as_of`, and with energies,
        costs, periods and comparisons from then on. Its reasons stay those of `made_at`.

    Raises
    ------
    TariffError
        If a rate is not known.
    """  # noqa: DOC502 - raised by prices
    now, soc_percent = situation.now, situation.soc_percent
    if is_as_made(plan, now, soc_percent):
        return plan
    course = course_of(plan, file, prices, situation)
    model = model_of(file, situation)
    stored = model.stored_kwh(soc_percent)
    want_kwh = max(stored, model.stored_kwh(plan.want_percent))
    wanted = max(plan.want_percent, plan.need_percent)
    if not course.periods and soc_percent > wanted - SAME_PERCENT:
        want_kwh, until = stored, now  # nothing is left to compare, so no rate need be looked up
    else:
        until = situation.departure.ready_by
    window = window_of(
        prices.at(plan.charge_point), now, until, file.household.tick_minutes,
        lambda start, end: _amps_allowed(plan, file, situation, start, end),
        surplus=surplus_of(file, prices, situation),
    )  # fmt: skip
    ends = {period.end for period in course.periods} | ({now} if situation.on else set())
    return replace(
        plan,
        as_of=now,
        soc_percent=soc_percent,
        reaches_percent=course.reaches_percent,
        energy_kwh=sum((period.kwh for period in course.periods), 0.0),
        cost=sum((period.cost for period in course.periods), 0.0),
        starts=sum(period.start not in ends for period in course.periods),
        shortfall=shortfall_of(
            model,
            window.slots,
            lambda: _amps_allowed(plan, file, situation, now, now + LONGEST),
            lambda: _amps_allowed(
                plan, with_any_equipment(file, plan.charge_point), situation, now, plan.departure
            ),
            from_kwh=stored,
            reaches_kwh=model.stored_kwh(course.reaches_percent),
            need_kwh=model.stored_kwh(plan.need_percent),
        ),
        periods=course.periods,
        at_once=at_once(window, model, stored, want_kwh),
        timer=timer(window, model, stored, want_kwh),
    )


def _amps_allowed(
    plan: Plan, file: HouseholdFile, situation: Situation, start: datetime, end: datetime
) -> tuple[AmpsSpan, ...]:
    point, vehicle = plan.charge_point, plan.vehicle
    return amps_allowed(
        file, point, vehicle, start, end, excess=situation.excess, allotted=situation.allotted
    )


def _bought(
    model: ChargeModel, stored_kwh: float, target_kwh: float, charging: list[ChargingSlot]
) -> Ladder:
    hours = (each.slot.hours for each in charging)
    return climb(model, stored_kwh, target_kwh, hours, (each.amps for each in charging))


def _slots(period: Period, prices: Prices, step: timedelta) -> Iterator[ChargingSlot]:
    """Divide a period into steps; its rate is the same throughout."""
    span = prices.rate_at(period.start)
    start = period.start
    while start < period.end:
        end = min(period.end, start + step)
        slot = Slot(start, (end - start) / HOUR, span, period.amps)
        yield ChargingSlot(slot, period.amps, period.one_phase_amps)
        start = end


def _with_surplus(
    charging: list[ChargingSlot], file: HouseholdFile, prices: Prices, situation: Situation
) -> list[ChargingSlot]:
    surplus = surplus_of(file, prices, situation)
    slots = with_sources([each.slot for each in charging], prices, surplus)
    return [each._replace(slot=slot) for each, slot in zip(charging, slots, strict=True)]


def _slots_by_rate(period: Period, prices: Prices, step: timedelta) -> list[ChargingSlot]:
    """Divide a time that may have several rates into steps."""
    spans = prices.spans(period.start, period.end) if period.start < period.end else ()
    parts = (replace(period, start=span.start, end=span.end) for span in spans)
    return [slot for part in parts for slot in _slots(part, prices, step)]
