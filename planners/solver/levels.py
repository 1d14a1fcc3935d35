"""Choose the battery energies that the planner distinguishes, its levels.

It also finds the level that a tick leads to from each level.

At constant power the levels hold every energy that an optimal plan can pass through: those that
differ by whole ticks (with a current that can be set: by whole multiples of the currents' common
divisor) from the present energy, from a need, from a want, or from an empty battery. This makes the
planner exact. With a taper the levels are those of a ladder, climbed tick by tick, with each rung
cut into equal parts. If that would be too many, the levels are coarser, and a tick that ends
between two levels counts as ending at the lower one, so that no need is missed. A surplus leads
between the levels as well: see `planners.solver.exact`.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from math import gcd, lcm
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from planners.power.charging import SAME_KWH

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from numpy.typing import NDArray

    from planners.power.charging import ChargeModel
    from planners.solver.problem import PlanningProblem

MOST_PARTS = 1000
"""Other currents are rounded to multiples of the highest current divided by this."""

LEVELS_WITH_SURPLUS = 600
"""About how many levels there are at least with a surplus, a settable current and one departure."""

TAPER_PARTS = 32
"""Levels per tick's energy if a taper leaves no exact lattice."""

CLIMBS = 32
"""How many climbs are remembered: a plan has few, and most are those of the plan before."""


@dataclass(frozen=True, slots=True, eq=False)
class DepartureSpan:
    """The time before one departure, and the battery energies that matter in it.

    Attributes
    ----------
    start, end : int
        Its first tick, and the first after it.
    lowest_kwh, need_kwh, want_kwh, top_kwh : float
        The least and the most that the battery can hold, the need and the want [kWh].
    targets_kwh : tuple of float
        The energies at which charging may end in mid-tick, ascending [kWh].
    used_kwh : float
        Energy used by all trips before it [kWh].
    """

    start: int
    end: int
    lowest_kwh: float
    need_kwh: float
    want_kwh: float
    top_kwh: float
    targets_kwh: tuple[float, ...]
    used_kwh: float


def spans_of(problem: PlanningProblem, needs_kwh: Sequence[float]) -> list[DepartureSpan]:
    """Bound the battery energy before each departure, given needs that can be met."""
    spans: list[DepartureSpan] = []
    lowest = top = problem.stored_kwh
    used = 0.0
    for k, (start, end) in enumerate(problem.segments()):
        deadline = problem.deadlines[k]
        top = max(top, deadline.want_kwh)
        targets = tuple(t for t in problem.targets_kwh(k) if lowest < t <= deadline.want_kwh)
        spans.append(
            DepartureSpan(start, end, lowest, needs_kwh[k], deadline.want_kwh, top, targets, used)
        )
        lowest = max(0.0, max(lowest, needs_kwh[k]) - deadline.trip_kwh)
        top = max(0.0, top - deadline.trip_kwh)
        used += deadline.trip_kwh
    return spans


def levels_of(
    problem: PlanningProblem, spans: Sequence[DepartureSpan], most: int
) -> list[NDArray[np.float64]]:
    """Choose the levels of each span.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    spans : sequence of DepartureSpan
        From `spans_of`.
    most : int
        About how many levels a span may have.

    Returns
    -------
    list of ndarray of float, shape (levels,)
        Battery energies of each span, ascending [kWh].
    """
    if problem.model.taper:
        parts = 1 if _one_ladder(problem) else _taper_parts(problem, spans, most)
        found = [_climbed(problem, span, parts, from_lowest=span is spans[0]) for span in spans]
    else:
        found = _lattice(problem, spans, most)
    return [_with_targets(levels, span) for levels, span in zip(found, spans, strict=True)]


