"""Find the currents that a household file allows, and the charge model they give.

No current may ever exceed `highest_amps`. In hours in which the rest of the home is known to draw
current, less is left, and nothing while the circuit has no power or no vehicle counts as plugged
in: `amps_allowed` says when, and how much.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from config.household.consistency import lowest_amps
from planners.local_time.conversion import DAY_MINUTES, instant_of, minute_of
from planners.local_time.remembering import remembered
from planners.local_time.zone_offsets import offsets_between
from planners.power.charging import ChargeModel
from planners.power.circuits import powered_minutes
from planners.power.main_fuse import CurrentRange, share_of_limits
from planners.power.phases import left_under, limits_of
from planners.rates.runs import run_starts

if TYPE_CHECKING:
    from zoneinfo import ZoneInfo

    from numpy.typing import NDArray

    from config.household.equipment import ChargePoint
    from config.household.household_file import Hours, HouseholdFile
    from planners.power.excess_current import ExcessCurrent

HIGHEST_AMPS = 80.0
"""The highest current of equipment after IEC 61851-1 [A per phase]."""


@dataclass(frozen=True, slots=True)
class AmpsSpan:
    """A stretch of time with one allowed current.

    Attributes
    ----------
    start, end : datetime
        UTC; `end` is the first instant outside.
    amps : float
        The highest current [A per phase]; 0 if the vehicle can't charge.
    sun_share : float
        The part of what the home's roofs leave that a plan of several vehicles gives this one.
    """

    start: datetime
    end: datetime
    amps: float
    sun_share: float = 1.0


@remembered
def highest_amps(file: HouseholdFile, charge_point: str, vehicle: str) -> float:
    """Return the highest current that charge point, vehicle and fuse all allow.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point, vehicle : str
        Their names in the file.

    Returns
    -------
    float
        Current per phase. Charge points that together could draw more than a phase of the main
        fuse carries share it, so that they never exceed it together, whatever each of them does.
    """
    return _limited(file, vehicle, fixed_parts(file)[charge_point])


@remembered
def fixed_parts(file: HouseholdFile) -> dict[str, float]:
    """Return the fixed part of what they share that each charge point has [A per phase]."""
    # What the grid operator allows for a time does not count: `amps_allowed` knows when it holds.
    ranges = {
        name: CurrentRange(lowest_amps(point), point.max_amps)
        for name, point in file.charge_points.items()
    }
    limits = [(limit.points, limit.amps) for limit in limits_of(file) if limit.kind != "grid"]
    return {name: share_of_limits(ranges, name, limits) for name in ranges}


def amps_allowed(
    file: HouseholdFile,
    charge_point: str,
    vehicle: str,
    start: datetime,
    end: datetime,
    *,
    by_hours: bool = False,
    excess: ExcessCurrent | None = None,
    allotted: tuple[AmpsSpan, ...] = (),
) -> tuple[AmpsSpan, ...]:
    """Return the allowed current over time, given the home's known load.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point, vehicle : str
        Their names in the file.
    start, end : datetime
        Aware.
    by_hours : bool
        Whether the vehicle counts as plugged in only in the `plugged_in` hours of the charge
        point, if it declares any.
    excess : ExcessCurrent, optional
        What the equipment has taken instead of the current that it was told.
    allotted : tuple of AmpsSpan, optional
        The current that a plan for the whole home allots to the charge point, in place of its
        fixed share of the main fuse, over whole minutes and without a gap. Before and after these
        times the share holds.

    Returns
    -------
    tuple of AmpsSpan
        From `start` to `end` without a gap, the current changing from each to the next; empty
        if `end` is not after `start`. No current is above `highest_amps`; it is 0 if too little
        is left for the lowest current that can be set, or for the load that a relay switches on,
        while the circuit has no power, and while the vehicle does not count as plugged in.
        Equipment with an `excess` gets what it takes, or 0 where that is more than is allowed.
    """
    # In UTC: of one zone's times that the clock shows twice, the two are equal.
    since, until = start.astimezone(UTC), end.astimezone(UTC)
    return _amps_allowed(file, charge_point, vehicle, since, until, by_hours, excess, allotted)


@remembered  # one event asks about the same time again and again
def _amps_allowed(  # noqa: PLR0917 - those of `amps_allowed`
    file: HouseholdFile,
    charge_point: str,
    vehicle: str,
    start: datetime,
    end: datetime,
    by_hours: bool,  # noqa: FBT001 - likewise
    excess: ExcessCurrent | None,
    allotted: tuple[AmpsSpan, ...],
) -> tuple[AmpsSpan, ...]:
    if end <= start:
        return ()
    first, last = minute_of(start), minute_of(end - datetime.resolution) + 1
    amps = _amps_of_minutes(file, charge_point, vehicle, first, last)
    _allot(
        amps,
        first,
        allotted,
        file.charge_points[charge_point],
        own_amps(file, charge_point, vehicle),
    )
    powered = powered_minutes(file, charge_point, first, last)
    if powered is not None:
        amps = np.where(powered, amps, 0.0)
    hours = file.charge_points[charge_point].plugged_in
    if by_hours and hours is not None:
        amps = np.where(_is_in_hours(hours, file.zone, first, last), amps, 0.0)
    if excess is not None:
        taken = {allowed: _taken(excess, allowed) for allowed in np.unique(amps).tolist()}
        amps = np.array([taken[allowed] for allowed in amps.tolist()])
    starts = run_starts(amps)
    edges = [start, *(instant_of(first + int(place)) for place in starts[1:]), end]
    return tuple(
        AmpsSpan(since, until, float(amps[place]))
        for (since, until), place in zip(pairwise(edges), starts, strict=True)
    )


@remembered
def with_any_equipment(file: HouseholdFile, charge_point: str) -> HouseholdFile:
    """Return the household with equipment at a charge point that takes all that is left to it.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point : str
        Its name in the file.

    Returns
    -------
    HouseholdFile
        With `HIGHEST_AMPS` there. The other charge points take all of their current, like relays.
    """
    own = {"switching": "current", "max_amps": HIGHEST_AMPS}
    points = {
        name: point.model_copy(update=own if name == charge_point else {"switching": "on_off"})
        for name, point in file.charge_points.items()
    }
    return file.model_copy(update={"charge_points": points})


def _amps_of_minutes(
    file: HouseholdFile, charge_point: str, vehicle: str, first: int, last: int
) -> NDArray[np.float64]:
    """Return the highest current of each UTC minute [A per phase]."""
    ceiling = highest_amps(file, charge_point, vehicle)
    limits = [limit for limit in limits_of(file) if charge_point in limit.points]
    if not limits or not (file.household.known_load or file.grid_limits):
        return np.full(last - first, ceiling)
    ranges, members = ranges_of(file), [limit.points for limit in limits]
    left = np.array([left_under(file, limit, first, last) for limit in limits])
    columns, place = np.unique(left, axis=1, return_inverse=True)
    shares = [
        share_of_limits(ranges, charge_point, zip(members, column, strict=True))
        for column in columns.T.tolist()
    ]
    return np.array([min(ceiling, share) for share in shares])[place.reshape(-1)]


def _allot(
    amps: NDArray[np.float64],
    first: int,
    allotted: tuple[AmpsSpan, ...],
    point: ChargePoint,
    own: float,
) -> None:
    """Put the allotted current in place of the share, from minute `first` on."""
    for span in allotted:
        during = slice(*(max(0, minute_of(each) - first) for each in (span.start, span.end)))
        lowest = own if point.switching == "on_off" else point.min_amps
        amps[during] = min(own, span.amps) if span.amps >= lowest else 0.0


def own_amps(file: HouseholdFile, charge_point: str, vehicle: str) -> float:
    """Return the highest current that charge point and vehicle allow, whatever the fuse carries.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    charge_point, vehicle : str
        Their names in the file.

    Returns
    -------
    float
        Current per phase.
    """
    return _limited(file, vehicle, file.charge_points[charge_point].max_amps)


def _taken(excess: ExcessCurrent, allowed_amps: float) -> float:
    return min(allowed_amps, excess.taken_amps) if excess.fits(allowed_amps) else 0.0


def _is_in_hours(hours: Hours, zone: ZoneInfo, first: int, last: int) -> NDArray[np.bool_]:
    """Tell for each UTC minute whether it lies in hours of the local clock."""
    of_day = np.array([hours.contains(minute) for minute in range(DAY_MINUTES)])
    local = offsets_between(zone, first, last).to_local(np.arange(first, last))
    return of_day[local % DAY_MINUTES]


def ranges_of(file: HouseholdFile) -> dict[str, CurrentRange]:
    """Return the range of every charge point, a relay's by what its vehicles draw."""
    ranges: dict[str, CurrentRange] = {}
    for name, point in file.charge_points.items():
        if point.switching == "current":
            ranges[name] = CurrentRange(point.min_amps, point.max_amps)
        else:
            cars = [car for car, each in file.vehicles.items() if each.charge_point == name]
            drawn = max([_limited(file, car, point.max_amps) for car in cars], default=0.0)
            ranges[name] = CurrentRange(drawn, drawn)
    return ranges


def _limited(file: HouseholdFile, vehicle: str, amps: float) -> float:
    own = file.vehicles[vehicle].max_amps
    return float(amps if own is None else min(amps, own))


@remembered
def charge_model(file: HouseholdFile, vehicle: str, *, amps: float | None = None) -> ChargeModel:
    """Return the charge model of a vehicle at its own charge point.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Its name in the file.
    amps : float, optional
        A current [A] instead of the highest allowed one, to see what it would change.

    Returns
    -------
    ChargeModel
        With as many phases as both the charge point and the vehicle have.
    """
    car = file.vehicles[vehicle]
    point = file.charge_points[car.charge_point]
    return ChargeModel(
        amps=highest_amps(file, car.charge_point, vehicle) if amps is None else amps,
        phases=min(point.phases, car.phases),
        volts=file.household.nominal_volts,
        usable_kwh=car.usable_kwh,
        efficiency=car.charging_efficiency_percent / 100,
        standby_kw=car.standby_watts / 1000,
        taper=tuple((soc, share) for soc, share in car.taper or ()),
    )
