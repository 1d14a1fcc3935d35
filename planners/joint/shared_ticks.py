"""List the ways in which vehicles can share a tick, of which all others are mixtures.

A way is a current for each vehicle: 0, or one that it can charge with, within every limit. For a
set of vehicles that charge, the currents form a polytope; its corners are listed, without those
that another way exceeds. Ticks with the same limits have the same ways.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import chain, combinations
from typing import TYPE_CHECKING

import numpy as np

from planners.joint.plans import FITS_AMPS, limit_left
from planners.joint.turns import owed_to_runs

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from numpy.typing import NDArray

    from planners.joint.plans import Shortages
    from planners.joint.problem import JointProblem

    Array = NDArray[np.float64]

ALL_CORNERS = 4
"""Up to so many vehicles, every corner is listed; of more, those in which vehicles are served one
after the other, in some orders."""

PARALLEL = 1e-9
"""Limits whose determinant is smaller do not cross."""

SAME_TICKS = 1e-7
"""Parts of a tick below this are rounding."""


@dataclass(frozen=True, slots=True, eq=False)
class Bounds:
    """What may be drawn in each group of ticks [A per phase].

    Attributes
    ----------
    lowest, highest : ndarray of float, shape (vehicles, groups)
        The lowest current of each vehicle other than 0, and the highest; 0 if it can't charge.
    left : ndarray of float, shape (limits, groups)
        What each limit leaves.
    weights : ndarray of float, shape (limits, vehicles)
        What each vehicle takes of it for each ampere.
    """

    lowest: Array
    highest: Array
    left: Array
    weights: Array


@dataclass(frozen=True, slots=True, eq=False)
class SharedTicks:
    """Ticks, grouped by what may be drawn in them, and the ways to share those of each group.

    Attributes
    ----------
    group_of : ndarray of int, shape (ticks,)
        The group of each tick.
    amps : ndarray of float, shape (ways, vehicles)
        Currents [A per phase].
    group : ndarray of int, shape (ways,)
        The group that each way is for.
    bounds : Bounds
        What may be drawn in each group.
    """

    group_of: NDArray[np.intp]
    amps: Array
    group: NDArray[np.intp]
    bounds: Bounds

    @property
    def sizes(self) -> NDArray[np.intp]:
        """How many ticks each group has."""
        return np.bincount(self.group_of)


def shared_ticks(joint: JointProblem) -> SharedTicks:
    """Group the ticks before the vehicles' first departures, and list the ways to share them.

    Parameters
    ----------
    joint : JointProblem
        The problem. A run in progress is in every way until it may end.

    Returns
    -------
    SharedTicks
        See there.
    """
    count = len(joint.vehicles)
    lowest, highest = np.zeros((2, count, joint.ticks))
    for vehicle, problem in enumerate(joint.vehicles):
        ticks = slice(problem.rest_left, problem.deadlines[0].end)
        own = np.where(problem.highest_amps >= problem.least_amps, problem.highest_amps, 0.0)
        highest[vehicle, ticks] = own[ticks]
        lowest[vehicle] = highest[vehicle]
        if problem.min_amps is not None:
            lowest[vehicle] = np.minimum(lowest[vehicle], problem.min_amps)
    left = np.array([limit_left(limit.left) for limit in joint.limits]).reshape(-1, joint.ticks)
    rows = np.vstack((lowest, highest, owed_to_runs(joint) > 0, left))
    kinds, group_of = np.unique(rows, axis=1, return_inverse=True)
    weights = np.array([limit.weights for limit in joint.limits]).reshape(-1, count)
    lowest, highest, owed = kinds[: 3 * count].reshape(3, count, -1)
    bounds = Bounds(lowest, highest, kinds[3 * count :], weights)
    found = list(_corners(bounds) if count <= ALL_CORNERS else _served_in_order(bounds, joint))
    amps = np.vstack([np.zeros((0, count)), *(each for _, each in found)])
    group = np.concatenate([np.zeros(0, np.intp), *(each for each, _ in found)])
    goes_on = ((amps > 0) | (owed[:, group].T == 0)).all(axis=1)
    amps, group = amps[goes_on], group[goes_on]
    kept = _not_exceeded(amps, group)
    return SharedTicks(group_of.reshape(-1), amps[kept], group[kept], bounds)


def _corners(bounds: Bounds) -> Iterator[tuple[NDArray[np.intp], Array]]:
    """Yield the corners of each set of vehicles that charge: their groups and currents."""
    count = len(bounds.lowest)
    sets = chain.from_iterable(combinations(range(count), n) for n in range(1, count + 1))
    for charging in map(list, sets):
        present = np.flatnonzero((bounds.highest[charging] > 0).all(axis=0))
        low, high = bounds.lowest[charging][:, present], bounds.highest[charging][:, present]
        left, weights = bounds.left[:, present], bounds.weights[:, charging]
        ones = np.eye(len(charging))
        planes, at = np.vstack((ones, ones, weights)), np.vstack((low, high, left))
        for rows in map(list, combinations(range(len(planes)), len(charging))):
            if abs(np.linalg.det(planes[rows])) < PARALLEL:
                continue
            found = np.linalg.solve(planes[rows], at[rows])
            fits = (found >= low - FITS_AMPS).all(axis=0) & (found <= high + FITS_AMPS).all(axis=0)
            fits &= (weights @ found <= left + FITS_AMPS).all(axis=0)
            amps = np.zeros((int(fits.sum()), count))
            amps[:, charging] = np.clip(found, low, high)[:, fits].T
            yield present[fits], amps


def _served_in_order(
    bounds: Bounds, joint: JointProblem
) -> Iterator[tuple[NDArray[np.intp], Array]]:
    """Yield what vehicles get if they are served one after the other, from each of them on."""
    leaves = [problem.deadlines[0].end for problem in joint.vehicles]
    count = len(leaves)
    first = sorted(range(count), key=lambda v: (joint.ranks[v], leaves[v]))
    groups = np.arange(bounds.left.shape[1])
    for order in (first, first[::-1]):
        for place in range(count):
            turned = [*order[place:], *order[:place]]
            # Each takes all that it can; or the lowest current of as many as can charge at first.
            yield groups, _served(bounds, turned, np.zeros_like(bounds.lowest)).T
            lowest = np.zeros_like(bounds.lowest)
            for vehicle in turned:
                _serve(bounds, vehicle, lowest, bounds.lowest[vehicle])
            yield groups, _served(bounds, turned, lowest).T


def _served(bounds: Bounds, order: Iterable[int], amps: Array) -> Array:
    for vehicle in order:
        _serve(bounds, vehicle, amps, bounds.highest[vehicle])
    return amps


def _serve(bounds: Bounds, vehicle: int, amps: Array, most: Array) -> None:
    """Raise a vehicle's current as far as the others leave it, or leave it as it is."""
    weights = bounds.weights[:, vehicle]
    room = most
    for limit in np.flatnonzero(weights):
        left = bounds.left[limit] - bounds.weights[limit] @ amps
        room = np.minimum(room, amps[vehicle] + np.maximum(0.0, left) / weights[limit])
    can_charge = (room >= bounds.lowest[vehicle] - FITS_AMPS) & (room > 0)
    amps[vehicle] = np.where(can_charge, np.maximum(room, amps[vehicle]), amps[vehicle])


