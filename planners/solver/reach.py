"""Find how much energy the battery can hold by each departure, at whatever cost.

More energy in a state is better, so only the most in each state is followed. There is one
exception: a run that must last its shortest time may not charge past the want, and it could have
begun if less had been charged before. If a run was held back in this way, the most found may not
be the most possible, and only the programme itself can tell whether the need can be met.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

from planners.power.charging import SAME_KWH

if TYPE_CHECKING:
    from collections.abc import Sequence

    from planners.solver.problem import PlanningProblem

PREPARED_WITHIN_KWH = 0.005
"""The most that may be charged beyond what a later need lacks [kWh]."""

NONE = float("-inf")
"""Stands for the battery energy of a state that can't be reached."""


class ReachableNeed(NamedTuple):
    """The part of a departure's need that can be met.

    Attributes
    ----------
    need_kwh : float
        The need [kWh].
    most_kwh : float
        The most energy found at the departure [kWh].
    held_back : bool
        Whether more may be possible than was found.
    spare_kwh : float
        How far to stay below the most [kWh].
    """

    need_kwh: float
    most_kwh: float
    held_back: bool
    spare_kwh: float = 0.0

    @property
    def kwh(self) -> float:
        """Battery energy at the departure: the need, or the most less the spare energy [kWh]."""
        return max(0.0, min(self.need_kwh, self.most_kwh - self.spare_kwh))

    @property
    def may_meet_need(self) -> bool:
        """Whether the need is met, or may be met although less was found."""
        return self.held_back or self.kwh >= self.need_kwh


def needs_within_reach(problem: PlanningProblem) -> list[ReachableNeed]:
    """Find how far each need can be met.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.

    Returns
    -------
    list of ReachableNeed
        For each departure the most found in plans that come as near as possible to the needs
        before it.
    """
    stored = problem.stored_kwh
    needs: list[ReachableNeed] = []
    for k, deadline in enumerate(problem.deadlines):
        best = _charged(problem, k, stored)
        needs.append(ReachableNeed(deadline.need_kwh, best.most(), best.held_back))
        stored = max(0.0, best.most() - deadline.trip_kwh)
    return needs


def needs_with_later(problem: PlanningProblem, most_kwh: Sequence[float]) -> list[float]:
    """Raise each need by what the later needs can't get in their own time.

    Parameters
    ----------
    problem : PlanningProblem
        The problem.
    most_kwh : sequence of float
        For each departure, the most that may be charged before it for a later need [kWh].

    Returns
    -------
    list of float
        For each departure its need, or the least above it with which the later needs are met, or
        missed by least [kWh].
    """
    deadlines = list(problem.deadlines)
    for k in reversed(range(1, len(deadlines))):
        before = deadlines[k - 1]
        lacking = _least_before(replace(problem, deadlines=tuple(deadlines)), k)
        if lacking > 0:
            highest = max(before.want_kwh, most_kwh[k - 1])
            need = max(before.need_kwh, min(lacking + before.trip_kwh, highest))
            want = max(before.want_kwh, need)
            deadlines[k - 1] = replace(before, need_kwh=need, want_kwh=want)
    return [deadline.need_kwh for deadline in deadlines]


def _least_before(problem: PlanningProblem, k: int) -> float:
    """Find the least energy on the return from which need `k` can be met, or nearly [kWh]."""
    need = problem.deadlines[k].need_kwh
    low, high = 0.0, max(need, problem.model.usable_kwh)
    nearest = min(need, _charged(problem, k, high).most())
    if _charged(problem, k, low).most() >= nearest - SAME_KWH:
        return 0.0
    while high - low > PREPARED_WITHIN_KWH:
        middle = (low + high) / 2
        if _charged(problem, k, middle).most() >= nearest - SAME_KWH:
            high = middle
        else:
            low = middle
    return high


