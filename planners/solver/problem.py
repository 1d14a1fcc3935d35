"""State one vehicle's planning problem in numbers: needs at any price, wants up to a rate."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from planners.power.charging import ChargeModel


TIE = 1e-9
"""Plans whose costs differ by less cost the same [currency]."""

NEED_TOLERANCE_KWH = 1e-6
"""A need missed by less counts as met: rounding adds up over some thousand sums [kWh]."""

ROUNDING_TICKS = 1e-9
"""Uses of a stretch nearer than this are the same [ticks]."""

ROUNDING_AMPS = 1e-9
"""Currents nearer than this are the same [A]."""

SHORT_RUN_COST = 1e-7
"""What a run that is too short costs at least, even if all energy is free [currency]."""

LEAST_AMPS = 1e-6
"""A current below this counts as 0 [A]."""


@dataclass(frozen=True, slots=True)
class SwitchingState:
    """The state of the charge point before the first tick.

    Attributes
    ----------
    on : bool
        Whether a run is in progress, which may continue without a new start.
    ticks : int
        For how many whole ticks it has been on, or off; negative where a rest begins only later.
    """

    on: bool
    ticks: int


LONG_AT_REST = SwitchingState(on=False, ticks=1_000_000)
"""A state that lets charging start at once."""


@dataclass(frozen=True, slots=True)
class Deadline:
    """One departure within the horizon, and the trip that follows it.

    Attributes
    ----------
    end : int
        The first tick at which charging for it has ended.
    need_kwh, want_kwh : float
        Battery energy at tick `end` that is needed at any price, and that is wanted at the rate
        below [kWh]; the want is at least the need.
    max_rate_per_kwh : float
        The most that a metered kWh past the need is worth to this departure [currency per kWh].
    return_tick : int
        The first tick after the vehicle's return, `end` or later. It is ignored for the last
        departure, as is the trip.
    trip_kwh : float
        Battery energy that the trip uses, or all that the battery holds if that is less [kWh].
    """

    end: int
    need_kwh: float
    want_kwh: float
    max_rate_per_kwh: float = 0.0
    return_tick: int = 0
    trip_kwh: float = 0.0


@dataclass(frozen=True, slots=True)
class UseLimit:
    """At most so much use of a stretch of ticks.

    Attributes
    ----------
    start, end : int
        The first tick, and the first after the stretch.
    most_ticks : float
        The sum of the used shares of its ticks is at most this.
    """

    start: int
    end: int
    most_ticks: float

    @property
    def whole_ticks(self) -> int:
        """How many whole ticks of the stretch may be used."""
        return int(self.most_ticks + ROUNDING_TICKS)


class Floor(NamedTuple):
    """Before tick `tick` the battery must hold at least `kwh` [kWh], if any plan reaches that."""

    tick: int
    kwh: float


@dataclass(frozen=True, eq=False)
class PlanningProblem:
    """The choice of a current for each tick.

    Of the plans that come nearest to the first departure's need, and of those nearest to the
    second's, and so on, minimise ``sum(rate x metered) + start_cost x starts - worth of what no
    departure needs``. Every kWh counts once, at the departure before which it is bought: one that
    any departure from there on needs is worth nothing beyond that, another the highest `max_rate`
    of the departures that want it (`planners.solver.worth`). So what is needed or wanted is bought
    where it costs least. Metered kWh count at the model's current. Of plans that cost the same,
    what a departure wants is bought before it rather than later, in ticks at its `max_rate` or
    less.

    The battery never holds more than the want, unless it came home with more. Every charging tick
    is used whole, except the last before a departure, which is cut short where the battery reaches
    a target: see `targets_kwh`.

    Attributes
    ----------
    rates_per_kwh : ndarray of float, shape (ticks,)
        Rate of each tick, tax included [currency per kWh]; may be negative. Where plans count a
        price of carbon, it is part of this and of `export_rates_per_kwh`: so `max_rate` is compared
        with both together.
    highest_amps : ndarray of float, shape (ticks,)
        Highest current of each tick [A per phase]; 0 in ticks that can't charge.
    tick_hours : float
        Length of a tick [h].
    model : ChargeModel
        The vehicle, at the highest current of any tick.
    stored_kwh : float
        Battery energy before the first tick [kWh].
    deadlines : tuple of Deadline
        At least one, in order of time; the last one's `end` is the number of ticks.
    min_amps : float or None
        Lowest current other than 0 [A per phase]; None for on/off switching, which draws
        `highest_amps` or nothing.
    start_cost : float
        Cost that avoiding one start is worth [currency]; not negative.
    min_run, min_rest : int
        Shortest run, at least 1, and shortest rest between runs [ticks]. With on/off switching a
        tick cut short counts as a tick, if at least `least_part` of it is used; with a current that
        can be set, only a whole one does. A
        run may be shorter if it is all the charging for that departure and is cut short at a
        target. One that ends with the time before the departure may be shorter too, at
        `short_run_cost`: a need can require it. A run in progress ends with that time, and at a
        tick that can't charge; other runs must be over by then. A rest begins at each departure.
    before : SwitchingState
        The state before the first tick.
    prefer_late : bool
        Whether to take the later, not the earlier, of plans that cost the same and start as often.
    surcharges_per_kwh : ndarray of float, shape (ticks,), or None
        A price on top of each rate, which `max_rate` is not compared with: what the current is
        worth to other vehicles [currency per kWh]. No part of `Solution.cost`.
    use_limits : tuple of UseLimit
        Stretches of ticks of which only a part may be used, in order of time and apart. A stretch
        that a departure divides counts on either side of it.
    surplus_kw : ndarray of float, shape (ticks,), or None
        Power that the home's own generation leaves over in each tick after the home's own use, at
        the meter [kW]; not negative. While the vehicle draws, its power up to the surplus costs the
        export rate, and the rest the import rate, which is `rates_per_kwh`: see
        `planners.surplus.two_rates`. `max_rate` is compared with each of the two.
    export_rates_per_kwh : ndarray of float, shape (ticks,), or None
        What a surplus kWh earns in each tick if it is exported, and so costs to charge with
        [currency per kWh]; it may be negative or above the import rate. Given with `surplus_kw`.
    least_part : float
        How much of a tick must be used, if it is cut short, to count towards the shortest run,
        with on/off switching [ticks]. A run of minutes that are no whole ticks may need it.
    floor : Floor or None
        What the battery must hold before some tick until the first departure, up to a step of the
        levels: see `planners.plan.planning`.
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
    surcharges_per_kwh: NDArray[np.float64] | None = None
    use_limits: tuple[UseLimit, ...] = ()
    surplus_kw: NDArray[np.float64] | None = None
    export_rates_per_kwh: NDArray[np.float64] | None = None
    least_part: float = 0.0
    floor: Floor | None = None

    @property
    def prices_per_kwh(self) -> NDArray[np.float64]:
        """Rates with the surcharges [currency per kWh], shape (ticks,)."""
        if self.surcharges_per_kwh is None:
            return self.rates_per_kwh
        return self.rates_per_kwh + self.surcharges_per_kwh

    @property
    def export_prices_per_kwh(self) -> NDArray[np.float64]:
        """Export rates with the surcharges [currency per kWh]; import prices without a surplus."""
        if self.export_rates_per_kwh is None:
            return self.prices_per_kwh
        if self.surcharges_per_kwh is None:
            return self.export_rates_per_kwh
        return self.export_rates_per_kwh + self.surcharges_per_kwh

    @property
    def mean_prices_per_kwh(self) -> NDArray[np.float64]:
        """What a kWh costs on average at each tick's highest current, before any taper."""
        return self._at_full_current(self.prices_per_kwh, self.export_prices_per_kwh)

    def _at_full_current(
        self, imported: NDArray[np.float64], exported: NDArray[np.float64]
    ) -> NDArray[np.float64]:
        if self.surplus_kw is None:
            return imported
        full_kw = self.highest_amps * self.model.kw_per_amp
        roof = np.minimum(1.0, self.surplus_kw / np.where(full_kw > 0, full_kw, np.inf))
        return imported + (exported - imported) * roof

    @property
    def least_rates_per_kwh(self) -> NDArray[np.float64]:
        """The least that a kWh costs in each tick [currency per kWh], shape (ticks,).

        It is the export rate if that is lower and there is a surplus. With on/off switching it is
        the mean rate of the highest current.
        """
        if self.surplus_kw is None or self.export_rates_per_kwh is None:
            return self.rates_per_kwh
        mean = self._at_full_current(self.rates_per_kwh, self.export_rates_per_kwh)
        if self.min_amps is None:
            return mean
        return np.where(self.surplus_kw > 0, np.minimum(mean, self.export_rates_per_kwh), mean)

    @property
    def ticks(self) -> int:
        """Number of ticks."""
        return len(self.rates_per_kwh)

    @cached_property
    def tie(self) -> float:
        """`TIE`, or more if sums of money are so large that rounding could exceed it."""
        bought = self.ticks * self.tick_hours * self.model.full_kw
        total = self.dearest * bought
        return max(TIE, 1e-13 * (total + self.start_cost * self.ticks))

    @property
    def least_worth(self) -> float:
        """Extra worth of a wanted kWh, so that it is bought at equal cost [currency per kWh].

        The twentieth part of a kWh outweighs a start that costs nothing else.
        """
        return 50 * self.tie

    @cached_property
    def short_run_cost(self) -> float:
        """Cost of a run that is too short at a departure: more than it can save [currency]."""
        run_kwh = self.min_run * self.tick_hours * self.model.full_kw
        dearest = max(self.dearest, *(each.max_rate_per_kwh for each in self.deadlines))
        return 2 * (run_kwh * dearest + self.start_cost) + SHORT_RUN_COST

    @property
    def dearest(self) -> float:
        """Return the highest rate of all, without its sign [currency per kWh]."""
        dearest = float(np.abs(self.rates_per_kwh).max(initial=0.0))
        if self.export_rates_per_kwh is not None:
            dearest = max(dearest, float(np.abs(self.export_rates_per_kwh).max(initial=0.0)))
        return dearest

    @property
    def rest_left(self) -> int:
        """Number of first ticks in which a rest in progress must continue."""
        return 0 if self.before.on else max(0, self.min_rest - self.before.ticks)

    @property
    def run_so_far(self) -> int:
        """Ticks that a run in progress counts; `min_run` if it can't continue."""
        return self.min_run if self.is_blocked(0) else min(self.before.ticks, self.min_run)

    @property
    def run_cut_off(self) -> int | None:
        """The blocked tick that ends a run in progress too early; None if none does."""
        missing = self.min_run - self.before.ticks if self.before.on else 0
        ticks = range(min(missing, self.deadlines[0].end))
        return next((i for i in ticks if self.is_blocked(i)), None)

    @property
    def least_amps(self) -> float:
        """The current below which a tick can't charge [A]."""
        return LEAST_AMPS if self.min_amps is None else self.min_amps - ROUNDING_AMPS

    def is_blocked(self, i: int) -> bool:
        """Tell whether tick `i` can't charge."""
        return i < self.ticks and bool(self.highest_amps[i] < self.least_amps)

    def during(
        self,
        start: int,
        end: int,
        **changes: Any,  # noqa: ANN401 - as of `replace`
    ) -> PlanningProblem:
        """Return the problem of only some ticks, without surcharges or floor, and changed."""
        ticks = slice(start, end)
        surplus, export_rates = self.surplus_kw, self.export_rates_per_kwh
        fields: dict[str, Any] = {
            "rates_per_kwh": self.rates_per_kwh[ticks],
            "highest_amps": self.highest_amps[ticks],
            "surcharges_per_kwh": None,
            "surplus_kw": None if surplus is None else surplus[ticks],
            "export_rates_per_kwh": None if export_rates is None else export_rates[ticks],
            "floor": None,
        }
        return replace(self, **fields | changes)

    def segments(self) -> list[tuple[int, int]]:
        """Return the start and end of the time before each departure [ticks]."""
        starts = [0, *(max(d.return_tick, d.end + self.min_rest) for d in self.deadlines[:-1])]
        return [(min(s, d.end), d.end) for s, d in zip(starts, self.deadlines, strict=True)]

    @property
    def part_that_counts(self) -> float:
        """The least part of a tick cut short that counts towards the shortest run; 1 if none does.

        If the current can be set, a lower one does the same as a cut, and lasts.
        """
        return 1.0 if self.min_amps is not None and self.min_run > 1 else self.least_part

    def may_cut(self, ran: int, part: float, *, last: bool) -> bool:
        """Tell whether a part of tick number `ran` of a run is enough; in the `last`, at a cost."""
        enough = self.part_that_counts
        counts = enough < 1 and part >= enough - ROUNDING_TICKS
        return ran > self.min_run or (counts and (last or ran == self.min_run))

    def targets_kwh(self, k: int) -> list[float]:
        """List the energies at which charging for a departure may end in mid-tick.

        Parameters
        ----------
        k : int
            Index of the departure.

        Returns
        -------
        list of float
            Its need and its want, and the later needs and wants with the trips before them added,
            up to its want; ascending [kWh].
        """
        targets, trips_kwh = [], 0.0
        for deadline in self.deadlines[k:]:
            targets += [deadline.need_kwh + trips_kwh, deadline.want_kwh + trips_kwh]
            trips_kwh += deadline.trip_kwh
        return sorted({t for t in targets if t <= self.deadlines[k].want_kwh})

    def check(self) -> None:
        """Refuse a problem that is not as described above.

        Raises
        ------
        ValueError
            If a shape or a value is wrong; names the field.
        """
        if self.highest_amps.shape != (self.ticks,):
            raise ValueError(
                f"highest_amps: expected shape ({self.ticks},), got {self.highest_amps.shape}"
            )
        if not (np.isfinite(self.rates_per_kwh).all() and np.isfinite(self.highest_amps).all()):
            raise ValueError("rates_per_kwh, highest_amps: expected finite numbers")
        self._check_surplus()
        if not self.deadlines or self.deadlines[-1].end != self.ticks:
            raise ValueError(f"deadlines: expected the last to end at tick {self.ticks}")
        edges = [0, *(edge for d in self.deadlines for edge in (d.end, max(d.end, d.return_tick)))][
            :-1
        ]
        if edges != sorted(edges):
            raise ValueError("deadlines: expected end and return_tick in order of time")
        if any(d.want_kwh < d.need_kwh for d in self.deadlines):
            raise ValueError("deadlines: expected want_kwh of need_kwh or more")
        edges = [edge for each in self.use_limits for edge in (each.start, each.end)]
        if edges != sorted(edges) or any(each.most_ticks < 0 for each in self.use_limits):
            raise ValueError("use_limits: expected stretches in order, with 0 ticks or more")
        if self.min_run < 1 or self.min_rest < 0 or self.start_cost < 0:
            raise ValueError("min_run, min_rest, start_cost: expected 1, 0 and 0 or more")

    def _check_surplus(self) -> None:
        surplus, rates = self.surplus_kw, self.export_rates_per_kwh
        if surplus is None or rates is None:
            if surplus is not rates:
                raise ValueError("surplus_kw, export_rates_per_kwh: expected both, or neither")
            return
        if surplus.shape != (self.ticks,) or rates.shape != (self.ticks,):
            raise ValueError(f"surplus_kw, export_rates_per_kwh: expected shape ({self.ticks},)")
        if not (np.isfinite(surplus).all() and np.isfinite(rates).all() and (surplus >= 0).all()):
            raise ValueError("surplus_kw, export_rates_per_kwh: expected numbers, from 0 kW")
