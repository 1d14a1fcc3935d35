"""Improve or prove a joint plan by a mixed integer programme, with HiGHS (the extra `several`).

For each vehicle ``v`` and tick ``i`` of ``h`` hours: ``on`` and ``start`` are 0 or 1, ``m`` is the
metered energy, ``c`` what ``m`` has for each ampere. The last tick may be cut short: it lacks
``cut``, and ``done`` is 1 in all ticks after it. Minimise ``sum rate x m + start cost x start -
max_rate x (m past the need)`` subject to::

    m[i] <= c A[i] on[i]                              no more than the tick allows
    m[i] + cut[i] >= c a on[i]                        a is A, or the lowest current if it can be set
    cut[i] <= c a (done[i+1] - done[i])
    on[i] <= 1 - done[i]
    start[i] >= on[i] - on[i-1]
    sum of start over the last U ticks <= on[i]       shortest run
    sum of start over the last R ticks <= 1 - on[i-R] shortest rest
    need <= stored + efficiency x sum of m <= want
    sum over v of weight x current <= left[i]         A on, or (m + cut) / c if it can be set

With a surplus of ``S`` there is ``r`` as well, which costs ``export rate - rate`` on top, with
``r[i] <= m[i]`` and ``sum over v of r <= S h``. Where export pays more and several may draw, ``m``
has a mean rate instead: see `planners.joint.surplus`.

Every plan of `planners.joint.problem` satisfies this; the reverse does not hold for a run that is
cut short. So the programme's bound is a bound, and its solution only says where to charge: each
vehicle is then planned within it by `planners.solver.exact`.

A run may be shorter if it is all the charging there is. The shortest run is therefore left out
where a vehicle may need less than one. Elsewhere a start that is too late for it has the cost of a
run that is too short.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace
from importlib.util import find_spec
from typing import TYPE_CHECKING

import numpy as np

from planners.joint.plans import Plans, beside, limit_left, solved
from planners.joint.problem import JointProblem
from planners.joint.surplus import alone_at_best
from planners.joint.turns import improved

if TYPE_CHECKING:
    from collections.abc import Iterable

    import highspy
    from numpy.typing import NDArray

    from planners.solver.problem import PlanningProblem

    Array = NDArray[np.float64]

Improve = Callable[[JointProblem, Plans], tuple[Plans, float]]
"""Improves plans, and bounds what any cost."""

GAP = 1e-4
"""Plans this near to the bound count as the cheapest."""

ROUNDING = 1e-6
"""How far HiGHS may miss a row [kWh, A], and the least that its bound is lowered by for that."""

FAULTY_PRESOLVE_RULE = 1 << 9
"""HiGHS 1.16 removes an equation of one 0-or-1 and one continuous column wrongly."""


def is_available() -> bool:
    """Whether HiGHS is installed."""
    return find_spec("highspy") is not None


def can_state(joint: JointProblem) -> bool:
    """Whether the programme can state a problem: one departure each, and constant power."""
    return all(
        len(each.deadlines) == 1 and not each.model.taper and each.model.standby_kw == 0
        for each in joint.vehicles
    )


def improved_by_programme(
    joint: JointProblem, best: Plans, seconds: float, is_enough: Callable[[], bool]
) -> tuple[Plans, float]:
    """Improve plans, and bound what any plan costs.

    Parameters
    ----------
    joint : JointProblem
        The problem; its needs can be met. `can_state` holds.
    best : Plans
        Plans that meet them.
    seconds : float
        How long HiGHS may take.
    is_enough : callable
        Asked now and then; HiGHS ends if it returns True.

    Returns
    -------
    plans : Plans
        The same, or better ones.
    bound : float
        No plan that meets the needs costs less [currency]; minus infinity if that is not known.
    """
    programme = _Programme(joint)
    solver = programme.solver(best, seconds)
    solver.cbMipInterrupt.subscribe(lambda event: event.interrupt() if is_enough() else None)
    solver.run()
    info = solver.getInfo()
    bound = float(info.mip_dual_bound)
    if info.primal_solution_status == 0:
        return best, bound
    currents = programme.currents(np.array(solver.getSolution().col_value))
    trial = improved(joint, _within(joint, currents), rounds=2)
    is_better = not trial.is_short and trial.is_better_than(best)
    return trial if is_better else best, bound - ROUNDING * max(1.0, abs(bound))


def _within(joint: JointProblem, currents: Array) -> Plans:
    """Plan each vehicle in the ticks in which it charges, with all that the others leave."""
    taken, plans = currents.copy(), []
    for vehicle, problem in enumerate(joint.vehicles):
        beside_others = beside(joint, vehicle, taken, is_exact=True)
        room = beside_others.highest_amps
        charges = currents[vehicle, : problem.ticks] > 0
        charges[: _owed(problem)] = True  # a tick that can't charge would end a run in progress
        most = np.where(charges, room, 0.0)
        left_kw = beside_others.surplus_kw
        plan = solved(joint, vehicle, replace(problem, highest_amps=most, surplus_kw=left_kw))
        taken[vehicle] = 0.0
        taken[vehicle, : problem.ticks] = np.where(plan.on, plan.amps, 0.0)
        plans.append(plan)
    return Plans.of(joint, plans)


def _owed(problem: PlanningProblem) -> int:
    """Return the ticks that a run in progress must still last."""
    return max(0, problem.min_run - problem.before.ticks) if problem.before.on else 0


@dataclass
class _Columns:
    """The columns of one vehicle, by tick: numbers of the first of each kind."""

    problem: PlanningProblem
    on: int
    start: int
    metered: int
    cut: int
    done: int
    roof: int | None

    @property
    def most_kwh(self) -> Array:
        """The most energy of each tick; 0 where it can't charge."""
        problem = self.problem
        usable = problem.highest_amps >= problem.least_amps
        usable[: problem.rest_left] = False
        return np.where(usable, problem.highest_amps, 0.0) * self.kwh_per_amp

    @property
    def kwh_per_amp(self) -> float:
        return self.problem.model.kw_per_amp * self.problem.tick_hours

    @property
    def missing_kwh(self) -> tuple[float, float]:
        """Metered energy up to the need, and up to the want."""
        (deadline,), problem = self.problem.deadlines, self.problem
        efficiency = problem.model.efficiency
        need, want = (
            max(0.0, kwh - problem.stored_kwh) / efficiency
            for kwh in (deadline.need_kwh, deadline.want_kwh)
        )
        return need, max(need, want)


