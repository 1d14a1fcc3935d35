"""Turn a household and its situation into a planning problem."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from functools import partial
from itertools import chain, repeat
from math import ceil, gcd
from typing import TYPE_CHECKING

import numpy as np

from planners.local_time.conversion import MINUTE, minute_of
from planners.local_time.wished_departures import departures_to_plan
from planners.plan.window import Slot, Window, window_of, with_sources
from planners.power.allowed_currents import (
    amps_allowed,
    charge_model,
    own_amps,
    with_any_equipment,
)
from planners.power.charging import climb
from planners.power.home_load import surplus_kw
from planners.solver.problem import (
    LONG_AT_REST,
    Deadline,
    PlanningProblem,
    SwitchingState,
)
from planners.surplus.one_phase import most_amps_on_one, on_one_phase

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from numpy.typing import NDArray

    from config.household.equipment import ChargePoint
    from config.household.household_file import HouseholdFile
    from planners.capacity.tonight import DayPeak, KeptPower
    from planners.local_time.departures import DepartureAt
    from planners.local_time.wished_departures import Wish
    from planners.plan.window import SurplusOf
    from planners.power.allowed_currents import AmpsSpan
    from planners.power.charging import ChargeModel, Ladder
    from planners.power.excess_current import ExcessCurrent
    from planners.rates.prices import Prices
    from planners.solver.solution import Solution
    from planners.surplus.one_phase import PhasesPlanned


HOUR = timedelta(hours=1)

PLANNED_DAYS = timedelta(days=7)
"""Time before a departure in which its charge is planned, and how far ahead departures are sought:
380 kWh at 10 A, more than any battery holds, and a whole week of a tariff."""

MOST_TICKS_TOGETHER = 2500
"""Ticks of several nights that are planned at once: more than a week of 5 minutes. Where rates
change at odd minutes the ticks are of one minute, and a week of them would take half a minute."""

MOST_SUNNY_TICKS = 800
"""The same for a home with a roof: nearly three days of 5 minutes. Currents that follow the sun
need fine levels of energy. With five departures in 1,879 ticks a plan cost 2 % more than in 626."""


@dataclass(frozen=True, slots=True)
class Situation:
    """The facts that a plan is made from.

    Attributes
    ----------
    now : datetime
        UTC.
    soc_percent : float
        State of charge of the vehicle.
    departure : DepartureAt
        The departure to plan for; it names the vehicle.
    on : bool
        Whether a run is in progress.
    since : datetime or None
        Since when the charge point has been on, or off; None if for long.
    later : tuple of DepartureAt
        Later departures to plan for as well. Each departure before one of them says when the
        vehicle returns and what the trip uses.
    by_hours : bool
        Whether the vehicle counts as plugged in only in the `plugged_in` hours of its charge
        point, if it declares any; False if the hardware reports that the vehicle is there.
    excess : ExcessCurrent or None
        What the equipment has taken instead of the current that it was told: nothing but that can
        be planned, and only where it is allowed.
    allotted : tuple of AmpsSpan
        The current that a plan for the whole home allots: see `planners.power.allowed_currents`.
    is_joint : bool
        Whether what is allotted comes from a plan of several vehicles: it has minded a capacity
        charge already.
    peaks : tuple of DayPeak
        The home's highest power of each day so far, for a capacity charge.
    phases_planned : {'all', 'one', 'either'}
        On which phases the plan charges: see `planners.surplus.one_phase`.
    keeps_all_phases : bool
        Whether a charge point that should switch to one phase was seen not to.
    """

    now: datetime
    soc_percent: float
    departure: DepartureAt
    on: bool = False
    since: datetime | None = None
    later: tuple[DepartureAt, ...] = ()
    by_hours: bool = True
    excess: ExcessCurrent | None = None
    allotted: tuple[AmpsSpan, ...] = ()
    is_joint: bool = False
    peaks: tuple[DayPeak, ...] = ()
    phases_planned: PhasesPlanned = "all"
    keeps_all_phases: bool = False

    @property
    def departures(self) -> tuple[DepartureAt, ...]:
        """All departures to plan for."""
        return (self.departure, *self.later)

    @property
    def lasted(self) -> timedelta:
        """How long the charge point has been on, or off; negative if a rest is to begin later."""
        return timedelta.max if self.since is None else self.now - self.since


@dataclass(frozen=True, slots=True)
class Horizon:
    """The time that is planned, its problem, and the inputs of both.

    Attributes
    ----------
    file : HouseholdFile
        The household.
    situation : Situation
        What the plan is made from.
    model : ChargeModel
        The vehicle.
    window : Window
        The ticks.
    problem : PlanningProblem
        With the needs of the departures, raised where `prepares_for` says so.
    prices : Prices
        The household's rates.
    prepares_for : DepartureAt or None
        The last departure whose need takes energy from the nights before its own, if any.
    given_up : timedelta
        The margin before the first departure that was given up, as the need is out of reach.
    for_later : bool
        Whether that is the need of a later departure, before which the vehicle stays.
    tail : tuple of Slot
        The time from the last tick before the first departure, or from now, until the departure:
        less than a tick, and used only if the margin was given up.
    kept : KeptPower or None
        The caps that the next departure's plan keeps to, if a capacity charge makes any worth
        their while.
    """

    file: HouseholdFile
    situation: Situation
    model: ChargeModel
    window: Window
    problem: PlanningProblem
    prices: Prices
    prepares_for: DepartureAt | None = None
    given_up: timedelta = timedelta(0)
    for_later: bool = False
    tail: tuple[Slot, ...] = ()
    kept: KeptPower | None = None

    def amps_allowed(self, start: datetime, end: datetime) -> tuple[AmpsSpan, ...]:
        """Return the currents that the rest of the home and the plugged-in hours leave."""
        return _amps_allowed(self.file, self.situation, start, end)

    @property
    def met_by(self) -> datetime | None:
        """When the next need must be met, as past that it would wait for the sun alone; UTC."""
        floor = self.problem.floor
        return None if floor is None else self.window.ticks[floor.tick].start

    @property
    def most_amps_on_one(self) -> float | None:
        """The highest current on one phase [A]; None if the plan charges on all phases."""
        situation = self.situation
        if situation.phases_planned == "all":
            return None
        return most_amps_on_one(self.file, situation.departure.vehicle)

    def amps_possible(self) -> tuple[AmpsSpan, ...]:
        """Return the currents that other equipment could take until the first departure."""
        situation, file = self.situation, with_any_equipment(self.file, self.charge_point)
        return _amps_allowed(file, situation, situation.now, situation.departure.instant)

    def rest_before(self, k: int) -> Slot | None:
        """Return the time from the last tick before a departure until the vehicle must be ready."""
        return self.window.until(self.situation.departures[k].ready_by).rest

    def money_of(self, solution: Solution) -> float:
        """Return what a solution from the first tick on costs, without its carbon [currency]."""
        carbon = self.window.carbon_prices_per_kwh
        if carbon is None:
            return solution.cost
        grid, roof = (prices[: len(solution.metered_kwh)] for prices in carbon)
        from_grid_kwh = solution.metered_kwh - solution.roof_kwh
        return solution.cost - float(grid @ from_grid_kwh + roof @ solution.roof_kwh)

    @property
    def point(self) -> ChargePoint:
        """The charge point of the vehicle."""
        return self.file.charge_points[self.charge_point]

    @property
    def charge_point(self) -> str:
        """Its name."""
        return self.file.vehicles[self.situation.departure.vehicle].charge_point


def departures_known(
    file: HouseholdFile,
    prices: Prices,
    vehicle: str,
    now: datetime,
    nights: int | None = None,
    *,
    wishes: Sequence[Wish] = (),
) -> tuple[DepartureAt, ...]:
    """List the departures to plan for: while rates are known, and one more.

    Estimated rates are good enough for that one more night: on a year of day-ahead prices this
    alone saved a tenth (see the README). More are listed up to one whose need is too much for the
    night before it alone.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    vehicle : str
        Name of the vehicle.
    now : datetime
        UTC.
    nights : int, optional
        The most departures to list.
    wishes : sequence of Wish
        A person's wishes.

    Returns
    -------
    tuple of DepartureAt
        In order of time; empty if there is none. The vehicle must be ready for those after the
        first within `PLANNED_DAYS` and `MOST_TICKS_TOGETHER`, or `MOST_SUNNY_TICKS`.
    """
    found = departures_to_plan(file, vehicle, now, now + PLANNED_DAYS, wishes)
    prices = prices.at(file.vehicles[vehicle].charge_point)
    known = prices.known_until(now)
    if known is not None:
        certain = sum(departure.ready_by <= known for departure in found)
        found = found[: max(max(1, certain) + 1, _last_to_prepare_for(file, found) + 1)]
    return _within_ticks(file, prices, now, found[:nights])


def _within_ticks(
    file: HouseholdFile, prices: Prices, now: datetime, departures: tuple[DepartureAt, ...]
) -> tuple[DepartureAt, ...]:
    """Leave out departures that are too many ticks ahead to be planned, but not the first."""
    if len(departures) < 2:  # noqa: PLR2004 - the first stays
        return departures
    end = departures[-1].ready_by
    step_minutes = prices.step_minutes(now, end, file.household.tick_minutes)
    most = MOST_TICKS_TOGETHER if prices.sun is None else MOST_SUNNY_TICKS
    limit = now + most * timedelta(minutes=step_minutes)
    first, *later = departures
    return (first, *(departure for departure in later if departure.ready_by <= limit))


def _last_to_prepare_for(file: HouseholdFile, departures: Sequence[DepartureAt]) -> int:
    """Return the last departure whose own night is too short for its need; 0 if none is."""
    for k in reversed(range(1, len(departures))):
        before, departure = departures[k - 1], departures[k]
        model = charge_model(file, departure.vehicle)
        left_kwh = max(0.0, model.stored_kwh(before.want_percent) - (before.uses_kwh or 0.0))
        night = Situation(before.returns or before.instant, 0.0, departure)
        need_kwh = kwh_at_any_price(model, departure)
        if not _charge_without_pause(file, night, left_kwh, need_kwh).reaches_target:
            return k
    return 0


def reaches_at_best_percent(file: HouseholdFile, situation: Situation) -> float:
    """Return the highest state of charge that a departure's need could be met to.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    situation : Situation
        The instant from which it may charge, the state of charge and the departure.

    Returns
    -------
    float
        If it charges until the departure without a pause, with no trip before it, up to its need.
    """
    model, departure = charge_model(file, situation.departure.vehicle), situation.departure
    stored_kwh = model.stored_kwh(situation.soc_percent)
    # Longer than that no battery charges, and the search takes time.
    start = max(situation.now, departure.instant - PLANNED_DAYS)
    open_night = replace(
        situation, now=start, departure=replace(departure, ready_by=departure.instant)
    )
    need_kwh = model.stored_kwh(departure.need_percent)
    gained = _charge_without_pause(file, open_night, stored_kwh, need_kwh).gained_kwh
    return model.soc_percent(stored_kwh + float(gained.sum()))


def _charge_without_pause(
    file: HouseholdFile, situation: Situation, from_kwh: float, to_kwh: float
) -> Ladder:
    """Charge at the highest current allowed until the vehicle must be ready."""
    departure = situation.departure
    spans = _amps_allowed(file, situation, situation.now, max(situation.now, departure.ready_by))
    usable = [(ceil((span.end - span.start) / MINUTE), span.amps) for span in spans if span.amps]
    amps = chain.from_iterable(repeat(each, minutes) for minutes, each in usable)
    model = charge_model(file, departure.vehicle)
    return climb(model, from_kwh, to_kwh, repeat(MINUTE / HOUR), amps)


def horizon_of(
    file: HouseholdFile,
    prices: Prices,
    situation: Situation,
    *,
    tick_minutes: int | None = None,
    edges: Sequence[datetime] = (),
    least_minutes: int = 1,
) -> Horizon:
    """Lay ticks over the time that is planned, and state its problem.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situation : Situation
        The instant, the state of charge, the departures, and what the charge point is doing.
    tick_minutes : int, optional
        A tick instead of the household's.
    edges : sequence of datetime
        Further instants at which a tick should end, as at a departure; UTC. It should also end
        where the allotted current changes.
    least_minutes : int
        No tick is made shorter than this for such an instant [min].

    Returns
    -------
    Horizon
        If the departure is further off than `PLANNED_DAYS`, only the last `PLANNED_DAYS` before
        it, and no later departures.

    Raises
    ------
    TariffError
        If no rate is known before the last departure.
    """  # noqa: DOC502 - raised by prices
    situation = _in_the_last_days(situation)
    window = window_of(
        prices,
        situation.now,
        situation.departures[-1].ready_by,
        tick_minutes or _tick_minutes(file),
        partial(_amps_allowed, file, situation),
        [
            *(each.ready_by for each in situation.departures if each.ready_by > situation.now),
            *edges,
            *_changes(situation),
        ],
        least_minutes=least_minutes,
        surplus=surplus_of(file, prices, situation),
    )
    model = model_of(file, situation)
    problem = _problem(file, window, model, situation)
    return Horizon(file, situation, model, window, problem, prices)


def surplus_of(file: HouseholdFile, prices: Prices, situation: Situation) -> SurplusOf | None:
    """Return what tells the surplus of the home's roofs that a plan may count on, if there is any.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        The rates of the charge point, with what is expected of the roofs if it is behind them.
    situation : Situation
        What is allotted to the charge point.

    Returns
    -------
    callable or None
        The part that is allotted; without an allotment, that of one of all charge points.
    """
    sun = prices.sun
    if sun is None:
        return None
    point = file.vehicles[situation.departure.vehicle].charge_point
    sharing = {car.charge_point for car in file.vehicles.values()} & {*file.points_on_home_meter}
    part = 1 / len(sharing | {point})

    def left(first: int, last: int) -> NDArray[np.float64]:
        shares = np.full(last - first, 0.0 if situation.allotted else part)
        for span in situation.allotted:
            begins = max(0, minute_of(span.start) - first)
            shares[begins : max(begins, minute_of(span.end) - first)] = span.sun_share
        shares *= surplus_kw(file, sun, first, last)
        return shares

    return left


def _tick_minutes(file: HouseholdFile) -> int:
    """Return the household's tick, or one that divides the intervals of a capacity charge."""
    charges = (tariff.capacity_charge for tariff in file.tariffs)
    return gcd(file.household.tick_minutes, *(each.interval_minutes for each in charges if each))


