"""Shift many nights to end together, and cut them into blocks."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from planners.many_nights.arrays import Nights
from planners.many_nights.count_programme import Block, tabulate
from planners.many_nights.ladders import Ladders
from planners.solver.problem import TIE

TO_BUY = 0.1
"""Gain, in ties, of a tick past the need at exactly `max_rate`: buying it is preferred."""

TO_BE_ON = 0.01
"""Costs within so many ties are equal when charging now is compared with waiting."""

BLOCK_STATES = 16_384
"""States (ticks bought x nights) of a block: a few such arrays fit in a core's own cache."""


@dataclass(frozen=True, slots=True, eq=False)
class AlignedNights:
    """Nights shifted to end together, each with the last tick in which it may charge.

    Attributes
    ----------
    rates_per_kwh : ndarray of float, shape (longest, nights)
        Rate of each tick [currency per kWh], infinite where charging isn't allowed.
    end : ndarray of int, shape (nights,)
        The tick after the last in which a night may charge.
    length : ndarray of int, shape (nights,)
        Ticks from the first in which a night may charge to the last; 0 if there is none.
    has_gaps : ndarray of bool, shape (nights,)
        Whether charging isn't allowed in some of these.
    """

    rates_per_kwh: NDArray[np.float64]
    end: NDArray[np.intp]
    length: NDArray[np.intp]
    has_gaps: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """The energy that every night charges up to: its need, or its want.

    Attributes
    ----------
    ladders : Ladders
        Ladders up to it.
    need_rungs : ndarray of int, shape (nights,)
        Ticks of charging that reach the need.
    need_kwh : ndarray of float, shape (nights,)
        Metered energy of these ticks [kWh].
    tie : ndarray of float, shape (nights,)
        Plans whose costs differ by less cost the same [currency].
    """

    ladders: Ladders
    need_rungs: NDArray[np.intp]
    need_kwh: NDArray[np.float64]
    tie: NDArray[np.float64]


def align(nights: Nights) -> AlignedNights:
    """Shift nights to end together."""
    may = nights.may_charge
    count, ticks = may.shape
    if may.size == 0:
        none = np.zeros(count, dtype=np.intp)
        return AlignedNights(np.empty((0, count)), none, none, none > 0)
    opened = np.where(may.any(axis=1), may.argmax(axis=1), ticks)
    end = ticks - may[:, ::-1].argmax(axis=1)
    length = np.maximum(end - opened, 0)
    tick = np.arange(-int(length.max()), 0)[:, None] + end
    place = np.maximum(tick, 0) + np.arange(0, may.size, ticks)
    rates = np.where(may, nights.rates_per_kwh, np.inf).take(place)
    rates[tick < 0] = np.inf
    return AlignedNights(rates, end, length, np.count_nonzero(may, axis=1) < length)


def target_of(nights: Nights, ladders: Ladders, need: Ladders) -> Target:
    """Return the target of some ladders; `TIE` is widened if rounding could exceed it."""
    dearest = np.abs(nights.rates_per_kwh).max(axis=1, initial=0.0)
    starts = nights.start_cost * nights.rates_per_kwh.shape[1]
    tie = np.maximum(TIE, 1e-12 * (dearest * ladders.metered_kwh.sum(axis=0) + starts))
    return Target(ladders, need.rungs, need.metered_kwh.sum(axis=0), tie)


def blocks_of(nights: Nights, aligned: AlignedNights, target: Target) -> Iterator[NDArray[np.intp]]:
    """Cut the nights that can charge at all into blocks, each with one shortest run.

    Yields
    ------
    ndarray of int, shape (nights of the block,)
        Nights with about as many rungs.
    """
    order = np.argsort(target.ladders.rungs, kind="stable")
    order = order[(target.ladders.rungs[order] > 0) & (aligned.length[order] > 0)]
    rungs = target.ladders.rungs[order]
    most = int(rungs.max(initial=0))
    size = max(1, BLOCK_STATES // (most + 1))
    edges = np.searchsorted(rungs, np.arange(1, min(nights.min_run, most) + 1)).tolist()
    for low, high in pairwise([*edges, len(order)]):
        for first in range(low, high, size):
            yield order[first : min(first + size, high)]


def block_of(
    nights: Nights, aligned: AlignedNights, target: Target, pick: NDArray[np.intp]
) -> Block:
    """Gather nights into a block, and set the cost of each way to end."""
    rungs, length, tie = target.ladders.rungs[pick], aligned.length[pick], target.tie[pick]
    most = int(rungs.max())
    bought = np.arange(most + 1)[:, None]
    metered = target.ladders.metered_kwh[:most, pick]
    past_kwh = np.zeros((most + 1, len(pick)))
    np.cumsum(metered, axis=0, out=past_kwh[1:])
    past_kwh -= target.need_kwh[pick]
    end = -nights.max_rate_per_kwh[pick] * np.maximum(0, past_kwh) - TO_BUY * tie * bought
    end[bought > rungs] = np.inf
    tie = tie[:1] if np.all(tie == tie[0]) else tie
    block = Block(
        rates_per_kwh=aligned.rates_per_kwh[-int(length.max()) :, pick],
        energy_kwh=np.concatenate((np.where(metered > 0, metered, 1), np.ones((1, len(pick))))),
        end_cost=end,
        start_cost=nights.start_cost + tie,
        bonus=TO_BE_ON * tie * (-1 if nights.prefer_late else 1),
        min_run=min(nights.min_run, int(rungs.min())),
        min_rest=max(1, nights.min_rest),  # two runs have a tick between them in any case
        short_run_cost=nights.short_run_cost[pick],
    )
    enough = np.minimum(target.need_rungs[pick], length)
    gaps = np.flatnonzero(aligned.has_gaps[pick])
    if gaps.size:
        enough[gaps] = _most_ticks_possible(block, gaps, enough[gaps])
    end[bought < np.minimum(enough, rungs)] = np.inf
    return block


def _most_ticks_possible(
    block: Block, gaps: NDArray[np.intp], enough: NDArray[np.intp]
) -> NDArray[np.intp]:
    """Find how many of `enough` ticks are possible in nights with gaps."""
    end = block.end_cost[:, gaps]
    bought = np.arange(len(end))[:, None]
    unpriced = replace(
        block,
        rates_per_kwh=np.where(np.isinf(block.rates_per_kwh[:, gaps]), np.inf, 0.0),
        energy_kwh=block.energy_kwh[:, gaps],
        end_cost=np.where(np.isinf(end), np.inf, -np.minimum(bought, enough)),
        start_cost=np.zeros(1),
        bonus=np.zeros(1),
        short_run_cost=np.zeros(1),
    )
    return np.rint(-tabulate(unpriced).cost).astype(np.intp)