def _taper_parts(problem: PlanningProblem, spans: Sequence[DepartureSpan], most: int) -> int:
    """Return into how many levels a tick's energy is cut."""
    rungs = _rungs(problem, spans[0], from_lowest=True)
    # The first span may have few ticks, or none; the others are climbed to the top.
    longest = max((_rungs(problem, span, from_lowest=False) for span in spans[1:]), default=rungs)
    rungs = max(rungs, longest // 2)
    parts = max(1, min(TAPER_PARTS, most // rungs))
    if problem.surplus_kw is None or problem.min_amps is None:
        return parts
    # Each takes longer with a surplus.
    return min(parts, max(TAPER_PARTS // 2, LEVELS_WITH_SURPLUS // rungs))


def _one_ladder(problem: PlanningProblem) -> bool:
    """Tell whether any `c` ticks lead to the same energy."""
    currents = np.unique(problem.highest_amps[problem.highest_amps > 0])
    return len(problem.deadlines) == 1 and problem.min_amps is None and len(currents) <= 1


def _with_targets(levels: NDArray[np.float64], span: DepartureSpan) -> NDArray[np.float64]:
    targets = [span.lowest_kwh, span.need_kwh, *span.targets_kwh, span.top_kwh]
    exact = np.array([t for t in targets if span.lowest_kwh <= t <= span.top_kwh])
    inside = (levels >= span.lowest_kwh) & (levels <= span.top_kwh)
    edges = np.searchsorted(levels, (exact - 2 * SAME_KWH, exact + 2 * SAME_KWH))
    for target, first, end in zip(exact, *edges, strict=True):
        inside[first:end] &= np.abs(levels[first:end] - target) > SAME_KWH
    joined = np.sort(np.concatenate([levels[inside], exact]))
    return joined[np.concatenate(([True], np.diff(joined) > SAME_KWH))]


# --- a taper -------------------------------------------------------------------------------------


def _rungs(problem: PlanningProblem, span: DepartureSpan, *, from_lowest: bool) -> int:
    return max(1, len(_climbed(problem, span, 1, from_lowest=from_lowest)))


class _Climb(NamedTuple):
    """What a climb depends on: at most `ticks` ticks, or as many as it takes to the highest."""

    model: ChargeModel
    hours: float
    amps: float
    lowest_kwh: float
    top_kwh: float
    parts: int
    ticks: int | None


def _climbed(
    problem: PlanningProblem, span: DepartureSpan, parts: int, *, from_lowest: bool
) -> NDArray[np.float64]:
    """Climb tick by tick, as far as the ticks go; or to the top if the vehicle may begin higher."""
    ticks = span.end - span.start if from_lowest else None
    amps, edges = float(problem.highest_amps.max(initial=0.0)), (span.lowest_kwh, span.top_kwh)
    return _rungs_of(_Climb(problem.model, problem.tick_hours, amps, *edges, parts, ticks))


@lru_cache(maxsize=CLIMBS)
def _rungs_of(climb: _Climb) -> NDArray[np.float64]:
    model, hours, amps, lowest, top, parts, ticks = climb
    rung = np.array([lowest])
    if parts > 1:
        rung = lowest + gains_kwh(model, hours, rung, amps)[0] * np.arange(parts) / parts
    rungs = [rung]
    while ticks is None or len(rungs) <= ticks:
        rung = rung + gains_kwh(model, hours, rung, amps)
        if rung[0] <= rungs[-1][0] + SAME_KWH or rung[0] > top:
            break
        rungs.append(rung)
    return np.sort(np.concatenate(rungs))


# --- constant power ------------------------------------------------------------------------------


class Grid(NamedTuple):
    """The levels of constant power: multiples of a unit, counted from each of some energies.

    Attributes
    ----------
    unit_kwh : float
        The unit [kWh].
    phases_kwh : list of float
        Where the multiples begin, with the energy of the trips before a departure added [kWh].
    is_exact : bool
        Whether they hold every energy that an optimal plan can pass through.
    """

    unit_kwh: float
    phases_kwh: list[float]
    is_exact: bool


def grid_of(problem: PlanningProblem, spans: Sequence[DepartureSpan], most: int) -> Grid | None:
    """Choose the unit of the levels at constant power.

    Parameters
    ----------
    problem : PlanningProblem
        The problem, without a taper.
    spans : sequence of DepartureSpan
        From `spans_of`.
    most : int
        About how many levels a span may have.

    Returns
    -------
    Grid or None
        None if no tick can charge.
    """
    unit = _unit_kwh(problem)
    if unit is None:
        return None
    reach = max(span.top_kwh - span.lowest_kwh for span in spans)
    anchors = _anchors(problem, spans)
    phases = _distinct((anchor % unit for anchor in anchors), unit)
    is_exact = problem.model.standby_kw == 0 or problem.min_amps is None
    is_set = problem.min_amps is not None and problem.model.standby_kw == 0
    if len(spans) == 1 and problem.surplus_kw is not None and is_set:
        # The currents are found exactly afterwards: here the levels only tell plans apart.
        parts = int(LEVELS_WITH_SURPLUS * unit / max(reach, unit))
        phases, unit, is_exact = phases[:1], unit / max(1, parts), False
    if (reach / unit + 1) * len(phases) > most:
        phases, is_exact = phases[:1], False
        unit = max(unit, _largest_kwh(problem) / max(1, int(most * _largest_kwh(problem) / reach)))
    return Grid(unit, phases, is_exact)


def _lattice(
    problem: PlanningProblem, spans: Sequence[DepartureSpan], most: int
) -> list[NDArray[np.float64]]:
    grid = grid_of(problem, spans, most)
    if grid is None:
        return [np.array([span.lowest_kwh]) for span in spans]
    lattices = []
    for span in spans:
        offsets = [
            (anchor - span.used_kwh - span.lowest_kwh) % grid.unit_kwh for anchor in grid.phases_kwh
        ]
        cells = int((span.top_kwh - span.lowest_kwh) / grid.unit_kwh) + 1
        steps = span.lowest_kwh + grid.unit_kwh * np.arange(cells)
        lattices.append(np.add.outer(steps, sorted(offsets)).ravel())
    return lattices


def _anchors(problem: PlanningProblem, spans: Sequence[DepartureSpan]) -> list[float]:
    """List the energies, trips added back, from which plans differ by whole ticks."""
    if len(spans) == 1 and problem.min_amps is None:
        return [problem.stored_kwh]  # the only tick that is cut ends the plan
    return [
        problem.stored_kwh,
        *(
            kwh + span.used_kwh
            for span in spans
            for kwh in (*span.targets_kwh, span.need_kwh, span.lowest_kwh)
        ),
    ]


def _distinct(phases: Iterable[float], unit: float) -> list[float]:
    kept: list[float] = []
    for phase in phases:
        if all(SAME_KWH < abs(phase - other) < unit - SAME_KWH for other in kept):
            kept.append(phase)
    return kept


def _largest_kwh(problem: PlanningProblem) -> float:
    amps = float(problem.highest_amps.max(initial=0.0))
    return float(gains_kwh(problem.model, problem.tick_hours, np.zeros(1), amps)[0])


def _unit_kwh(problem: PlanningProblem) -> float | None:
    """Find the common divisor of all ticks' gains; None if no tick can charge."""
    amps = {each for each in problem.highest_amps.tolist() if each >= problem.least_amps}
    largest = _largest_kwh(problem)
    if largest <= 0 or not amps:
        return None
    if problem.min_amps:
        amps.add(problem.min_amps)
    if problem.model.standby_kw > 0 and len(amps) > 1:
        return largest / TAPER_PARTS  # standby is no multiple of anything
    return largest * float(_common_divisor([a / max(amps) for a in amps]))


def _common_divisor(numbers: Sequence[float]) -> Fraction:
    parts = [Fraction(number).limit_denominator(MOST_PARTS) for number in numbers]
    whole = lcm(*(part.denominator for part in parts))
    return Fraction(gcd(*(int(part * whole) for part in parts)), whole)


# --- where a tick leads --------------------------------------------------------------------------


def gains_kwh(
    model: ChargeModel, hours: float, stored_kwh: NDArray[np.float64], amps: float
) -> NDArray[np.float64]:
    """Return the energy that a whole tick adds to each battery energy [kWh]."""
    metered_kw = amps * model.kw_per_amp * model.taper_shares(stored_kwh)
    return model.gained_kw_of(metered_kw) * hours


@dataclass(frozen=True, slots=True, eq=False)
class Moves:
    """The levels that a tick leads to; all arrays of shape (levels,).

    Attributes
    ----------
    first, last : ndarray of int
        A whole tick leads to any of the levels from index `first` to `last`.
    possible : ndarray of bool
        Whether there is any such level.
    gains_kwh : ndarray of float
        Energy that a whole tick adds at the highest current [kWh].
    """

    first: NDArray[np.intp]
    last: NDArray[np.intp]
    possible: NDArray[np.bool_]
    gains_kwh: NDArray[np.float64]


def moves_of(
    problem: PlanningProblem, levels: NDArray[np.float64], want_kwh: float, amps: float
) -> Moves:
    """Find where a tick leads from each level.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    levels : ndarray of float, shape (levels,)
        Battery energies, ascending [kWh].
    want_kwh : float
        The highest energy that a tick may lead to [kWh].
    amps : float
        Highest current of the tick [A per phase].

    Returns
    -------
    Moves
        Arrays of shape (levels,).
    """
    here = np.arange(len(levels))
    want = int(np.searchsorted(levels, want_kwh + SAME_KWH, side="right")) - 1
    if amps < problem.least_amps:
        amps = 0.0
    gains = gains_kwh(problem.model, problem.tick_hours, levels, amps)
    last = np.searchsorted(levels, levels + gains + SAME_KWH, side="right") - 1
    if problem.min_amps is None:
        first = last
        may = levels + gains <= want_kwh + SAME_KWH
    else:
        least = gains_kwh(problem.model, problem.tick_hours, levels, problem.min_amps)
        first = np.searchsorted(levels, levels + least - SAME_KWH, side="left")
        # Where the lowest current is nearly the highest, both may end between the same two levels.
        is_between = (first > last) & (levels + least <= want_kwh + SAME_KWH)
        first = np.where(is_between, last, first)
        first, last = np.maximum(first, here + 1), np.minimum(last, want)
        may = first <= last
    return Moves(first, last, may & (last > here), gains)