def _changes(situation: Situation) -> list[datetime]:
    """List the instants at which the allotted current changes: a tick should end at each."""
    return [span.start for span in situation.allotted[1:]]


def without_margin(file: HouseholdFile, prices: Prices, situation: Situation) -> Horizon:
    """Lay ticks until the first departure itself, for a need that is out of reach before.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situation : Situation
        As for `horizon_of`.

    Returns
    -------
    Horizon
        With the margin that was given up, and the rest of the last tick.

    Raises
    ------
    TariffError
        If no rate is known before the last departure.
    """  # noqa: DOC502 - raised by prices
    departure = situation.departure
    at_departure = replace(departure, ready_by=departure.instant)
    horizon = horizon_of(file, prices, replace(situation, departure=at_departure))
    ticks = horizon.window.ticks[: horizon.problem.deadlines[0].end]
    begins = ticks[-1].end() if ticks else horizon.situation.now
    return replace(
        horizon,
        given_up=departure.instant - departure.ready_by,
        tail=slots_between(prices, horizon, begins, departure.instant),
    )


def slots_between(
    prices: Prices, horizon: Horizon, start: datetime, end: datetime
) -> tuple[Slot, ...]:
    """Divide some time into slots, each with one rate, one allowed current and one power.

    Parameters
    ----------
    prices : Prices
        The household's rates.
    horizon : Horizon
        Whose vehicle and charge point it is about.
    start, end : datetime
        UTC.

    Returns
    -------
    tuple of Slot
        In order; empty if the end is not after the start. If the vehicle tapers, or the home has a
        roof, none is longer than a tick of the household.
    """
    if start >= end:
        return ()
    currents = horizon.amps_allowed(start, end)
    ticks = timedelta(minutes=horizon.file.household.tick_minutes)
    surplus = surplus_of(horizon.file, prices, horizon.situation)
    longest = ticks if horizon.model.taper or surplus else end - start
    slots = [
        Slot(at, (min(at + longest, ends) - at) / HOUR, span, current.amps)
        for span in prices.spans(start, end)
        for current in currents
        if (begins := max(span.start, current.start, start))
        < (ends := min(span.end, current.end, end))
        for at in (begins + i * longest for i in range(ceil((ends - begins) / longest)))
    ]
    return tuple(with_sources(slots, prices, surplus))


