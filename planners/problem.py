"""The planning problem of one vehicle and one departure, in numbers only (design, section 4)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.charging import Ladder


@dataclass(frozen=True, slots=True)
class SwitchingState:
    """What the charge point did before the first tick.

    Attributes
    ----------
    on : bool
        Whether a run is in progress: it may go on without a new start.
    ticks : int
        For how many whole ticks it has been so.
    """

    on: bool
    ticks: int


LONG_AT_REST = SwitchingState(on=False, ticks=1_000_000)
"""Nothing holds the first start back."""


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """Which ticks to charge in.

    Minimise ``sum(rate x metered) + start_cost x starts - max_rate x (metered kWh past the
    need)`` among the plans that come nearest to the need.

    Attributes
    ----------
    rates_per_kwh : ndarray of float, shape (ticks,)
        Rate of each tick, tax included [currency per kWh]; may be negative.
    to_need : Ladder
        What each tick of charging buys, until the need.
    to_want : Ladder
        The same until the want: `to_need` itself where nothing more is wanted.
    max_rate_per_kwh : float
        What a metered kWh past the need is worth [currency per kWh].
    start_cost : float
        What one more start is worth avoiding [currency]; not negative.
    min_run, min_rest : int
        Shortest run and shortest rest between runs [ticks]; a run of fewer than one tick is no
        run, so `min_run` is at least 1. Both are cut off where the ticks end, and a run need
        not outlast the ladder.
    before : SwitchingState
        The state before the first tick.
    prefer_late : bool
        Among plans that cost the same and start as often: the later one, not the earlier.
    """

    rates_per_kwh: NDArray[np.float64]
    to_need: Ladder
    to_want: Ladder
    max_rate_per_kwh: float = 0.0
    start_cost: float = 0.0
    min_run: int = 1
    min_rest: int = 0
    before: SwitchingState = LONG_AT_REST
    prefer_late: bool = False

    @property
    def rest_left(self) -> int:
        """Ticks from the first on in which a rest in progress still holds."""
        return 0 if self.before.on else max(0, self.min_rest - self.before.ticks)


@dataclass(frozen=True, slots=True, eq=False)
class Solution:
    """An optimal plan of a `Problem`.

    Attributes
    ----------
    on : ndarray of bool, shape (ticks,)
        The ticks it charges in.
    share : ndarray of float, shape (ticks,)
        Part of each tick that is used: 1, or less in the last one where the target is reached.
    metered_kwh : ndarray of float, shape (ticks,)
        Energy through the meter [kWh].
    gained_kwh : float
        Energy that reaches the battery [kWh].
    cost : float
        Sum of rate x energy [currency], without start costs.
    starts : int
        Starts, the continuation of a run in progress not counted.
    """

    on: NDArray[np.bool_]
    share: NDArray[np.float64]
    metered_kwh: NDArray[np.float64]
    gained_kwh: float
    cost: float
    starts: int


def solution_of(
    on: NDArray[np.bool_], steps: Ladder, rates_per_kwh: NDArray[np.float64], *, running: bool
) -> Solution:
    """Price a choice of ticks.

    Parameters
    ----------
    on : ndarray of bool, shape (ticks,)
        The chosen ticks, at most as many as the ladder has rungs.
    steps : Ladder
        What the first, second, … chosen tick buys.
    rates_per_kwh : ndarray of float, shape (ticks,)
        Rate of each tick [currency per kWh].
    running : bool
        Whether a run was in progress before the first tick.

    Returns
    -------
    Solution
        The same choice with its energy and cost.
    """
    bought = int(on.sum())
    share = np.zeros(len(on))
    metered = np.zeros(len(on))
    share[on] = steps.share[:bought]
    metered[on] = steps.metered_kwh[:bought]
    rises = on & ~np.concatenate(([running], on[:-1]))
    return Solution(
        on=on,
        share=share,
        metered_kwh=metered,
        gained_kwh=float(steps.gained_kwh[:bought].sum()),
        cost=float(rates_per_kwh @ metered),
        starts=int(rises.sum()),
    )