@dataclass
class _Programme:
    """Columns and rows of the programme."""

    joint: JointProblem
    lower: list[float] = field(default_factory=list)
    upper: list[float] = field(default_factory=list)
    cost: list[float] = field(default_factory=list)
    offset: float = 0.0
    row_upper: list[float] = field(default_factory=list)
    row_start: list[int] = field(default_factory=lambda: [0])
    indices: list[int] = field(default_factory=list)
    values: list[float] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.vehicles = [self._vehicle(problem) for problem in alone_at_best(self.joint)]
        if self.joint.sunniest is not None:
            kwh = self.joint.surplus_kw * self.joint.vehicles[0].tick_hours
            for tick in range(self.joint.ticks):
                columns = (each for each in self.vehicles if tick < each.problem.ticks)
                terms = [(each.roof + tick, 1.0) for each in columns if each.roof is not None]
                self._at_most(terms, float(kwh[tick]))
        for limit in self.joint.limits:
            left = limit_left(limit.left)
            for tick in range(self.joint.ticks):
                terms = [
                    (number, weight * amps)
                    for weight, each in zip(limit.weights, self.vehicles, strict=True)
                    if weight and tick < each.problem.ticks
                    for number, amps in _current(each, tick)
                ]
                self._at_most(terms, float(left[tick]))

    def _vehicle(self, problem: PlanningProblem) -> _Columns:
        ticks, first = problem.ticks, len(self.lower)
        roof = None if problem.surplus_kw is None else first + 5 * ticks
        on, start, metered, cut, done = (first + k * ticks for k in range(5))
        columns = _Columns(problem, on, start, metered, cut, done, roof)
        most = columns.most_kwh
        (deadline,) = problem.deadlines
        self.lower += [0.0] * (5 * ticks)
        self.upper += [*(most > 0).astype(float), *[1.0] * ticks, *most, *most, *[1.0] * ticks]
        prices = problem.rates_per_kwh - deadline.max_rate_per_kwh
        self.cost += [0.0] * ticks + [problem.start_cost] * ticks
        self.cost += [*prices.tolist(), *[0.0] * (2 * ticks)]
        self._from_roof(columns, most)
        need, want = columns.missing_kwh
        self.offset += deadline.max_rate_per_kwh * need
        everything = range(columns.metered, columns.metered + ticks)
        self._at_most([(number, -1.0) for number in everything], -need + ROUNDING)
        self._at_most([(number, 1.0) for number in everything], want + ROUNDING)
        self._energy(columns, most)
        self._switching(columns)
        return columns

    def _from_roof(self, columns: _Columns, most: Array) -> None:
        """Add the energy from the surplus."""
        problem, roof = columns.problem, columns.roof
        if roof is None or problem.surplus_kw is None or problem.export_rates_per_kwh is None:
            return
        kwh = np.minimum(most, problem.surplus_kw * problem.tick_hours)
        self.lower += [0.0] * problem.ticks
        self.upper += kwh.tolist()
        self.cost += (problem.export_rates_per_kwh - problem.rates_per_kwh).tolist()
        # At one current, a part of a tick has that part of its surplus.
        part = kwh / np.maximum(most, ROUNDING) if problem.min_amps is None else np.ones(len(kwh))
        export_pays = problem.export_rates_per_kwh > problem.rates_per_kwh
        for tick in range(problem.ticks):
            metered = (columns.metered + tick, -float(part[tick]))
            self._at_most([(roof + tick, 1.0), metered], 0.0)
            if export_pays[tick] and kwh[tick] > 0:  # at least its part of the most it can draw
                least = (columns.metered + tick, float(kwh[tick] / most[tick]))
                self._at_most([least, (roof + tick, -1.0)], 0.0)

    def _energy(self, columns: _Columns, most: Array) -> None:
        """Charge in ticks that are on, in the last of them for a part of it."""
        problem = columns.problem
        least = most
        if problem.min_amps is not None:
            least = np.minimum(most, problem.min_amps * columns.kwh_per_amp)
        for tick in range(problem.ticks):
            on, metered, cut = columns.on + tick, columns.metered + tick, columns.cut + tick
            self._at_most([(metered, 1.0), (on, -float(most[tick]))], 0.0)
            self._at_most([(on, float(least[tick])), (metered, -1.0), (cut, -1.0)], 0.0)
            done, kwh = columns.done + tick, float(least[tick])
            self._at_most([(on, 1.0), (done, 1.0)], 1.0)
            if tick == problem.ticks - 1:
                self._at_most([(cut, 1.0), (done, kwh)], kwh)
            else:
                self._at_most([(cut, 1.0), (done, kwh), (done + 1, -kwh)], 0.0)
                self._at_most([(done, 1.0), (done + 1, -1.0)], 0.0)

    def _switching(self, columns: _Columns) -> None:
        """Count starts, and keep the shortest run and rest."""
        problem, on, start = columns.problem, columns.on, columns.start
        run, rest = problem.min_run, problem.min_rest
        need_kwh, _ = columns.missing_kwh
        runs_last = need_kwh >= run * float(columns.most_kwh.max(initial=0.0))
        if runs_last:
            self._price_late_starts(columns)
        was_on = float(problem.before.on)
        for i in range(min(_owed(problem), problem.ticks) if runs_last else 0):
            if not self.upper[on + i]:
                break  # it ends there
            self.lower[on + i] = 1.0
        if problem.before.on:
            self.upper[start : start + min(rest, problem.ticks)] = [0.0] * min(rest, problem.ticks)
        for i in range(problem.ticks):
            before = [(on + i - 1, -1.0)] if i else []
            self._at_most([(on + i, 1.0), *before, (start + i, -1.0)], 0.0 if i else was_on)
            if runs_last and run > 1:
                begun = range(max(0, i - run + 1), i + 1)
                self._at_most([*((start + k, 1.0) for k in begun), (on + i, -1.0)], 0.0)
            if rest and i >= rest:
                begun = range(i - rest + 1, i + 1)
                self._at_most([*((start + k, 1.0) for k in begun), (on + i - rest, 1.0)], 1.0)

    def _price_late_starts(self, columns: _Columns) -> None:
        """Price the starts after which a run is too short for the time that is left."""
        problem = columns.problem
        for i in range(max(0, problem.ticks - problem.min_run + 1), problem.ticks):
            self.cost[columns.start + i] += problem.short_run_cost

    def _at_most(self, terms: Iterable[tuple[int, float]], bound: float) -> None:
        for number, coefficient in terms:
            self.indices.append(number)
            self.values.append(coefficient)
        self.row_start.append(len(self.indices))
        self.row_upper.append(bound)

    def currents(self, values: Array) -> Array:
        """Return the currents of a solution, shape (vehicles, ticks)."""
        found = np.zeros((len(self.vehicles), self.joint.ticks))
        for row, each in zip(found, self.vehicles, strict=True):
            problem = each.problem
            on = values[each.on : each.on + problem.ticks] > 0.5  # noqa: PLR2004 - 0 or 1
            amps = problem.highest_amps
            if problem.min_amps is not None:
                metered, cut = (values[k : k + problem.ticks] for k in (each.metered, each.cut))
                amps = (metered + cut) / each.kwh_per_amp
            row[: problem.ticks] = np.where(on, amps, 0.0)
        return found

    def _values_of(self, plans: Plans) -> Array:
        """Write plans as a solution."""
        values = np.zeros(len(self.lower))
        for each, plan in zip(self.vehicles, plans.plans, strict=True):
            problem, on = each.problem, plan.on.astype(float)
            before = np.concatenate(([float(problem.before.on)], on[:-1]))
            least = np.minimum(problem.highest_amps, problem.min_amps or np.inf) * each.kwh_per_amp
            roof = [] if each.roof is None else [(each.roof, plan.roof_kwh)]
            rows = (
                *roof,
                (each.on, on),
                (each.start, np.maximum(0.0, on - before)),
                (each.metered, plan.metered_kwh),
                (each.cut, np.maximum(0.0, least * on - plan.metered_kwh)),
                (each.done, np.cumsum(on[::-1])[::-1] == 0),
            )
            for first, row in rows:
                values[first : first + problem.ticks] = row
        return values

    def solver(self, best: Plans, seconds: float) -> highspy.Highs:
        """Hand the programme to HiGHS, with plans to start from."""
        import highspy  # noqa: PLC0415 - an extra, and slow to load

        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = len(self.lower), len(self.row_upper)
        lp.col_lower_, lp.col_upper_ = np.array(self.lower), np.array(self.upper)
        lp.col_cost_, lp.offset_ = np.array(self.cost), self.offset
        lp.row_lower_ = np.full(lp.num_row_, -highspy.kHighsInf)
        lp.row_upper_ = np.array(self.row_upper)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kRowwise
        lp.a_matrix_.start_ = np.array(self.row_start)
        lp.a_matrix_.index_ = np.array(self.indices)
        lp.a_matrix_.value_ = np.array(self.values)
        kinds = [highspy.HighsVarType.kContinuous] * lp.num_col_
        for each in self.vehicles:
            ticks = each.problem.ticks
            kinds[each.on : each.on + ticks] = [highspy.HighsVarType.kInteger] * ticks
        lp.integrality_ = kinds
        solver = highspy.Highs()  # type: ignore[no-untyped-call]
        options = {
            "output_flag": False,
            "threads": 1,
            "time_limit": seconds,
            "mip_rel_gap": GAP / 2,
            "presolve_rule_off": FAULTY_PRESOLVE_RULE,
        }
        for name, value in options.items():
            solver.setOptionValue(name, value)
        solver.passModel(lp)
        hint = highspy.HighsSolution()
        hint.col_value = self._values_of(best).tolist()
        solver.setSolution(hint)
        return solver


def _current(columns: _Columns, tick: int) -> list[tuple[int, float]]:
    """Return the current of a tick as columns with factors [A]."""
    problem, per_kwh = columns.problem, 1 / columns.kwh_per_amp
    if problem.min_amps is None:
        return [(columns.on + tick, float(problem.highest_amps[tick]))]
    return [(columns.metered + tick, per_kwh), (columns.cut + tick, per_kwh)]
