"""Find what charge points share: the main fuse, the home's power, the unbalance of phases.

And what the grid operator allows for a time.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from math import inf
from typing import TYPE_CHECKING, Literal

import numpy as np

from config.household.consistency import most_phases
from config.household.household_file import WATTS_PER_KW
from planners.local_time.conversion import minute_of
from planners.local_time.remembering import remembered
from planners.power.home_load import home_load
from planners.power.main_fuse import FUSE_DIGITS

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from numpy.typing import NDArray

    from config.home.grid_limit import LimitInForce
    from config.household.household_file import HouseholdFile


@dataclass(frozen=True, slots=True)
class SupplyLimit:
    """A current that some vehicles may draw together.

    Attributes
    ----------
    kind : str
        A `fuse` carries the rest of the home as well, and so does the `power` of the whole home;
        the `unbalance` counts charging alone. A limit of the `grid` operator holds for a time.
    phases : tuple of str
        The phases of the supply that it is about; empty for a limit of charging alone.
    amps : float
        The fuse of the phase; how much more it may carry than another phase; or of the power, what
        the phases may carry in sum [A].
    vehicles : mapping of str to float
        The vehicles whose current counts, and how many times: once; against the power, once for
        each phase on which a vehicle of its charge point charges. Against the unbalance, those
        count that do not load all phases alike: then it holds whichever of them charge.
    points : mapping of str to float
        Their charge points, and those without a vehicle.
    until : datetime or None
        When it ends; None if no end is known.
    """

    kind: Literal["fuse", "unbalance", "power", "grid"]
    phases: tuple[str, ...]
    amps: float
    vehicles: Mapping[str, float]
    points: Mapping[str, float]
    until: datetime | None = None

    def taken(self, amps: Mapping[str, float]) -> float:
        """Return what charge points take of it that draw so much [A per phase]."""
        return taken_of(self.points, amps)


def taken_of(points: Mapping[str, float], amps: Mapping[str, float]) -> float:
    """Return what charge points take of something, each so many times its current."""
    return sum(points[name] * each for name, each in amps.items() if name in points)


def phases_of(file: HouseholdFile, vehicle: str) -> tuple[str, ...]:
    """Return the phases of the supply that a vehicle loads: the first of its charge point's."""
    car = file.vehicles[vehicle]
    return file.charge_points[car.charge_point].phase_names[: car.phases]


@dataclass(frozen=True, slots=True)
class PhaseUsers:
    """The charge points whose current a phase carries.

    Attributes
    ----------
    possible : frozenset of str
        Those that may load it, as far as the file tells.
    certain : frozenset of str
        Those that load it whenever they draw current.
    """

    possible: frozenset[str]
    certain: frozenset[str]


@remembered
def users_of_phases(file: HouseholdFile) -> dict[str, PhaseUsers]:
    """Return the charge points on each phase of the supply, for readings of its real load.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Returns
    -------
    dict of str to PhaseUsers
        By phase. A charge point without `connected_to` may load any phase, unless it loads all.
    """
    home = file.household.phases
    possible: dict[str, set[str]] = {phase: set() for phase in home}
    certain: dict[str, set[str]] = {phase: set() for phase in home}
    for name, point in file.charge_points.items():
        fewest, most = phases_in_use(file, name)
        is_known = point.connected_to is not None
        loaded = point.phase_names if is_known else home
        for phase in home:
            if phase in (loaded[:most] if is_known else home):
                possible[phase].add(name)
            if phase in loaded[:fewest] and (is_known or fewest >= len(home)):
                certain[phase].add(name)
    return {
        phase: PhaseUsers(frozenset(possible[phase]), frozenset(certain[phase])) for phase in home
    }


@remembered
def phases_in_use(file: HouseholdFile, charge_point: str) -> tuple[int, int]:
    """Return on how many phases the vehicles of a charge point charge, at least and at most."""
    point = file.charge_points[charge_point]
    cars = [car for car in file.vehicles.values() if car.charge_point == charge_point]
    fewest = min((car.phases for car in cars), default=1)
    return min(point.phases, fewest), most_phases(point, cars)


@remembered
def limits_of(file: HouseholdFile) -> tuple[SupplyLimit, ...]:
    """List all that charge points share.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Returns
    -------
    tuple of SupplyLimit
        Without those that others include; empty if neither a fuse nor a limit is declared, and the
        grid operator sets none.
    """
    home = file.household
    loads = {name: set(phases_of(file, name)) for name in file.vehicles}
    used = {car.charge_point for car in file.vehicles.values()}
    spare = {
        name: set(point.phase_names)
        for name, point in file.charge_points.items()
        if name not in used
    }
    found = []
    for is_fuse in (True, False):
        for phase in home.phases:
            amps = home.fuse_by_phase.get(phase) if is_fuse else home.max_unbalance_amps
            if amps is None:
                continue
            everywhere = set() if is_fuse else set(home.phases)
            cars = {n for n, each in loads.items() if phase in each and each != everywhere}
            points = {n for n, each in spare.items() if phase in each and each != everywhere}
            points |= {file.vehicles[name].charge_point for name in cars}
            if points:
                kind: Literal["fuse", "unbalance"] = "fuse" if is_fuse else "unbalance"
                found.append(SupplyLimit(kind, (phase,), amps, _once(cars), _once(points)))
    return (
        *_without_included(file, found),
        *_power_limit(file),
        *(limit for _, limit in grid_limits_by_source(file)),
    )


