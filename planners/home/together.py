"""Plan the vehicles that are plugged in together, and allot each charge point its current."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from math import gcd, isfinite
from typing import TYPE_CHECKING

import numpy as np

from config.household.vehicle import LAST_PRIORITY
from planners.home.allotments import (
    TENTHS,
    Cap,
    all_that_is_left,
    allotted_amps,
    highest_in_minutes,
    limit_left,
    spans_of,
)
from planners.home.capacity_together import with_best_cap
from planners.joint.joint import PROVEN, ever_better
from planners.joint.least_shortages import least_shortages
from planners.joint.plans import (
    by_priority,
    currents_of,
    is_less_short,
    missed_kwh,
    more_for_the_short,
    remember,
)
from planners.joint.problem import JointProblem, SharedLimit
from planners.local_time.conversion import EPOCH, instant_of, minute_of
from planners.plan.horizon import PLANNED_DAYS, horizon_of
from planners.plan.several_nights import prepared_for_later
from planners.power.allowed_currents import AmpsSpan, amps_allowed
from planners.power.charging import NEED_TOLERANCE_PERCENT
from planners.power.phases import left_under, limits_of
from planners.solver.exact import solve
from planners.solver.problem import NEED_TOLERANCE_KWH

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator, Sequence

    from numpy.typing import NDArray

    from config.household.household_file import HouseholdFile
    from planners.carbon.outlook import CarbonOutlook
    from planners.home.capacity_together import KeptTogether
    from planners.joint.integer_programme import Improve
    from planners.plan.horizon import Horizon, Situation
    from planners.rates.prices import Prices
    from planners.solver.solution import Solution


NEED_TOLERANCE = NEED_TOLERANCE_PERCENT / 100
"""A need missed by less than this part of the battery costs nobody a margin: what is a little
behind is made up for in its own."""

ROUNDING = 1e-6
"""Tenths of an ampere this near to a whole number are whole."""

LEAST_TICK_MINUTES = 5
"""No tick is made shorter than this for a departure, a rest or a known load that ends inside it:
minutes would take ten times as long. What vehicles that are short lose by it they get back."""


@dataclass(frozen=True, slots=True)
class HomePlan:
    """What each charge point may draw, and how good the plan is that this comes from.

    Attributes
    ----------
    allotted : dict of str to tuple of AmpsSpan
        For every charge point of the file, from now to the last departure; together they never
        exceed what the rest of the home leaves.
    gap : float
        The most that any other allotment could save [currency]; infinity if not known.
    gap_share : float
        The same as a part of what the energy costs.
    is_short : bool
        Whether a need is missed.
    kept : KeptTogether or None
        The power that a capacity charge makes worth keeping to, if any; the plan is the cheapest
        under it.
    """

    allotted: dict[str, tuple[AmpsSpan, ...]]
    gap: float
    gap_share: float
    is_short: bool
    kept: KeptTogether | None = None


@dataclass(frozen=True, slots=True)
class Together:
    """The joint problem of a home.

    Attributes
    ----------
    horizons : tuple of Horizon
        Of the vehicles that are planned, in ticks of one length.
    joint : JointProblem
        Their problem, in the same order.
    """

    horizons: tuple[Horizon, ...]
    joint: JointProblem


def plan_together(
    file: HouseholdFile,
    prices: Prices,
    situations: Sequence[Situation],
    unplanned: Sequence[str] = (),
    *,
    is_enough: Callable[[], bool] = lambda: False,
    improve: Improve | None = None,
) -> Iterator[HomePlan]:
    """Plan the vehicles of a home together, a little better each time.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates, also those of charge points with a meter of their own.
    situations : sequence of Situation
        One for each vehicle that is plugged in, each at its own charge point. The earliest instant
        of them is now; a vehicle whose situation is later charges nothing before. What they say of
        allotted currents is ignored. A vehicle whose departure is further off than `PLANNED_DAYS`
        is not planned yet.
    unplanned : sequence of str
        Charge points that charge whatever the rates are, with what the plans leave; a vehicle that
        is among `situations` as well has at least what is planned for it.
    is_enough, improve : callable
        As for `planners.joint.joint.ever_better`.

    Yields
    ------
    HomePlan
        See `planners.joint.joint.ever_better`. A vehicle is planned by
        `planners.plan.planning.draft_plan` with the current that is allotted to its charge point.
        One that would miss a need charges until the departure itself, without the margin; so do
        others, if that need then misses less and does not come after theirs by priority. One that
        leaves within a tick takes what the plans leave.

    Raises
    ------
    TariffError
        If no rate is known before the last departure.
    """  # noqa: DOC502 - raised by prices
    stated = state_together(file, prices, situations)
    if stated is None:
        return
    stated = _without_margins(file, prices, situations, stated)
    joint = stated.joint
    capped = with_best_cap(prices, stated.horizons, joint, is_enough)
    cap, kept = None, None
    if capped is not None:
        joint, kept, cap = capped.joint, capped.kept, Cap(capped.kw_per_amp, capped.left_kw)
    unplanned = (*unplanned, *_leaving(file, stated, situations))
    for plan in ever_better(joint, is_enough=is_enough, improve=improve):
        is_short = any(most > NEED_TOLERANCE_KWH for most, _total in plan.shortages_kwh)
        allotted = _allotted(file, stated, plan.plans, unplanned, cap)
        yield HomePlan(allotted, plan.gap, plan.gap_share, is_short, kept)


def gap_sentence(gap_share: float, carbon: CarbonOutlook | None = None, *, is_short: bool) -> str:
    """Say how good plans are together.

    Parameters
    ----------
    gap_share : float
        See `HomePlan`.
    carbon : CarbonOutlook, optional
        The carbon that the plans may count.
    is_short : bool
        Whether a need is missed.

    Returns
    -------
    str
        The end of a sentence.
    """
    counted = ", carbon counted" if carbon is not None and carbon.has_price else ""
    if not isfinite(gap_share):
        return f"not proven to be the cheapest{counted}."
    of = f"{' of what reaches as much' if is_short else ''}{counted}"
    if gap_share <= PROVEN:
        return f"proven to be the cheapest{of}."
    return f"proven within {100 * gap_share:.2g} % of the cheapest{of}."


def state_together(
    file: HouseholdFile, prices: Prices, situations: Sequence[Situation]
) -> Together | None:
    """State the joint problem of the vehicles of a home.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    prices : Prices
        Its rates.
    situations : sequence of Situation
        As for `plan_together`.

    Returns
    -------
    Together or None
        None if no vehicle has a tick to charge in.

    Raises
    ------
    TariffError
        If no rate is known before the last departure.
    """  # noqa: DOC502 - raised by prices
    near = _near(situations)
    horizons = [each for each in _on_one_grid(file, prices, near) if each.window.ticks]
    if not horizons:
        return None
    tick_minutes = horizons[0].window.tick_minutes
    first = minute_of(horizons[0].window.ticks[0].start)
    ticks = max(horizon.problem.ticks for horizon in horizons)
    alone = [solve(horizon.problem) for horizon in horizons]
    prepared = [prepared_for_later(*each) for each in zip(horizons, alone, strict=True)]
    joint = JointProblem(
        vehicles=tuple(horizon.problem for horizon in prepared),
        limits=_shared_limits(file, horizons, first, ticks, tick_minutes),
        safe_amps=tuple(
            horizon_of(
                file,
                prices.at(horizon.charge_point),
                replace(horizon.situation, allotted=()),
                tick_minutes=tick_minutes,
                edges=_edges(near),
                least_minutes=LEAST_TICK_MINUTES,
            ).window.highest_amps
            for horizon in horizons
        ),
        priorities=_priorities(file, horizons),
    )
    for place, solution in enumerate(alone):
        if prepared[place] is horizons[place]:
            remember(joint, place, solution)
    return Together(tuple(prepared), joint)


def _near(situations: Sequence[Situation]) -> list[Situation]:
    """Return those that leave soon enough, seen from now: one may begin to charge much later."""
    now = min((each.now for each in situations), default=None)
    return [each for each in situations if now and each.departure.ready_by - now <= PLANNED_DAYS]


def _leaving(file: HouseholdFile, stated: Together, situations: Sequence[Situation]) -> list[str]:
    """List the charge points of vehicles that leave before they have a tick to plan."""
    planned = {each.charge_point for each in stated.horizons}
    near = [each.departure.vehicle for each in _near(situations)]
    return [point for car in near if (point := file.vehicles[car].charge_point) not in planned]


def _shared_limits(
    file: HouseholdFile, horizons: Sequence[Horizon], first_minute: int, ticks: int, step: int
) -> tuple[SharedLimit, ...]:
    """Write each limit, in ticks of `step` minutes, with the vehicles that count against it."""
    cars = [horizon.situation.departure.vehicle for horizon in horizons]
    return tuple(
        SharedLimit(
            tuple(limit.vehicles.get(car, 0.0) for car in cars),
            limit_left(file, limit, first_minute, ticks, step),
        )
        for limit in limits_of(file)
        if limit.vehicles.keys() & set(cars)
    )


def _priorities(file: HouseholdFile, horizons: Sequence[Horizon]) -> tuple[int, ...]:
    """Return each vehicle's priority; those without one come after all others."""
    cars = [file.vehicles[horizon.situation.departure.vehicle] for horizon in horizons]
    return tuple(LAST_PRIORITY + 1 if car.priority is None else car.priority for car in cars)


