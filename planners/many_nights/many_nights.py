"""Solve many nights exactly in one call: see `solve_nights`.

Each night has one departure and one current. In arrays ``(nights, ticks)`` this finds what
`planners.solver.exact` finds for a single night. The appraisal of a year uses it.

Objective, per night: be as little short of the need as possible; of those plans, minimise
``sum(rate x metered) + start_cost x starts - max_rate x (metered kWh past the need)``.

State before tick ``i``: (``i``, ticks bought ``c``, off, or on with ``u`` ticks yet to run before
it may stop). Charging runs at one current, so the battery after ``c`` ticks is the same whichever
they were, and one more tick meters ``E[c]``, taper and standby included. Action: use the tick, or
leave it. With ``U`` the shortest run and ``R >= 1`` the shortest rest, and rates that are infinite
where a night may not charge::

    on[u, i, c] = p[i] E[c] + on[u-1, i+1, c+1]                            still to run
    on[0, i, c] = min( p[i] E[c] + on[0, i+1, c+1] , off[i+R, c] )         go on; stop, and rest
    off[i, c]   = min( s + p[i] E[c] + on[U-1, i+1, c+1] , off[i+1, c] )   start; wait

    on[0, N, c] = off[N, c] = end[c], ``i+R`` ending at ``N``
    on[u, N, c] = end[c] + the cost of a run that is too short

All nights are shifted to end together at ``N``, each with the last tick in which it may charge.
``end[c]`` is minus the worth of the energy that ``c`` ticks buy past the need, and infinite if
``c`` ticks leave the night shorter of the need than they must. How short it must be is plain if the
ticks of a night have no gap: one run up to the end buys any number of them. If they have gaps, runs
may not fit. Then the same programme is first solved for ``p = s = 0`` and ``end[c] = -min(c,
need)``, which is exact too. A ladder ends exactly at its target and cuts the last tick there. The
target is the need or the want, so both are solved and the better is taken: between them the
objective is linear in the length of the last tick, so that one end is optimal.

Ties: a start costs `TIE` extra, so that of plans within `TIE` the one with fewer starts wins. Plans
that are still equal are decided forwards in time: on is preferred (early), or off (late).

Time is nights x ticks x rungs x U. Nights are solved in blocks that stay in the cache, so that
memory beyond the input and output doesn't grow with the nights.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from planners.many_nights.arrays import Nights, NightsSolution
from planners.many_nights.blocks import (
    TO_BUY,
    AlignedNights,
    Target,
    align,
    block_of,
    blocks_of,
    target_of,
)
from planners.many_nights.count_programme import follow, tabulate
from planners.many_nights.ladders import Ladders, climb_whole, cut_at


@dataclass(frozen=True, slots=True, eq=False)
class _Plans:
    """A plan of each night: its ticks, of shape (ticks, nights), and its objective."""

    on: NDArray[np.bool_]
    bought: NDArray[np.intp]
    starts: NDArray[np.intp]
    objective: NDArray[np.float64]


def solve_nights(nights: Nights) -> NightsSolution:
    """Find the cheapest plan of every night.

    Parameters
    ----------
    nights : Nights
        Any number of nights, of any number of ticks.

    Returns
    -------
    NightsSolution
        Each night's own optimum, for the objective that the module states.
    """
    aligned = align(nights)
    # A ladder shorter than a shortest run is one that reaches its target.
    ticks = max(len(aligned.rates_per_kwh), nights.min_run)
    climb = climb_whole(nights.model, nights.stored_kwh, nights.want_kwh, nights.tick_hours, ticks)
    need = cut_at(climb, nights.need_kwh)
    to_need = _solve_to(nights, aligned, target_of(nights, need, need))
    more = nights.want_kwh > nights.need_kwh
    if not more.any():
        return _priced(nights, aligned, need, to_need)
    want = target_of(nights, cut_at(climb, np.where(more, nights.want_kwh, -np.inf)), need)
    to_want = _solve_to(nights, aligned, want)
    wins = more & _is_better(to_want, to_need, want)
    chosen = cut_at(climb, np.where(wins, nights.want_kwh, nights.need_kwh))
    return _priced(nights, aligned, chosen, _choose(wins, to_want, to_need))


def _solve_to(nights: Nights, aligned: AlignedNights, target: Target) -> _Plans:
    on = np.zeros(aligned.rates_per_kwh.shape, dtype=np.bool_)
    objective = np.zeros(len(target.tie))
    for pick in blocks_of(nights, aligned, target):
        block = block_of(nights, aligned, target, pick)
        choices = tabulate(block)
        on[-len(block.rates_per_kwh) :, pick] = follow(choices, block.min_run, block.min_rest)
        objective[pick] = choices.cost
    bought = np.count_nonzero(on, axis=0)
    starts = np.count_nonzero(on[1:] > on[:-1], axis=0) + np.count_nonzero(on[:1], axis=0)
    # Remove the extra costs that only decided ties.
    return _Plans(on, bought, starts, objective + target.tie * (TO_BUY * bought - starts))


def _is_better(rival: _Plans, best: _Plans, target: Target) -> NDArray[np.bool_]:
    """Return where the rival is less short, or as short and cheaper, or tied."""
    needed = target.need_rungs
    nearer = np.minimum(rival.bought, needed) - np.minimum(best.bought, needed)
    gain = best.objective - rival.objective
    least = np.where(rival.starts <= best.starts, -target.tie, target.tie)
    better: NDArray[np.bool_] = (nearer > 0) | ((nearer == 0) & (gain > least))
    return better


def _choose(wins: NDArray[np.bool_], rival: _Plans, best: _Plans) -> _Plans:
    return _Plans(
        np.where(wins, rival.on, best.on),
        np.where(wins, rival.bought, best.bought),
        np.where(wins, rival.starts, best.starts),
        np.where(wins, rival.objective, best.objective),
    )


def _priced(
    nights: Nights, aligned: AlignedNights, ladders: Ladders, plans: _Plans
) -> NightsSolution:
    """Put the chosen ticks back in their places, each with the rung of its ladder."""
    count, ticks = nights.rates_per_kwh.shape
    night, tick = np.nonzero(plans.on.T)
    rung = np.arange(len(night)) - np.repeat(np.cumsum(plans.bought) - plans.bought, plans.bought)
    place = tick + (aligned.end - len(plans.on) + np.arange(count) * ticks)[night]
    step = rung * count + night
    share, metered = np.zeros((2, count, ticks))
    share.put(place, ladders.share.take(step))
    metered.put(place, ladders.metered_kwh.take(step))
    gained_kwh = np.bincount(night, ladders.gained_kwh.take(step), count).astype(np.float64)
    cost = np.einsum("nt,nt->n", nights.rates_per_kwh, metered)
    return NightsSolution(share, metered, gained_kwh, cost, plans.starts)