def _amps_allowed(
    file: HouseholdFile, situation: Situation, start: datetime, end: datetime
) -> tuple[AmpsSpan, ...]:
    vehicle = situation.departure.vehicle
    point = file.vehicles[vehicle].charge_point
    spans = amps_allowed(
        file, point, vehicle, start, end,
        by_hours=situation.by_hours, excess=situation.excess, allotted=situation.allotted,
    )  # fmt: skip
    most = most_amps_on_one(file, vehicle) if situation.phases_planned == "one" else None
    return spans if most is None else on_one_phase(spans, most, charge_model(file, vehicle).phases)


def model_of(file: HouseholdFile, situation: Situation) -> ChargeModel:
    """Return the charge model of the vehicle, at what its equipment takes."""
    vehicle, excess = situation.departure.vehicle, situation.excess
    model = charge_model(file, vehicle)
    if situation.allotted:
        own = own_amps(file, file.vehicles[vehicle].charge_point, vehicle)
        most = max(span.amps for span in situation.allotted)
        model = replace(model, amps=max(model.amps, min(own, most)))
    return model if excess is None else replace(model, amps=min(model.amps, excess.taken_amps))


def _in_the_last_days(situation: Situation) -> Situation:
    """Move the start to `PLANNED_DAYS` before the departure if it is further off."""
    opens = situation.departure.ready_by - PLANNED_DAYS
    if situation.now >= opens:
        return situation
    return replace(situation, now=opens, on=False, since=None, later=())