def _without_margins(
    file: HouseholdFile, prices: Prices, situations: Sequence[Situation], stated: Together
) -> Together:
    """Give up margins before first departures that cost a need some charge: see `plan_together`."""
    plans = next(ever_better(stated.joint)).plans
    missed = [
        car
        for car, horizon, plan in zip(_cars(stated), stated.horizons, plans, strict=True)
        if missed_kwh(horizon.problem, plan)[0] > NEED_TOLERANCE * horizon.model.usable_kwh
    ]
    ranks = dict(zip(_cars(stated), stated.joint.ranks, strict=True))
    others = [car for car in ranks if missed and ranks[car] >= min(ranks[each] for each in missed)]
    for cars in missed, [*missed, *others]:
        late = [
            _at_departure(each) if each.departure.vehicle in cars else each for each in situations
        ]
        trial = None if late == list(situations) else state_together(file, prices, late)
        if trial is not None and (cars is missed or _is_less_short(trial, stated)):
            stated = trial
    return stated


def _is_less_short(trial: Together, stated: Together) -> bool:
    """Tell whether less must be missed."""
    mine, its = (
        by_priority(each.joint, least_shortages(each.joint).short_kwh.tolist())
        for each in (trial, stated)
    )
    return len(mine) == len(its) and bool(is_less_short(mine, its))


