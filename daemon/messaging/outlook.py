"""Say in figures what happens at a charge point from now on. Pure."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING, Any, Literal

from adapters.contract.messages import DepartureEffect
from config.files.errors import TariffError
from daemon.control.leaving_late import GOES_ON, goes_on_until
from daemon.control.replanning import plan_now, situation_of
from daemon.control.state import is_charging, vehicle_of
from daemon.nights.account import missing_kwh
from planners.accounts.money import FLOAT_PLACES
from planners.home.allotments import all_that_is_left, shares_by_plan
from planners.local_time.conversion import MINUTE
from planners.local_time.wished_departures import coming_departures, declared_near, next_departure
from planners.plan.horizon import reaches_at_best_percent
from planners.plan.plan import LaterNight
from planners.plan.shortfall import shortfall_that_counts

if TYPE_CHECKING:
    from collections.abc import Sequence

    from daemon.control.state import House, PointState
    from planners.local_time.departures import DepartureAt
    from planners.local_time.wished_departures import Wish
    from planners.plan.plan import Period, Plan

_HOUR = timedelta(hours=1)

_MOST_KEPT = 3
"""Of the first departures that a wish leaves as they are, an answer names this many."""


@dataclass(frozen=True, slots=True)
class Effect:
    """What a person's wishes do to one departure.

    Attributes
    ----------
    departure : DepartureAt
        As it is with them.
    declared : DepartureAt or None
        As the file has it; None for one that a wish adds.
    wish : Wish or None
        The wish for it; None if it keeps what the file says.
    reaches_percent : float or None
        What is planned for it; None if nothing is yet.
    missing_kwh : float or None
        What the plan misses its need by, at the meter; None if by nothing [kWh]. If nothing is
        planned yet, what will be missing at the least.
    at_best_percent : float or None
        If nothing is planned yet and its need is out of reach: the most that it can reach.
    periods : tuple of Period
        When it is charged for; empty if it is not, or if nothing is planned yet.
    energy_kwh, cost : float or None
        What is charged from now until it, in the nights before it too; None if nothing is planned
        for it yet.
    goes_on_until : datetime or None
        Until when at the latest a charge that falls short goes on, if the vehicle stays.
    goes_on_kwh, goes_on_cost : float or None
        What that may take [kWh] and cost [currency] at the most; None if it does not, the cost also
        if a rate is not known.
    """

    departure: DepartureAt
    declared: DepartureAt | None
    wish: Wish | None
    reaches_percent: float | None
    missing_kwh: float | None
    periods: tuple[Period, ...] = ()
    energy_kwh: float | None = None
    cost: float | None = None
    goes_on_until: datetime | None = None
    goes_on_kwh: float | None = None
    goes_on_cost: float | None = None
    at_best_percent: float | None = None

    @property
    def kind(self) -> Literal["kept", "changed", "added"]:
        """Whether a wish changes the departure or adds it."""
        if self.wish is None:
            return "kept"
        return "added" if self.declared is None else "changed"


def effects_of(
    state: PointState, now: datetime, house: House, plan: Plan | None
) -> tuple[tuple[Effect, ...], int]:
    """List the next departure and those that a person's wishes are for.

    Parameters
    ----------
    state : PointState
        The charge point.
    now : datetime
        UTC.
    house : House
        The household file and the rates.
    plan : Plan or None
        The plan in force, with the figures of now.

    Returns
    -------
    effects : tuple of Effect
        In order of time.
    others : int
        The number of departures before the last wish that keep theirs and are not listed.
    """
    vehicle, file = vehicle_of(state, house.file), house.file
    if vehicle is None:
        return (), 0
    wishes = [wish for wish in state.wishes.departures if wish.vehicle == vehicle]
    after = state.wishes.next_counts_after(now)
    following = next_departure(file, vehicle, after, wishes)
    if following is None:
        return (), 0
    # The first one of the file is listed too, for whoever asks what becomes of it.
    declared = following
    if following.wish is not None:
        declared = next_departure(file, vehicle, after) or following
    instants = [declared.instant, *(wish.by for wish in wishes)]
    start, end = after + datetime.resolution, max(instants) + datetime.resolution
    coming = coming_departures(file, vehicle, start, end, wishes)
    shown = [
        departure
        for count, departure in enumerate(coming)
        if count < _MOST_KEPT or departure.wish is not None
    ]
    planned: tuple[Plan | LaterNight, ...] = ()
    if plan is not None:
        # A plan for the whole home reaches to the next departures; what is after them is open yet.
        planned = (plan, *(() if house.allot(state, now).is_joint else plan.later))
    effects = [_effect(departure, wishes, house, planned) for departure in shown]
    if plan is not None:
        begins = _after_the_planned(coming, planned[-1], house)
        effects = [_at_best(effect, state, now, house, begins) for effect in effects]
    elif is_charging(state) and goes_on_until(state, house, now) is not None:
        # What comes next is planned once the vehicle has left, and may be too soon for its need.
        effects = [_at_best(effect, state, now, house, None) for effect in effects]
    return tuple(effects), len(coming) - len(shown)


def figures_of(state: PointState, now: datetime, house: House) -> dict[str, Any]:
    """Return the figures of an answer.

    Parameters
    ----------
    state : PointState
        The charge point, including the request.
    now : datetime
        UTC.
    house : House
        The household file and the rates.

    Returns
    -------
    dict
        Fields of `adapters.contract.messages.Answer`.
    """
    plan = plan_now(state, now, house)
    effects, _others = effects_of(state, now, house, plan)
    figures: dict[str, Any] = {
        "vehicle": vehicle_of(state, house.file),
        "departures": tuple(_message(effect) for effect in effects),
    }
    if is_charging(state):
        figures["goes_on_until"] = goes_on_until(state, house, now)
    if plan is None:
        return figures
    return figures | {
        "energy_kwh": round(plan.energy_kwh, 3),
        "cost": round(plan.cost, FLOAT_PLACES),
        "currency": plan.currency,
        "ends_at": plan.periods[-1].end if plan.periods else None,
    }


def _effect(
    departure: DepartureAt,
    wishes: Sequence[Wish],
    house: House,
    planned: Sequence[Plan | LaterNight],
) -> Effect:
    wish = next((wish for wish in wishes if wish.id == departure.wish), None)
    declared = departure if wish is None else declared_near(house.file, wish.vehicle, wish.by)
    until = [night for night in planned if night.departure <= departure.instant]
    if not until or until[-1].departure != departure.instant:
        return Effect(departure, declared, wish, None, None)
    own = until[-1]
    effect = Effect(
        departure, declared, wish,
        reaches_percent=own.reaches_percent,
        missing_kwh=None,
        periods=own.periods,
        energy_kwh=sum(night.energy_kwh for night in until),
        cost=sum(night.cost for night in until),
    )  # fmt: skip
    if isinstance(own, LaterNight):
        percent = departure.need_percent - own.reaches_percent
        missing, ends = missing_kwh(house, departure.vehicle, percent), departure.ready_by
    else:
        short = shortfall_that_counts(own)
        missing, ends = short.kwh if short else None, departure.instant
    effect = replace(effect, missing_kwh=missing)
    # Only a charge in progress goes on. A later night gives up its margin once it is the next.
    if missing is None or not own.periods or ends - own.periods[-1].end >= MINUTE:
        return effect
    kwh, cost = _going_on(own.periods[-1], departure, missing, house)
    latest = departure.instant + GOES_ON
    return replace(effect, goes_on_until=latest, goes_on_kwh=kwh, goes_on_cost=cost)


def _after_the_planned(
    coming: Sequence[DepartureAt], last: Plan | LaterNight, house: House
) -> tuple[datetime, float] | None:
    """Return when the vehicle is back from the last planned departure, and with what [percent]."""
    for departure in coming:
        if departure.instant == last.departure:
            # Where the file does not say when it is back, it may stay.
            usable_kwh = house.file.vehicles[departure.vehicle].usable_kwh
            used_percent = 100 * (departure.uses_kwh or 0.0) / usable_kwh
            left_percent = max(0.0, last.reaches_percent - used_percent)
            return departure.returns or departure.instant, left_percent
    return None


def _at_best(
    effect: Effect,
    state: PointState,
    now: datetime,
    house: House,
    begins: tuple[datetime, float] | None,
) -> Effect:
    """Add what will be missing at the least, where nothing is planned yet."""
    departure = effect.departure
    if effect.reaches_percent is not None:
        return effect
    situation = situation_of(state, departure, now, house, waits_while_away=False)
    if begins is not None:
        start, soc_percent = begins
        situation = replace(situation, now=max(situation.now, start), soc_percent=soc_percent)
    if shares_by_plan(house.file):  # the others may be gone by then
        left = all_that_is_left(house.file, situation.now, departure.instant, departure.vehicle)
        situation = replace(situation, allotted=left)
    percent = reaches_at_best_percent(house.file, situation)
    missing = missing_kwh(house, departure.vehicle, departure.need_percent - percent)
    return replace(effect, missing_kwh=missing, at_best_percent=percent if missing else None)


def _going_on(
    last: Period, departure: DepartureAt, missing_kwh: float, house: House
) -> tuple[float, float | None]:
    """Return what flows after a departure, at the power before it, until nothing is missing."""
    kw, start = last.kwh / ((last.end - last.start) / _HOUR), departure.instant
    most_kwh = min(missing_kwh, kw * (GOES_ON / _HOUR))
    point = house.file.vehicles[departure.vehicle].charge_point
    try:
        spans = house.prices.at(point).spans(start, start + GOES_ON)
    except TariffError:
        return most_kwh, None
    cost = 0.0
    for span in spans:
        lasts = min(span.end, start + GOES_ON) - max(span.start, start)
        kwh = min(missing_kwh, kw * (lasts / _HOUR))
        missing_kwh -= kwh
        cost += kwh * float(span.rate)
    return most_kwh, cost


def _message(effect: Effect) -> DepartureEffect:
    departure, reaches, missing = effect.departure, effect.reaches_percent, effect.missing_kwh
    return DepartureEffect(
        departure=departure.instant,
        effect=effect.kind,
        need_percent=departure.need_percent,
        want_percent=departure.want_percent,
        max_rate=departure.max_rate,
        reaches_percent=None if reaches is None else min(100.0, round(reaches, 1)),
        missing_kwh=None if missing is None else round(missing, 3),
        wish=departure.wish,
        energy_kwh=None if effect.energy_kwh is None else round(effect.energy_kwh, 3),
        cost=_money(effect.cost),
        starts_at=effect.periods[0].start if effect.periods else None,
        ends_at=effect.periods[-1].end if effect.periods else None,
        goes_on_until=effect.goes_on_until,
        goes_on_kwh=None if effect.goes_on_kwh is None else round(effect.goes_on_kwh, 3),
        goes_on_cost=_money(effect.goes_on_cost),
    )


def _money(amount: float | None) -> float | None:
    return None if amount is None else round(amount, FLOAT_PLACES)
