"""The planning problem of one vehicle, in numbers only (design, section 4)."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.power.charging import ChargeModel


TIE = 1e-9
"""Plans whose costs differ by less cost the same [currency]."""

NEED_TOLERANCE_KWH = 1e-6
"""A need missed by less counts as met: rounding adds up over some thousand sums [kWh]."""

ROUNDING_AMPS = 1e-9
"""Currents nearer than this are the same [A]."""

LEAST_AMPS = 1e-6
"""A current below this is none [A]."""


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


@dataclass(frozen=True, slots=True)
class Deadline:
    """One departure within the horizon, and the trip that follows it.

    Attributes
    ----------
    end : int
        The first tick that no longer charges for it.
    need_kwh, want_kwh : float
        Battery energy needed at any price, and wanted at the rate below, at tick `end` [kWh];
        the want is at least the need.
    max_rate_per_kwh : float
        What a metered kWh past the need is worth [currency per kWh].
    return_tick : int
        The first tick after the vehicle's return, `end` or later. The last departure's is not
        looked at, nor is its trip.
    trip_kwh : float
        Battery energy that the trip uses, as far as it is there [kWh].
    """

    end: int
    need_kwh: float
    want_kwh: float
    max_rate_per_kwh: float = 0.0
    return_tick: int = 0
    trip_kwh: float = 0.0


@dataclass(frozen=True, eq=False)
class PlanningProblem:
    """Which current to draw in which tick.

    Among the plans that come nearest to the first departure's need, of those the nearest to the
    second's, and so on, minimise ``sum(rate x metered) + start_cost x starts - sum over the
    departures of max_rate x (metered kWh bought past the need)``. Metered kWh past the need count
    at the model's current, from the need, or from what was there on the return if that is more;
    before any departure but the last they count only in ticks at ``max_rate`` or less, since
    dearer ones may be worth their while by what they save later, and not on top of that.

    The battery never holds more than the want, unless it came home with more. Ticks are charged
    in wholly, but for the last before a departure, which is cut short where it reaches a target:
    see `targets_kwh`.

    Attributes
    ----------
    rates_per_kwh : ndarray of float, shape (ticks,)
        Rate of each tick, tax included [currency per kWh]; may be negative.
    highest_amps : ndarray of float, shape (ticks,)
        Highest current of each tick [A per phase]; 0 where it can't charge.
    tick_hours : float
        Length of a tick [h].
    model : ChargeModel
        The vehicle, at the highest current of any tick.
    stored_kwh : float
        Battery energy before the first tick [kWh].
    deadlines : tuple of Deadline
        At least one, in order of time; the last one's `end` is the number of ticks.
    min_amps : float or None
        Lowest current other than none [A per phase]; None for on/off switching, which draws
        `highest_amps` or nothing.
    start_cost : float
        What one more start is worth avoiding [currency]; not negative.
    min_run, min_rest : int
        Shortest run and shortest rest between runs [ticks]; a run of fewer than one tick is no
        run, so `min_run` is at least 1. With on/off switching a tick cut short counts as one, with
        a current that can be set only a whole one does. A run may be shorter where the time before
        the departure ends, or where it is all the charging for that departure and is cut short at
        a target. A run in progress also ends where it meets a tick that can't charge; others have
        to be over by then. A departure counts as the begin of a rest.
    before : SwitchingState
        The state before the first tick.
    prefer_late : bool
        Among plans that cost the same and start as often: the later one, not the earlier.
    """

    rates_per_kwh: NDArray[np.float64]
    highest_amps: NDArray[np.float64]
    tick_hours: float
    model: ChargeModel
    stored_kwh: float
    deadlines: tuple[Deadline, ...]
    min_amps: float | None = None
    start_cost: float = 0.0
    min_run: int = 1
    min_rest: int = 0
    before: SwitchingState = LONG_AT_REST
    prefer_late: bool = False

    @property
    def ticks(self) -> int:
        """How many ticks there are."""
        return len(self.rates_per_kwh)

    @cached_property
    def tie(self) -> float:
        """`TIE`, or more where sums of money are so large that rounding would reach it."""
        bought = self.ticks * self.tick_hours * self.model.full_kw
        total = float(np.abs(self.rates_per_kwh).max(initial=0.0)) * bought
        return max(TIE, 1e-13 * (total + self.start_cost * self.ticks))

    @property
    def least_worth(self) -> float:
        """What decides whether to buy a kWh where the money is the same [currency per kWh]."""
        return 2 * self.tie

    @property
    def rest_left(self) -> int:
        """Ticks from the first on in which a rest in progress still holds."""
        return 0 if self.before.on else max(0, self.min_rest - self.before.ticks)

    @property
    def run_so_far(self) -> int:
        """Ticks that a run in progress has lasted: `min_run` at most, and where it can't go on."""
        return self.min_run if self.is_blocked(0) else min(self.before.ticks, self.min_run)

    @property
    def run_cut_off(self) -> int | None:
        """The tick that ends a run in progress before its time; None where there is none."""
        missing = self.min_run - self.before.ticks if self.before.on else 0
        ticks = range(min(missing, self.deadlines[0].end))
        return next((i for i in ticks if self.is_blocked(i)), None)

    @property
    def least_amps(self) -> float:
        """The current below which a tick can't charge [A]."""
        return LEAST_AMPS if self.min_amps is None else self.min_amps - ROUNDING_AMPS

    def is_blocked(self, i: int) -> bool:
        """Tell whether nothing can be charged in tick `i`."""
        return i < self.ticks and bool(self.highest_amps[i] < self.least_amps)

    def segments(self) -> list[tuple[int, int]]:
        """Give the first tick and the end of the time before each departure."""
        starts = [0, *(max(d.return_tick, d.end + self.min_rest) for d in self.deadlines[:-1])]
        return [(min(s, d.end), d.end) for s, d in zip(starts, self.deadlines, strict=True)]

    def may_cut(self, ran: int, *, last: bool) -> bool:
        """Tell whether a run's tick number `ran`, the `last` of all or not, may be cut short."""
        # Where the current can be set, a lower one does what a cut would, and lasts.
        if self.min_amps is not None and self.min_run > 1:
            return ran > self.min_run
        return last or ran >= self.min_run

    def counts(self, deadline: Deadline, i: int) -> bool:
        """Tell whether energy past the need that is bought in tick `i` is worth `max_rate`."""
        is_last = deadline.end == self.ticks
        return is_last or bool(self.rates_per_kwh[i] <= deadline.max_rate_per_kwh)

    def targets_kwh(self, k: int) -> list[float]:
        """Give the battery energies at which the charging for departure `k` may end in mid-tick.

        Parameters
        ----------
        k : int
            Which departure.

        Returns
        -------
        list of float
            Its need, its want, and what the needs and wants after it come to with the trips
            between added, as far as its want allows; ascending [kWh].
        """
        targets, trips_kwh = [], 0.0
        for deadline in self.deadlines[k:]:
            targets += [deadline.need_kwh + trips_kwh, deadline.want_kwh + trips_kwh]
            trips_kwh += deadline.trip_kwh
        return sorted({t for t in targets if t <= self.deadlines[k].want_kwh})

    def check(self) -> None:
        """Refuse what is no problem.

        Raises
        ------
        ValueError
            Naming the field, where a shape or a value is not as described above.
        """
        if self.highest_amps.shape != (self.ticks,):
            raise ValueError(
                f"highest_amps: expected shape ({self.ticks},), got {self.highest_amps.shape}"
            )
        if not (np.isfinite(self.rates_per_kwh).all() and np.isfinite(self.highest_amps).all()):
            raise ValueError("rates_per_kwh, highest_amps: expected finite numbers")
        if not self.deadlines or self.deadlines[-1].end != self.ticks:
            raise ValueError(f"deadlines: expected the last to end at tick {self.ticks}")
        edges = [0, *(edge for d in self.deadlines for edge in (d.end, max(d.end, d.return_tick)))][
            :-1
        ]
        if edges != sorted(edges):
            raise ValueError("deadlines: expected end and return_tick in order of time")
        if any(d.want_kwh < d.need_kwh for d in self.deadlines):
            raise ValueError("deadlines: expected want_kwh of need_kwh or more")
        if self.min_run < 1 or self.min_rest < 0 or self.start_cost < 0:
            raise ValueError("min_run, min_rest, start_cost: expected 1, 0 and 0 or more")