def _cars(stated: Together) -> list[str]:
    return [horizon.situation.departure.vehicle for horizon in stated.horizons]


def _at_departure(situation: Situation) -> Situation:
    """Charge until the departure itself, as `planners.plan.horizon.without_margin` does."""
    departure = replace(situation.departure, ready_by=situation.departure.instant)
    return replace(situation, departure=departure)


def _allotted(
    file: HouseholdFile,
    stated: Together,
    plans: Sequence[Solution],
    unplanned: Sequence[str],
    cap: Cap | None,
) -> dict[str, tuple[AmpsSpan, ...]]:
    """Allot the currents of the plans, and what they leave."""
    horizons, joint = stated.horizons, stated.joint
    tick_minutes = horizons[0].window.tick_minutes
    now = minute_of(horizons[0].situation.now)
    first = minute_of(horizons[0].window.ticks[0].start)
    currents = currents_of(joint, plans)
    shares = _sun_shares(joint, currents)
    currents = _in_tenths(joint, currents)
    is_short = any(any(missed_kwh(*each)) for each in zip(joint.vehicles, plans, strict=True))
    if is_short:
        joint, currents = _by_minutes(file, stated, currents, first)
        currents = more_for_the_short(joint, plans, currents)
        cap = None if cap is None else cap.by_minutes(tick_minutes, joint.ticks)
        shares = np.repeat(shares, tick_minutes, axis=1)[:, : joint.ticks]
        left_over = joint.ticks - shares.shape[1]
        shares = np.pad(shares, ((0, 0), (0, left_over)), constant_values=1.0)
        tick_minutes = 1
    planned = {each.charge_point: row for each, row in zip(horizons, currents, strict=True)}
    allotted = allotted_amps(
        file, planned, first_minute=first, ticks=joint.ticks, tick_minutes=tick_minutes,
        unplanned=unplanned, cap=cap, is_short=is_short,
    )  # fmt: skip
    # Until the first tick the same holds, unless the rest of the home then leaves less.
    is_same = first > now and all(
        limit.taken({name: float(amps[0]) for name, amps in allotted.items()})
        <= left_under(file, limit, now, first).min()
        for limit in limits_of(file)
    )
    own = {each.charge_point: row for each, row in zip(horizons, shares, strict=False)}
    return {
        name: spans_of(
            amps, first, tick_minutes, now if is_same else first, own.get(name, shares[-1])
        )
        for name, amps in allotted.items()
    }


def _in_tenths(joint: JointProblem, currents: NDArray[np.float64]) -> NDArray[np.float64]:
    """Round currents that follow the sun up to tenths of an ampere, where that fits."""
    # Hardware takes no finer ones, and runs of one current would fall apart by rounding.
    if joint.sunniest is None:
        return currents
    highest = np.zeros(currents.shape)
    for row, problem in zip(highest, joint.vehicles, strict=True):
        row[: problem.ticks] = problem.highest_amps
    rounded = np.minimum(np.ceil(currents * TENTHS - ROUNDING) / TENTHS, highest)
    fits = np.ones(currents.shape[1], np.bool_)
    for limit in joint.limits:
        fits &= np.array(limit.weights) @ rounded <= limit.left
    return np.where(fits & (currents > 0), rounded, currents)


