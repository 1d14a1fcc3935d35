"""Divide the current under the main fuse among charge points, tick by tick."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime
from itertools import pairwise
from typing import TYPE_CHECKING, Literal

import numpy as np

from planners.local_time.conversion import instant_of, minute_of
from planners.local_time.remembering import remembered
from planners.power.allowed_currents import AmpsSpan, ranges_of
from planners.power.home_load import highest_load
from planners.power.main_fuse import FUSE_DIGITS, CurrentRange, share_of_limits
from planners.power.phases import left_under, limits_of, taken_of
from planners.rates.runs import run_starts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    from config.household.household_file import HouseholdFile
    from planners.plan.plan import Plan
    from planners.power.phases import SupplyLimit


TENTHS = 10

PAIR = 2


@dataclass(frozen=True, slots=True, eq=False)
class Cap:
    """A power that charge points keep to together, unless a person lets one charge at once.

    Attributes
    ----------
    kw_per_amp : mapping of str to float
        The charge points, and what each draws for each ampere per phase [kW].
    left_kw : ndarray of float, shape (ticks,)
        What they may draw together in each tick [kW].
    """

    kw_per_amp: Mapping[str, float]
    left_kw: NDArray[np.float64]

    def by_minutes(self, tick_minutes: int, minutes: int) -> Cap:
        """Return the same for so many ticks of a minute; after the last tick its own holds on."""
        each = np.repeat(self.left_kw, tick_minutes)[:minutes]
        return replace(self, left_kw=np.pad(each, (0, minutes - len(each)), mode="edge"))


@remembered
def shares_by_plan(file: HouseholdFile) -> bool:
    """Whether the charge points share the main fuse by a joint plan, and not in fixed parts.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Returns
    -------
    bool
        False if the main fuse carries all charge points at a time, or none is declared. False if
        hardware knows no time limit, because more than its fixed part must end by itself; or if it
        reports nothing, because then it never shows that it has given way.
    """
    if not any(_binds(file, limit) for limit in limits_of(file)):
        return False
    return all(point.ends_by_itself for point in file.charge_points.values())


@remembered
def plans_together(file: HouseholdFile) -> bool:
    """Whether vehicles are planned together: they share the main fuse, a capacity charge, or a sun.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Returns
    -------
    bool
        For a capacity charge, or the home's own roofs, only if the hardware can follow a joint
        plan, as for the main fuse.
    """
    shares_money = any(tariff.capacity_charge for tariff in file.home_tariffs)
    shares_money = shares_money or file.generation is not None
    sharing = {car.charge_point for car in file.vehicles.values()} & {*file.points_on_home_meter}
    if not shares_money or len(sharing) < PAIR:
        return shares_by_plan(file)
    return all(point.ends_by_itself for point in file.charge_points.values())


def _binds(file: HouseholdFile, limit: SupplyLimit) -> bool:
    """Whether charge points may draw more together than a limit allows."""
    loads = [highest_load(file, phase) for phase in limit.phases if limit.kind != "unbalance"]
    most = limit.taken({name: point.max_amps for name, point in file.charge_points.items()})
    return most + sum(loads) > limit.amps


def limit_left(
    file: HouseholdFile, limit: SupplyLimit, first_minute: int, ticks: int, tick_minutes: int
) -> NDArray[np.float64]:
    """Return what the rest of the home leaves of one limit in each tick.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    limit : SupplyLimit
        One of `planners.power.phases.limits_of`.
    first_minute : int
        UTC minute at which the first tick begins.
    ticks, tick_minutes : int
        Number and length of the ticks.

    Returns
    -------
    ndarray of float, shape (ticks,)
        The least in any minute of the tick [A], not negative.
    """
    minutes = left_under(file, limit, first_minute, first_minute + ticks * tick_minutes)
    least: NDArray[np.float64] = minutes.reshape(ticks, tick_minutes).min(axis=1)
    return least


def all_that_is_left(
    file: HouseholdFile, start: datetime, end: datetime, vehicle: str
) -> tuple[AmpsSpan, ...]:
    """Return what the rest of the home leaves under the main fuse, for one charge point alone.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    start, end : datetime
        UTC.
    vehicle : str
        The one that charges: only its own phases count.

    Returns
    -------
    tuple of AmpsSpan
        Over whole minutes, from the one of the start to the one of the end.
    """
    first, last = minute_of(start), minute_of(end) + 1
    own = [limit for limit in limits_of(file) if vehicle in limit.vehicles]
    left = np.full(last - first, np.inf)
    for limit in own:
        own_left = left_under(file, limit, first, last)
        if limit.kind == "power":  # to a tenth of an ampere: it comes from kilowatts
            own_left = np.floor(TENTHS * own_left / limit.vehicles[vehicle]) / TENTHS
        if limit.kind == "grid":  # to a whole one: equipment may round up what it is told
            own_left = np.floor(own_left / limit.vehicles[vehicle])
        left = np.minimum(left, own_left)
    return spans_of(left, first, 1, first)


def amps_unused(
    file: HouseholdFile, plans: Sequence[Plan], kind: Literal["fuse", "power"] = "fuse"
) -> Callable[[datetime, datetime], float] | None:
    """Return a function that finds what plans leave under the main fuse, or of the home's power.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    plans : sequence of Plan
        Of vehicles at different charge points.
    kind : str
        Which of the two.

    Returns
    -------
    callable or None
        From one instant to another: the least that the rest of the home and the plans leave in
        any minute, on the phase with the least; of the power in the sum of the phases [A]. None if
        the household declares no such limit.
    """
    limits = [limit for limit in limits_of(file) if limit.kind == kind]
    if not limits:
        return None
    periods = [
        (plan.vehicle, period)
        for plan in plans
        for period in (*plan.periods, *(each for night in plan.later for each in night.periods))
    ]

    def unused(start: datetime, end: datetime) -> float:
        first, last = minute_of(start), minute_of(end - datetime.resolution) + 1
        least = np.inf
        for limit in limits:
            left = left_under(file, limit, first, last)
            for vehicle, period in periods:
                ends = minute_of(period.end - datetime.resolution) + 1 - first
                during = slice(max(0, minute_of(period.start) - first), max(0, ends))
                amps = period.amps if kind == "power" else period.told_amps
                left[during] -= amps * limit.vehicles.get(vehicle, 0.0)
            least = min(least, float(left.min()))
        return least

    return unused


def allotted_amps(
    file: HouseholdFile,
    planned: Mapping[str, NDArray[np.float64]],
    *,
    first_minute: int,
    ticks: int,
    tick_minutes: int,
    unplanned: Sequence[str] = (),
    cap: Cap | None = None,
    is_short: bool = False,
) -> dict[str, NDArray[np.float64]]:
    """Allot every charge point a current, so that together they never take more than is left.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    planned : mapping of str to ndarray of float, each of shape (ticks,)
        The current that is planned for each charge point with a vehicle; together they fit
        [A per phase].
    first_minute : int
        UTC minute at which the first tick begins.
    ticks, tick_minutes : int
        Number and length of the ticks.
    unplanned : sequence of str
        Charge points that charge whatever is planned for them, with what the plans leave as well.
    cap : Cap, optional
        What the planned ones keep to together.
    is_short : bool
        Whether a need is missed.

    Returns
    -------
    dict of str to ndarray of float, each of shape (ticks,)
        For every charge point of the file: the planned current where one is planned. What is then
        left of each phase is shared in fixed parts: among those that charge whatever is planned,
        and what these leave among the other planned ones that do not charge; but these get nothing
        more while a need is missed. The others get nothing: no vehicle is there.
    """
    # With current to spare at other hours, a vehicle would wait for cheaper ones, and when it is
    # planned again, more would be missing.
    ranges = ranges_of(file)
    limits = limits_of(file)
    left = [limit_left(file, limit, first_minute, ticks, tick_minutes) for limit in limits]
    members = [limit.points for limit in limits]
    if cap is not None:
        left, members = [*left, cap.left_kw], [*members, cap.kw_per_amp]
    taken = [planned.get(name, np.zeros(ticks)) for name in ranges]
    columns, place = np.unique(np.vstack((*left, *taken)), axis=1, return_inverse=True)
    for column in columns.T:
        amps = dict(zip(ranges, column[len(members) :].tolist(), strict=True))
        at_once = {name: _more(ranges[name], amps[name]) for name in ranges if name in unplanned}
        idle = {
            name: ranges[name]
            for name in ranges
            if name in planned and name not in unplanned and not amps[name] and not is_short
        }
        for sharers, count in ((at_once, len(limits)), (idle, len(members))):
            rest = [
                (points, max(0.0, round(amount - taken_of(points, amps), FUSE_DIGITS)))
                for points, amount in zip(members[:count], column.tolist(), strict=False)
            ]
            amps |= {name: amps[name] + share_of_limits(sharers, name, rest) for name in sharers}
        column[len(members) :] = list(amps.values())
    return dict(zip(ranges, columns[len(members) :, place.reshape(-1)], strict=True))


def _more(currents: CurrentRange, planned_amps: float) -> CurrentRange:
    """Return what a charge point may take more than is planned for it."""
    if not planned_amps:
        return currents
    return CurrentRange(0.0, max(0.0, currents.highest - planned_amps))


def spans_of(
    amps: NDArray[np.float64],
    first_minute: int,
    tick_minutes: int,
    from_minute: int,
    sun_shares: NDArray[np.float64] | None = None,
) -> tuple[AmpsSpan, ...]:
    """Return currents of ticks as spans of time.

    Parameters
    ----------
    amps : ndarray of float, shape (ticks,)
        Current of each tick [A per phase].
    first_minute : int
        UTC minute at which the first tick begins.
    tick_minutes : int
        Length of a tick.
    from_minute : int
        UTC minute from which the first tick's current already holds.
    sun_shares : ndarray of float, shape (ticks,), optional
        See `AmpsSpan.sun_share`; 1 unless given.

    Returns
    -------
    tuple of AmpsSpan
        In order, without a gap; neighbours differ.
    """
    shares = np.ones(len(amps)) if sun_shares is None else sun_shares
    starts = run_starts(np.column_stack((amps, shares)))
    places = [*(int(start) for start in starts), len(amps)]
    minutes = [from_minute, *(first_minute + place * tick_minutes for place in places[1:])]
    edges = [instant_of(minute) for minute in minutes]
    return tuple(
        AmpsSpan(since, until, float(amps[place]), float(shares[place]))
        for (since, until), place in zip(pairwise(edges), places, strict=False)
    )


def highest_in_minutes(spans: Iterable[AmpsSpan], first: int, last: int) -> NDArray[np.float64]:
    """Return the highest current of spans in each UTC minute; 0 where there is none.

    Parameters
    ----------
    spans : iterable of AmpsSpan
        May overlap.
    first, last : int
        UTC minutes; `last` is the first one outside.

    Returns
    -------
    ndarray of float, shape (last - first,)
        A span counts in every minute that it touches [A per phase].
    """
    found = np.zeros(last - first)
    for span in spans:
        begins = max(0, minute_of(span.start) - first)
        ends = minute_of(span.end - span.end.resolution) + 1 - first
        if ends > begins:
            during = slice(begins, ends)
            found[during] = np.maximum(found[during], span.amps)
    return found
