"""Solve a dynamic programme over time and ticks bought, for a block of nights.

Knows no batteries, needs or wants: only rates, the energy of each tick, and the cost of ending with
so many ticks bought. `planners.many_nights.many_nights` states the recurrence. Arrays have the
night on the last axis, so that the step from ``c`` to ``c + 1`` is a step from row to row.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Nights that are solved together.

    Attributes
    ----------
    rates_per_kwh : ndarray of float, shape (ticks, nights)
        Rate of each tick [currency per kWh], infinite where charging isn't allowed.
    energy_kwh : ndarray of float, shape (rungs + 1, nights)
        Metered energy of one more tick after so many ticks [kWh]; more than 0 everywhere, even
        where `end_cost` rules the tick out, as it always does after the last rung.
    end_cost : ndarray of float, shape (rungs + 1, nights)
        Cost of ending with so many ticks bought [currency], infinite if not allowed.
    start_cost : ndarray of float, shape (nights,) or (1,)
        Cost of each start [currency].
    bonus : ndarray of float, shape (nights,) or (1,)
        A tick is used even if leaving it is cheaper by less than this [currency]. If negative, a
        tick is left even if using it is cheaper by as much.
    min_run, min_rest : int
        Shortest run and shortest rest between runs [ticks]; both at least 1.
    short_run_cost : ndarray of float, shape (nights,) or (1,)
        Cost of a run that ends where the ticks end, and is too short [currency].
    """

    rates_per_kwh: NDArray[np.float64]
    energy_kwh: NDArray[np.float64]
    end_cost: NDArray[np.float64]
    start_cost: NDArray[np.float64]
    bonus: NDArray[np.float64]
    min_run: int
    min_rest: int
    short_run_cost: NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Choices:
    """The decision in each state, and the cost of the best plan.

    Attributes
    ----------
    use : ndarray of bool, shape (ticks, 2, rungs + 1, nights)
        Whether to charge in a tick, with charging off (0) or on (1) before it and so many ticks
        bought; undefined in states that no plan reaches.
    cost : ndarray of float, shape (nights,)
        Cost of the best plan [currency], infinite where there is none.
    """

    use: NDArray[np.bool_]
    cost: NDArray[np.float64]


def tabulate(block: Block) -> Choices:
    """Decide every state, backwards in time.

    Parameters
    ----------
    block : Block
        The nights.

    Returns
    -------
    Choices
        The decisions that `follow` needs.
    """
    ticks = len(block.rates_per_kwh)
    states, nights = block.end_cost.shape
    fewest = _fewest(block.end_cost)
    use = np.empty((ticks, 2, states, nights), dtype=np.bool_)
    price, begin = np.empty((2, states, nights))
    # One row more, never written: after the last rung nothing can be bought.
    end = np.concatenate((block.end_cost, np.full((1, nights), np.inf)))
    # on[u]: may stop after u more ticks
    on = [end.copy(), *(end + block.short_run_cost for _ in range(block.min_run - 1))]
    off = [end.copy() for _ in range(block.min_rest)]  # off[j % min_rest]: at rest before tick j
    off_with_bonus = [end + block.bonus for _ in off]
    for i in range(ticks - 1, -1, -1):
        # Fewer ticks bought can't end well any more, and more can't have been bought yet.
        rows = slice(max(0, fewest - (ticks - i)), min(states, i + 1))
        above = slice(rows.start + 1, rows.stop + 1)
        after_rest, later = i % block.min_rest, (i + 1) % block.min_rest
        now, first = price[rows], begin[rows]
        np.multiply(block.energy_kwh[rows], block.rates_per_kwh[i], out=now)
        np.add(now, on[-1][above], out=first)
        for u in range(block.min_run - 1, 0, -1):
            np.add(now, on[u - 1][above], out=on[u][rows])
        go_on = on[1][rows] if block.min_run > 1 else first
        np.less(go_on, off_with_bonus[after_rest][rows], out=use[i, 1, rows])
        np.minimum(go_on, off[after_rest][rows], out=on[0][rows])
        np.add(first, block.start_cost, out=first)
        np.less(first, off_with_bonus[later][rows], out=use[i, 0, rows])
        np.minimum(first, off[later][rows], out=off[after_rest][rows])
        np.add(off[after_rest][rows], block.bonus, out=off_with_bonus[after_rest][rows])
    return Choices(use, off[0][0])


def _fewest(end: NDArray[np.float64]) -> int:
    """Find the fewest ticks with which any night may end."""
    return int(np.isfinite(end).any(axis=1).argmax())


def follow(choices: Choices, min_run: int, min_rest: int) -> NDArray[np.bool_]:
    """Walk forwards through the choices, from long at rest with nothing bought.

    Parameters
    ----------
    choices : Choices
        Decisions for nights that each have a plan.
    min_run, min_rest : int
        Those of the block.

    Returns
    -------
    ndarray of bool, shape (ticks, nights)
        The ticks of the best plan.
    """
    ticks, _, states, nights = choices.use.shape
    on = np.empty((ticks, nights), dtype=np.bool_)
    running = np.zeros(nights, dtype=np.bool_)
    free = np.zeros(nights, dtype=np.intp)  # the tick before which the present state must last
    bought = np.arange(nights)  # places of the states in a plane of `use`: of off, and of on
    place = bought
    for i, use in enumerate(choices.use):
        now = use.take(place)
        if min_run > 1 or min_rest > 1:
            np.copyto(now, running, where=free > i)
        if min_run > 1:
            np.copyto(free, i + min_run, where=now > running)
        if min_rest > 1:
            np.copyto(free, i + min_rest, where=now < running)
        bought = bought + nights * now
        place = bought + (states * nights) * now
        on[i] = running = now
    return on
