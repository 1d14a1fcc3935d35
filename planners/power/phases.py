"""Find what charge points share: each phase of the main fuse, and the unbalance between phases."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from planners.power.home_load import home_load
from planners.power.remembering import remembered

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from config.household.household_file import HouseholdFile

FUSE_DIGITS = 6
"""Decimal places of the current left under the fuse: sums of decimals are not exact [A]."""


@dataclass(frozen=True, slots=True)
class PhaseLimit:
    """A current that some vehicles may draw together.

    Attributes
    ----------
    phase : str
        The phase of the supply that it is about.
    amps : float
        The fuse of the phase; or how much more it may carry than another phase [A].
    is_fuse : bool
        Whether it is a fuse, which also carries the rest of the home.
    vehicles : frozenset of str
        The vehicles whose current counts, ampere for ampere. Against the unbalance, those count
        that do not load all phases alike: then it holds whichever of them charge.
    points : frozenset of str
        Their charge points, and those without a vehicle.
    """

    phase: str
    amps: float
    is_fuse: bool
    vehicles: frozenset[str]
    points: frozenset[str]


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
    # A vehicle whose phases are not declared may have as many as the charge point.
    declared = [car.phases if "phases" in car.model_fields_set else point.phases for car in cars]
    fewest = min((car.phases for car in cars), default=1)
    most = max(declared, default=point.phases)
    return min(point.phases, fewest), min(point.phases, most)


@remembered
def limits_of(file: HouseholdFile) -> tuple[PhaseLimit, ...]:
    """List all that charge points share.

    Parameters
    ----------
    file : HouseholdFile
        The household.

    Returns
    -------
    tuple of PhaseLimit
        Without those that others include; empty if neither a fuse nor a limit is declared.
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
                found.append(PhaseLimit(phase, amps, is_fuse, frozenset(cars), frozenset(points)))
    return tuple(
        each
        for place, each in enumerate(found)
        if not any(
            _includes(file, other, each) and (place > at or not _includes(file, each, other))
            for at, other in enumerate(found)
            if other is not each
        )
    )


def _includes(file: HouseholdFile, one: PhaseLimit, other: PhaseLimit) -> bool:
    """Whether a limit is always kept where another is."""
    loads = file.household.known_load
    return (
        one.is_fuse == other.is_fuse
        and one.points >= other.points
        and one.vehicles >= other.vehicles
        and one.amps <= other.amps
        and all(
            each.connected_to is None
            or (one.phase in each.connected_to)
            or not one.is_fuse
            or other.phase not in each.connected_to
            for each in loads
        )
    )


def left_under(
    file: HouseholdFile, limit: PhaseLimit, first: int, last: int
) -> NDArray[np.float64]:
    """Return what the rest of the home leaves of a limit, minute by minute.

    Parameters
    ----------
    file : HouseholdFile
        The household.
    limit : PhaseLimit
        One of `limits_of`.
    first, last : int
        UTC minutes; `last` is the first one outside.

    Returns
    -------
    ndarray of float64, shape (last - first,)
        Not negative [A].
    """
    if not limit.is_fuse:
        return np.full(last - first, limit.amps)
    left = limit.amps - home_load(file, first, last, limit.phase)
    result: NDArray[np.float64] = np.maximum(0.0, np.round(left, FUSE_DIGITS))
    return result