def _sun_shares(joint: JointProblem, currents: NDArray[np.float64]) -> NDArray[np.float64]:
    """Share what the roofs leave by what each vehicle draws, and say what is left to others.

    Returns
    -------
    ndarray of float, shape (vehicles + 1, ticks)
        1 in a tick in which none of them draws; the last row is for charge points without a plan.
    """
    shared = np.array([each.surplus_kw is not None for each in joint.vehicles])
    kw_per_amp = np.array([each.model.kw_per_amp for each in joint.vehicles])
    kw = np.vstack((currents * (kw_per_amp * shared)[:, None], np.zeros(currents.shape[1])))
    total = kw.sum(axis=0)
    return np.where(total > 0, kw / np.where(total > 0, total, 1.0), 1.0)


def _by_minutes(
    file: HouseholdFile, stated: Together, currents: NDArray[np.float64], first: int
) -> tuple[JointProblem, NDArray[np.float64]]:
    """State what may be drawn, and what is, in ticks of a minute, until the vehicles leave."""
    # Also in a margin that is kept: nothing more is allotted there, or a vehicle that is a little
    # behind would wait for it.
    ends = [minute_of(each.situation.departures[-1].instant) for each in stated.horizons]
    minutes = max(ends) - first
    vehicles = tuple(
        problem.during(
            0,
            0,
            rates_per_kwh=np.zeros(end - first),
            highest_amps=_highest_amps(file, horizon.situation, first, end),
            surplus_kw=None,
            export_rates_per_kwh=None,
        )
        for problem, horizon, end in zip(stated.joint.vehicles, stated.horizons, ends, strict=True)
    )
    limits = _shared_limits(file, stated.horizons, first, minutes, 1)
    per_minute = np.repeat(currents, stated.horizons[0].window.tick_minutes, axis=1)
    per_minute = np.pad(per_minute, ((0, 0), (0, minutes - per_minute.shape[1])))
    return replace(stated.joint, vehicles=vehicles, limits=limits, solutions={}), per_minute


def _highest_amps(
    file: HouseholdFile, situation: Situation, first: int, end: int
) -> NDArray[np.float64]:
    """Return what a vehicle may draw in each minute, with all that the home leaves."""
    start, until = instant_of(first), instant_of(end)
    car = situation.departure.vehicle
    spans = amps_allowed(
        file, file.vehicles[car].charge_point, car, start, until,
        by_hours=situation.by_hours, excess=situation.excess,
        allotted=all_that_is_left(file, start, until, car),
    )  # fmt: skip
    return highest_in_minutes(spans, first, end)


def _on_one_grid(
    file: HouseholdFile, prices: Prices, situations: Sequence[Situation]
) -> list[Horizon]:
    """State each vehicle's problem with all that the home leaves, in ticks of one length."""
    if not situations:
        return []
    edges = _edges(situations)
    now, end = min(each.now for each in situations), max(edges)
    if now >= end:
        return []  # all of them must rest until they have to be ready
    tick_minutes: int = file.household.tick_minutes
    alone = [
        replace(
            each,
            now=now,
            allotted=(
                *all_that_is_left(file, now, end, each.departure.vehicle),
                *_nothing(now, now if each.now == now else _next_tick(each.now, tick_minutes)),
            ),
        )
        for each in situations
    ]
    while True:
        horizons = [
            horizon_of(
                file,
                prices.at(file.vehicles[situation.departure.vehicle].charge_point),
                situation,
                tick_minutes=tick_minutes,
                edges=edges,
                least_minutes=LEAST_TICK_MINUTES,
            )
            for situation in alone
        ]
        common = gcd(*(horizon.window.tick_minutes for horizon in horizons))
        if common == tick_minutes or len({h.window.tick_minutes for h in horizons}) == 1:
            return horizons
        tick_minutes = common


def _next_tick(instant: datetime, tick_minutes: int) -> datetime:
    """Round up to a whole tick: a vehicle that begins at an odd minute must not shorten all."""
    minutes = -(-(instant - EPOCH) // timedelta(minutes=tick_minutes)) * tick_minutes
    return EPOCH + timedelta(minutes=minutes)


def _nothing(start: datetime, end: datetime) -> tuple[AmpsSpan, ...]:
    """Give a span in which nothing is charged, if there is one."""
    return (AmpsSpan(start, end, 0.0),) if end > start else ()


def _edges(situations: Sequence[Situation]) -> list[datetime]:
    """List the instants at which a vehicle must be ready; a tick ends at each."""
    return [each.ready_by for situation in situations for each in situation.departures]
