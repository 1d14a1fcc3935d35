"""Build the parts of the mixed-integer model: power, and columns."""

from __future__ import annotations

from dataclasses import dataclass, field

from planners.solver.problem import Deadline, PlanningProblem
from tests.planners.solver.linear_model import LinearModel

Terms = list[tuple[int, float]]


@dataclass(frozen=True)
class Power:
    """What a whole tick meters and gains [kWh]; 0 where it may not charge.

    `metered` and `gained` are at the tick's highest current, `least_metered` is at the lowest
    (None where the current can't be set).
    """

    metered: list[float]
    gained: list[float]
    least_metered: float | None
    efficiency: float
    standby: float
    metered_per_gained: float


def power_of(problem: PlanningProblem) -> Power:
    """Work out the power of each tick, where it is constant."""
    vehicle, hours = problem.model, problem.tick_hours
    if vehicle.taper:
        raise ValueError("this reference knows constant power only")
    kwh_per_amp = vehicle.phases * vehicle.volts * hours / 1000
    standby = vehicle.standby_kw * hours
    least = problem.min_amps or 0.0
    if problem.min_amps is not None and vehicle.efficiency * kwh_per_amp * least < standby:
        raise ValueError("at the lowest current the battery would gain nothing")
    metered = [kwh_per_amp * float(a) if a >= least else 0.0 for a in problem.highest_amps]
    nominal = kwh_per_amp * vehicle.amps
    return Power(
        metered=metered,
        gained=[max(0.0, vehicle.efficiency * kwh - standby) for kwh in metered],
        least_metered=None if problem.min_amps is None else kwh_per_amp * least,
        efficiency=vehicle.efficiency,
        standby=standby,
        metered_per_gained=nominal / (vehicle.efficiency * nominal - standby),
    )


@dataclass(frozen=True)
class Segment:
    """The ticks up to one departure, and their columns.

    `at_start`, `at_end` and `short` are battery energies [kWh]. `on`, `start`, `metered` and
    `gained` have one entry a tick, as has `roof` where there is a surplus; `spent` has one more.
    """

    deadline: Deadline
    targets: tuple[float, ...]  # battery energies at which its last tick may be cut short [kWh]
    first: int
    rested_at: int  # no start before this tick
    running: bool  # whether a run is in progress before its first tick
    least_at_start: float
    most_at_start: float
    at_start: int
    at_end: int
    short: int
    on: list[int] = field(default_factory=list)
    start: list[int] = field(default_factory=list)
    spent: list[int] = field(default_factory=list)
    metered: list[Terms] = field(default_factory=list)
    roof: list[Terms] = field(default_factory=list)
    gained: list[Terms] = field(default_factory=list)

    @property
    def ticks(self) -> range:
        """Numbers of its ticks."""
        return range(self.first, self.deadline.end)

    @property
    def most_at_end(self) -> float:
        """More than this the battery never holds at the departure."""
        return max(self.deadline.want_kwh, self.most_at_start)


def targets_of(deadlines: tuple[Deadline, ...]) -> tuple[float, ...]:
    """List the first one's need and want, and the later ones with the trips between added."""
    first = deadlines[0]
    found = {first.need_kwh, first.want_kwh}
    for place, later in enumerate(deadlines[1:], start=1):
        used = sum(deadline.trip_kwh for deadline in deadlines[:place])
        found |= {later.need_kwh + used, later.want_kwh + used}
    return tuple(sorted(target for target in found if target <= first.want_kwh))


def first_segment(model: LinearModel, problem: PlanningProblem) -> Segment:
    """Begin with what went before the first tick."""
    before, rest = problem.before, problem.min_rest
    return Segment(
        deadline=problem.deadlines[0],
        targets=targets_of(problem.deadlines),
        first=0,
        rested_at=max(1, rest) if before.on else rest - before.ticks,
        running=before.on,
        least_at_start=problem.stored_kwh,
        most_at_start=problem.stored_kwh,
        at_start=model.column(problem.stored_kwh, problem.stored_kwh),
        at_end=model.column(max(problem.stored_kwh, problem.deadlines[0].want_kwh)),
        short=model.column(problem.deadlines[0].need_kwh),
    )


def next_segment(
    model: LinearModel, problem: PlanningProblem, last: Segment, place: int
) -> Segment:
    """Begin with the return from a trip; a departure is the begin of a rest."""
    trip, deadline = last.deadline.trip_kwh, problem.deadlines[place]
    least, most = max(0.0, last.least_at_start - trip), max(0.0, last.most_at_end - trip)
    return Segment(
        deadline=deadline,
        targets=targets_of(problem.deadlines[place:]),
        first=last.deadline.return_tick,
        rested_at=last.deadline.end + problem.min_rest,
        running=False,
        least_at_start=least,
        most_at_start=most,
        at_start=model.column(most, least),
        at_end=model.column(max(most, deadline.want_kwh)),
        short=model.column(deadline.need_kwh),
    )


def add_ticks(model: LinearModel, problem: PlanningProblem, power: Power, segment: Segment) -> None:
    """Add the columns of a segment's ticks, and what they meter and gain."""
    segment.spent.append(model.column(upper=0.0))
    for tick in segment.ticks:
        can = power.metered[tick] > 0
        on = model.binary(allowed=can)
        segment.on.append(on)
        segment.start.append(model.column(float(can and tick >= segment.rested_at)))
        segment.spent.append(model.column())
        used: Terms = [(on, 1.0), (segment.spent[-1], -1.0), (segment.spent[-2], 1.0)]
        if power.least_metered is None:
            segment.metered.append(times(power.metered[tick], used))
            segment.gained.append(times(power.gained[tick], used))
            if problem.surplus_kw is not None:
                surplus = float(problem.surplus_kw[tick]) * problem.tick_hours
                segment.roof.append(times(min(surplus, power.metered[tick]), used))
            continue
        metered = model.column(power.metered[tick])
        least = power.least_metered if can else 0.0
        model.at_most([(metered, 1.0), *times(-power.metered[tick], used)], 0)
        model.at_least([(metered, 1.0), *times(-least, used)], 0)
        segment.metered.append([(metered, 1.0)])
        segment.gained.append([(metered, power.efficiency), *times(-power.standby, used)])
        if problem.surplus_kw is not None:
            segment.roof.append(_from_roof(model, problem, power, tick, metered, used))


def _from_roof(  # noqa: PLR0917 - each is another kind of thing
    model: LinearModel, problem: PlanningProblem, power: Power, tick: int, metered: int, used: Terms
) -> Terms:
    """Add the column of a tick's energy from the surplus: all that it can be."""
    assert problem.surplus_kw is not None
    assert problem.export_rates_per_kwh is not None
    surplus, most = float(problem.surplus_kw[tick]) * problem.tick_hours, power.metered[tick]
    roof = model.column(min(surplus, most))
    model.at_most([(roof, 1.0), (metered, -1.0)], 0)
    model.at_most([(roof, 1.0), *times(-surplus, used)], 0)
    if problem.export_rates_per_kwh[tick] > problem.rates_per_kwh[tick]:
        # It would rather be less: then it has to be the one or the other.
        is_all = model.binary()
        model.at_least([(roof, 1.0), (metered, -1.0), (is_all, -most)], -most)
        model.at_least([(roof, 1.0), *times(-surplus, used), (is_all, surplus)], 0)
    return [(roof, 1.0)]


def times(factor: float, terms: Terms) -> Terms:
    """Multiply every coefficient."""
    return [(number, factor * coefficient) for number, coefficient in terms]