def _once(names: Iterable[str]) -> dict[str, float]:
    return dict.fromkeys(sorted(names), 1.0)


def _power_limit(file: HouseholdFile) -> tuple[SupplyLimit, ...]:
    """Return the limit of the home's power, if one is declared."""
    amps = file.household.max_total_amps
    if amps is None:
        return ()
    points = {name: float(phases_in_use(file, name)[1]) for name in file.charge_points}
    cars = {name: points[car.charge_point] for name, car in file.vehicles.items()}
    total = round(amps, FUSE_DIGITS)
    return (SupplyLimit("power", file.household.phases, total, cars, points),)


@remembered
def grid_limits_by_source(
    file: HouseholdFile,
) -> tuple[tuple[LimitInForce, SupplyLimit], ...]:
    """List what the grid operator allows now, for charging alone or for the whole home.

    Parameters
    ----------
    file : HouseholdFile
        The household, under the limits that hold.

    Returns
    -------
    tuple of (LimitInForce, SupplyLimit)
        A power bounds the sum of the phases at the nominal voltage. A current bounds each phase:
        every charge point counts on each, whichever it loads, and so does the rest of the home.
    """
    is_of_home = file.household.grid_limit.bounds == "home"
    found: list[tuple[LimitInForce, SupplyLimit]] = []
    for each in file.grid_limits:
        names = [n for n in file.charge_points if each.charge_point in {None, n}]
        phases = file.household.phases if is_of_home and each.charge_point is None else ()
        points = {
            n: float(phases_in_use(file, n)[1]) if each.kw is not None else 1.0 for n in names
        }
        groups = [phases] if each.kw is not None or not phases else [(one,) for one in phases]
        found += [(each, _grid_limit(file, each, group, points)) for group in groups]
    return tuple(found)


def _grid_limit(
    file: HouseholdFile, limit: LimitInForce, phases: tuple[str, ...], points: Mapping[str, float]
) -> SupplyLimit:
    amps = limit.amps or 0.0
    if limit.kw is not None:
        amps = limit.kw * WATTS_PER_KW / file.household.nominal_volts
    cars = {
        name: points[car.charge_point]
        for name, car in file.vehicles.items()
        if car.charge_point in points
    }
    return SupplyLimit("grid", phases, round(amps, FUSE_DIGITS), cars, points, limit.until)


def _without_included(file: HouseholdFile, found: list[SupplyLimit]) -> tuple[SupplyLimit, ...]:
    return tuple(
        each
        for place, each in enumerate(found)
        if not any(
            _includes(file, other, each) and (place > at or not _includes(file, each, other))
            for at, other in enumerate(found)
            if other is not each
        )
    )


def _includes(file: HouseholdFile, one: SupplyLimit, other: SupplyLimit) -> bool:
    """Whether a limit is always kept where another is."""
    loads = file.household.known_load
    return (
        one.kind == other.kind
        and one.points.keys() >= other.points.keys()
        and one.vehicles.keys() >= other.vehicles.keys()
        and one.amps <= other.amps
        and all(
            each.connected_to is None
            or one.kind != "fuse"
            or set(one.phases) <= set(each.connected_to)
            or not set(other.phases) <= set(each.connected_to)
            for each in loads
        )
    )


def left_under(
    file: HouseholdFile, limit: SupplyLimit, first: int, last: int
) -> NDArray[np.float64]:
    """Return what the rest of the home leaves of a limit, minute by minute.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    limit : SupplyLimit
        One of `limits_of`.
    first, last : int
        UTC minutes; `last` is the first one outside.

    Returns
    -------
    ndarray of float64, shape (last - first,)
        Not negative [A]. After the end of a limit, all that the charge points can take.
    """
    left = np.full(last - first, limit.amps)
    if limit.kind != "unbalance":
        for phase in limit.phases:
            left -= home_load(file, first, last, phase)
    if limit.until is not None:
        most = {name: point.max_amps for name, point in file.charge_points.items()}
        ends = minute_of(limit.until - limit.until.resolution) + 1
        left[max(0, ends - first) :] = limit.taken(most)
    result: NDArray[np.float64] = np.maximum(0.0, np.round(left, FUSE_DIGITS))
    return result


def most_amps_alone(file: HouseholdFile, vehicle: str) -> float:
    """Return the highest current of a vehicle while no other and nothing else draws any.

    What the grid operator allows for a time does not count.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    vehicle : str
        Its name in the file.

    Returns
    -------
    float
        By what it shares; infinite if that is nothing [A per phase].
    """
    return min(
        (
            limit.amps / limit.vehicles[vehicle]
            for limit in limits_of(file)
            if vehicle in limit.vehicles and limit.kind != "grid"
        ),
        default=inf,
    )