def _least_amps(point: ChargePoint, model: ChargeModel, situation: Situation) -> float | None:
    """Return the least current that a charge point can be set to; None if it can't be set."""
    if point.switching == "on_off" or situation.excess is not None:
        return None
    return point.min_amps / (1 if situation.phases_planned == "all" else model.phases)


def _problem(
    file: HouseholdFile, window: Window, model: ChargeModel, situation: Situation
) -> PlanningProblem:
    car = file.vehicles[situation.departure.vehicle]
    point = file.charge_points[car.charge_point]
    has_surplus = any(tick.surplus_kw for tick in window.ticks)
    return PlanningProblem(
        rates_per_kwh=window.prices_per_kwh,
        highest_amps=window.highest_amps,
        tick_hours=window.tick_hours,
        model=model,
        stored_kwh=model.stored_kwh(situation.soc_percent),
        deadlines=_deadlines(window, model, situation),
        min_amps=_least_amps(point, model, situation),
        start_cost=float(point.start_cost),
        min_run=max(1, _whole_ticks(point.min_run_minutes, window)),
        min_rest=_whole_ticks(point.rest_minutes, window),
        before=SwitchingState(situation.on, _ticks_since(situation, window, point)),
        prefer_late=car.prefer == "late",
        surplus_kw=window.surplus_kw if has_surplus else None,
        export_rates_per_kwh=window.export_prices_per_kwh if has_surplus else None,
    )