def _charged(problem: PlanningProblem, k: int, stored_kwh: float) -> _MostEnergy:
    """Charge as much as possible before departure `k`."""
    start, end = problem.segments()[k]
    best = _MostEnergy(problem, k, end - start, stored_kwh)
    if k > 0 or not problem.before.on:
        best.fresh[0 if k else min(problem.rest_left, end)] = stored_kwh
    elif problem.run_so_far == 0:
        best.begun = stored_kwh
    else:
        best.first_runs[problem.run_so_far - 1] = stored_kwh
        if problem.run_so_far == problem.min_run:
            best.fresh[min(problem.min_rest, end)] = stored_kwh
    for i in range(start, end):
        best.tick(i - start, float(problem.highest_amps[i]))
    return best


class _MostEnergy:
    """The most energy in each state; `NONE` if a state can't be reached."""

    def __init__(self, problem: PlanningProblem, k: int, ticks: int, stored_kwh: float) -> None:
        self._problem, self._ticks = problem, ticks
        self._want_kwh = problem.deadlines[k].want_kwh
        self._cut_off = problem.run_cut_off if k == 0 else None
        self._targets = problem.targets_kwh(k)
        # Entry u - 1: on for u ticks, the last: for `min_run` or more.
        self.runs = [NONE] * problem.min_run
        self.first_runs = [NONE] * problem.min_run
        self.begun = NONE  # on, for less than a tick
        # Entry i: off and rested before tick i.
        self.off = [NONE] * (ticks + problem.min_rest + 1)
        self.fresh = [NONE] * (ticks + problem.min_rest + 1)
        self._done = stored_kwh
        self.held_back = False  # whether a run could not begin or continue below the want

    def most(self) -> float:
        """Return the most energy in any state."""
        return max(self._done, *self.runs, *self.first_runs, *self.off, *self.fresh)

    def tick(self, row: int, amps: float) -> None:
        """Go through a tick."""
        rest = row + self._problem.min_rest
        self.off[rest] = max(self.off[rest], self.runs[-1], self.first_runs[-1])
        if self._cut_off == row:
            lasted = self.first_runs[self._problem.before.ticks + row - 1] if row else self.begun
            self.off[rest] = max(self.off[rest], lasted)
        first = max(self.fresh[row], self.begun)
        self.runs, self.first_runs, self.begun = (
            self._drawn(row, [self.off[row], *self.runs], amps, first=False),
            self._drawn(row, [first, *self.first_runs], amps, first=True),
            NONE,
        )
        self.off[row + 1] = max(self.off[row + 1], self.off[row])
        self.fresh[row + 1] = max(self.fresh[row + 1], self.fresh[row])

    def _drawn(self, row: int, sources: list[float], amps: float, *, first: bool) -> list[float]:
        last = row == self._ticks - 1
        drawn = []
        for ran, stored in enumerate(sources, start=1):
            gain = self._gain(stored, amps)
            if first or self._problem.may_cut(ran, 1.0, last=last):
                counts = first or ran > self._problem.min_run
                least = 0.0 if counts else self._problem.part_that_counts * gain
                self._draw_part(stored + gain + SAME_KWH, stored + least)
            drawn.append(self._whole(stored, gain, amps))
        return [*drawn[:-2], max(drawn[-2:])]

    def _whole(self, stored: float, gain: float, amps: float) -> float:
        """Charge through the whole tick; if the current can be set, only up to the want."""
        if gain <= 0:
            return NONE
        lowest, want = self._problem.min_amps, self._want_kwh
        least = gain if lowest is None or amps <= lowest else self._gain(stored, lowest)
        if stored + least > want + SAME_KWH:
            self.held_back = True
            return NONE
        return min(stored + gain, max(want, stored))

    def _draw_part(self, reached: float, least: float) -> None:
        for target in self._targets:
            if self._done < target <= reached and least < target:
                self._done = target

    def _gain(self, stored: float, amps: float) -> float:
        if stored == NONE or amps < self._problem.least_amps:
            return 0.0
        model = self._problem.model
        return self._problem.tick_hours * model.gained_kw(model.metered_kw(stored, amps))