def _not_exceeded(amps: Array, group: NDArray[np.intp]) -> NDArray[np.intp]:
    """Return the places of ways that no other of their group exceeds, each once."""
    kept: list[int] = []
    for each in np.unique(group):
        places = np.flatnonzero(group == each)
        _, first = np.unique(np.round(amps[places], 6), axis=0, return_index=True)
        places = places[first]
        own = amps[places]
        more = own[np.newaxis] - own[:, np.newaxis]
        is_exceeded = (more.min(axis=2) >= -FITS_AMPS) & (more.max(axis=2) > FITS_AMPS)
        kept += places[~is_exceeded.any(axis=1)].tolist()
    return np.array(kept, np.intp)


def currents_of_ticks(
    joint: JointProblem,
    shared: SharedTicks,
    ticks: Array,
    shortages: Callable[[Array], Shortages],
) -> Array:
    """Give each tick a way.

    Parameters
    ----------
    joint : JointProblem
        The problem.
    shared : SharedTicks
        Its groups of ticks and ways.
    ticks : ndarray of float, shape (ways,)
        How many ticks are shared in each way.
    shortages : callable
        What is missing with currents of shape (vehicles, ticks).

    Returns
    -------
    ndarray of float, shape (vehicles, ticks)
        Ways in which the same vehicles charge are mixed. In each group those mixtures come first
        in which the vehicles that charge already go on, then those in which most charge, or those
        that leave first. Within one, those that leave first draw all that they can at first, and
        those that leave together draw the same: later plans begin with the same currents. What is
        left are parts of ticks: each takes the mixture after which least is missing.
    """
    found = np.zeros((len(joint.vehicles), joint.ticks))
    leaves = np.array([problem.deadlines[0].end for problem in joint.vehicles])
    parts: list[tuple[int, list[Array]]] = []
    for group, size in enumerate(shared.sizes):
        mixtures = _mixtures(joint, shared, ticks, group)
        whole = [int(times + SAME_TICKS) for times, _ in mixtures]
        rows = [
            row
            for count, (_, amps) in zip(whole, mixtures, strict=True)
            for row in _in_steady_currents(shared.bounds, group, amps, count, leaves)
        ]
        places = np.flatnonzero(shared.group_of == group)
        found[:, places[: len(rows)]] = np.array(rows).reshape(-1, len(found)).T
        ends = np.cumsum([max(0.0, k - n) for n, (k, _) in zip(whole, mixtures, strict=True)])
        begins = np.concatenate(([0.0], ends[:-1]))
        for tick in range(size - len(rows)):
            share = np.minimum(ends, tick + 1) - np.maximum(begins, tick)
            usable = [mixtures[place][1] for place in np.flatnonzero(share > SAME_TICKS)]
            parts.append((int(places[len(rows) + tick]), usable))
    found = np.maximum(found, owed_to_runs(joint))
    for tick, usable in parts:
        trials = np.repeat(found[np.newaxis], len(usable), axis=0)
        for trial, amps in zip(trials, usable, strict=True):
            trial[:, tick] = amps
        found = min(trials, key=shortages, default=found)
    return found