def _deadlines(window: Window, model: ChargeModel, situation: Situation) -> tuple[Deadline, ...]:
    count = len(window.ticks)
    step = timedelta(minutes=window.tick_minutes)
    begin = window.ticks[0].start if window.ticks else situation.now
    departures = situation.departures
    ends = [min(count, max(0, (d.ready_by - begin) // step)) for d in departures[:-1]] + [count]
    backs = [-((begin - (d.returns or d.instant)) // step) for d in departures]
    return tuple(
        Deadline(
            end=end,
            need_kwh=kwh_at_any_price(model, departure),
            want_kwh=model.stored_kwh(departure.want_percent),
            max_rate_per_kwh=float(departure.max_rate or 0),
            return_tick=min(max(end, back), following),
            trip_kwh=departure.uses_kwh or 0.0,
        )
        for departure, end, back, following in zip(
            departures, ends, backs, [*ends[1:], count], strict=True
        )
    )


def kwh_at_any_price(model: ChargeModel, departure: DepartureAt) -> float:
    """Return the battery energy to reach whatever it costs [kWh].

    Parameters
    ----------
    model : ChargeModel
        The vehicle.
    departure : DepartureAt
        One of its departures.

    Returns
    -------
    float
        The need; the want if no highest rate limits it [kWh].
    """
    unlimited = departure.max_rate is None
    return model.stored_kwh(departure.want_percent if unlimited else departure.need_percent)


def _whole_ticks(minutes: float, window: Window) -> int:
    return ceil(minutes / window.tick_minutes)


def _ticks_since(situation: Situation, window: Window, point: ChargePoint) -> int:
    """Count the whole ticks that the present state will have lasted at the first tick."""
    if situation.since is None or not window.ticks:
        return LONG_AT_REST.ticks
    lasted = window.ticks[0].start - situation.since
    # A rest begins no later than a run that was just begun would have lasted, whatever clocks say.
    least = 0 if situation.on else -_whole_ticks(point.min_run_minutes, window)
    ticks = max(least, lasted // timedelta(minutes=window.tick_minutes))
    shortest = point.min_run_minutes if situation.on else point.rest_minutes
    # What will have lasted long enough by then counts as such, however it lies to the ticks.
    enough = max(1, _whole_ticks(shortest, window))
    return max(ticks, enough) if lasted >= timedelta(minutes=shortest) else ticks