def _mixtures(
    joint: JointProblem, shared: SharedTicks, ticks: Array, group: int
) -> list[tuple[float, Array]]:
    """Mix ways in which the same vehicles charge: ticks and currents of each, in order."""
    ways = np.flatnonzero((shared.group == group) & (ticks > SAME_TICKS))
    sets, places = np.unique(shared.amps[ways] > 0, axis=0, return_inverse=True)
    goes_on = np.array([problem.before.on for problem in joint.vehicles])
    leaves = np.array([problem.deadlines[0].end for problem in joint.vehicles])
    by_departure = np.argsort(-leaves, kind="stable")
    stopped, charging = (goes_on & ~sets).sum(axis=1), sets.sum(axis=1)
    found = []
    for place in np.lexsort((*(~sets[:, by_departure]).T, -charging, stopped)):
        own = ways[places.reshape(-1) == place]
        times = float(ticks[own].sum())
        found.append((times, ticks[own] @ shared.amps[own] / times))
    return found


def _in_steady_currents(
    bounds: Bounds, group: int, amps: Array, count: int, leaves: NDArray[np.intp]
) -> list[Array]:
    """Draw currents in so many ticks on average: steady ones first, what is left at last."""
    low, high, left = (each[:, group] for each in (bounds.lowest, bounds.highest, bounds.left))
    low, high = np.where(amps > 0, (low, high), 0.0)
    steady = low.copy()
    for end in np.unique(leaves):
        _raise_evenly(steady, high, left, bounds.weights, leaves == end)
    other = count * (amps - steady)
    planes = np.vstack((np.eye(len(amps)), -np.eye(len(amps)), bounds.weights))
    room = np.maximum(FITS_AMPS, np.concatenate((high, -low, left)) - planes @ steady)
    pace = planes @ other
    needed = np.where(pace > FITS_AMPS, pace / room, 0.0).max(initial=0.0)
    last = min(count, int(np.ceil(needed - SAME_TICKS)))
    rest = np.clip(steady + other / max(1, last), low, high)
    return [steady] * (count - last) + [rest] * last


def _raise_evenly(
    amps: Array, high: Array, left: Array, weights: Array, members: NDArray[np.bool_]
) -> None:
    """Raise the currents of some vehicles, in whole amperes, until nothing is left to them."""
    while True:
        full = left - weights @ amps <= FITS_AMPS
        rising = members & (amps < high - FITS_AMPS) & ~(weights[full] > 0).any(axis=0)
        if not rising.any():
            return
        used = weights @ rising
        steps = (left - weights @ amps)[used > 0] / used[used > 0]
        step = min((high - amps)[rising].min(), steps.min(initial=np.inf))
        if rising.sum() > 1 and step >= 1:
            amps[rising] += np.floor(step)
        else:  # what is left to one alone
            one = rising.argmax()
            mine = weights[:, one] > 0
            rooms = (left - weights @ amps)[mine] / weights[mine, one]
            amps[one] += min(high[one] - amps[one], rooms.min(initial=np.inf))
