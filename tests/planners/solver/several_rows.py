"""Write the rules of the mixed-integer model, one function each.

Minimum run and rest are the turn-on inequalities over windows of starts, which describe those two
rules as tightly as linear rows can. `spent[j]` is the unused share of the ticks before the j-th:
it rises only where a run ends cut short, and nothing may be on once it has risen, so that only the
last tick in time of a segment is cut, without a further 0-or-1 column.
"""

from __future__ import annotations

import math
from itertools import pairwise

from planners.solver.problem import PlanningProblem
from tests.planners.solver.linear_model import LinearModel
from tests.planners.solver.several_columns import Power, Segment, Terms, times
from tests.planners.solver.statement import worth_edges, worth_rate

NEAR_KWH = 1e-9
LEAST_SHARE = 1e-5


def cut_short(model: LinearModel, segment: Segment) -> None:
    """Only the last tick that is on may be cut short."""
    ticks = len(segment.on)
    for j in range(ticks):
        on, spent, spent_after = segment.on[j], segment.spent[j], segment.spent[j + 1]
        cut: Terms = [(spent_after, 1), (spent, -1)]
        stop: Terms = [(on, 1)]
        if j + 1 < ticks:
            stop += [(segment.on[j + 1], -1), (segment.start[j + 1], 1)]
        model.at_least(cut, 0)
        model.at_most([*cut, *times(-1, stop)], 0)
        model.at_most([(on, 1), (spent, 1)], 1)


def runs_and_rests(
    model: LinearModel, problem: PlanningProblem, segment: Segment, whole: int | None
) -> None:
    """Tell starts, hold the shortest run (except the `whole` charging) and the shortest rest."""
    on, start = segment.on, segment.start
    rest = max(1, problem.min_rest)
    for j in range(len(on)):
        # A run in progress does not start again.
        before: Terms = [(on[j - 1], -1)] if j else []
        model.at_most([(on[j], 1), *before, (start[j], -1)], float(j == 0 and segment.running))
        window = [(number, 1.0) for number in start[max(0, j - problem.min_run + 1) : j + 1]]
        enough: Terms = [(on[j], -1), *_cut_that_counts_not(problem, segment, j)]
        if problem.least_part > 0:
            _cut_little(model, problem, segment, j, whole)
        if whole is None:
            model.at_most([*window, *enough], 0)
        else:
            model.at_most([*window, *enough, (whole, -1)], 0)
            model.at_most([(start[j], 1), (on[j], -1)], 0)
        window = [(number, 1.0) for number in start[j + 1 : j + 1 + rest]]
        if window:
            model.at_most([*window, (on[j], 1)], 1)
    # A run that starts too near the departure to last long enough has its cost.
    late = [(number, 1.0) for number in start[max(0, len(start) - problem.min_run + 1) :]]
    if late and problem.min_run > 1:
        short = model.column()
        excuse = [] if whole is None else [(whole, -1.0)]
        model.at_most([*late, (short, -1), *excuse], 0)
        model.charge([(short, problem.short_run_cost)])


def _cut_little(
    model: LinearModel, problem: PlanningProblem, segment: Segment, j: int, whole: int | None
) -> None:
    """Let a run of the shortest time end in a part of its last tick that counts, others later."""
    cut: Terms = [(segment.spent[j + 1], 1.0), (segment.spent[j], -1.0)]
    excuse = [] if whole is None else [(whole, -1.0)]
    for start in segment.start[max(0, j - problem.min_run + 1) : j + 1]:
        model.at_most([(start, 1.0), *cut, *excuse], 2.0 - problem.least_part)


def run_in_progress(
    model: LinearModel, problem: PlanningProblem, power: Power, segment: Segment, whole: int | None
) -> None:
    """Let a run that is too short go on, while it can.

    It may be shorter where it is the whole charging, or where nothing is needed and nothing more
    is charged (it then ends at once, with all that was needed).
    """
    left = min(problem.min_run - problem.before.ticks, len(segment.on))
    if left <= 0 or power.metered[0] <= 0:
        return
    ends_at_once = model.binary(allowed=problem.stored_kwh >= segment.deadline.need_kwh - NEAR_KWH)
    every = [(number, 1.0) for number in segment.on]
    model.at_most([*every, (ends_at_once, len(every))], len(every))
    model.at_least([(segment.on[0], 1), (ends_at_once, 1)], 1)
    for j in range(1, left):
        if power.metered[j] <= 0:
            break
        excuse = [] if whole is None else [(whole, 1.0)]
        cut = times(-1, _cut_that_counts_not(problem, segment, j))
        model.at_least([(segment.on[j], 1), *cut, (ends_at_once, 1), *excuse], 1)


def _cut_that_counts_not(problem: PlanningProblem, segment: Segment, j: int) -> Terms:
    """Return the share cut off the j-th tick, if it then doesn't count towards a shortest run."""
    counts = problem.min_amps is None or problem.min_run == 1
    return [] if counts else [(segment.spent[j + 1], 1), (segment.spent[j], -1)]


def targets(model: LinearModel, segment: Segment) -> Terms:
    """Add the columns that say whether the battery ends at exactly each target."""
    found = []
    for target in segment.targets:
        over = segment.most_at_end - target
        exactly = model.binary()
        model.at_most([(segment.at_end, 1), (exactly, over)], target + over)
        model.at_least([(segment.at_end, 1), (exactly, -target)], 0)
        found.append((exactly, 1.0))
    return found


def whole_charging(
    model: LinearModel, problem: PlanningProblem, power: Power, segment: Segment, exactly: Terms
) -> int:
    """Add the column that says whether one short run is all that the segment charges."""
    run = _ticks_of_no_run(problem)
    whole = model.binary()
    model.at_most([(whole, 1), *times(-1, exactly)], 0)
    most = (len(segment.on) + 1) // 2
    runs = [(number, 1.0) for number in segment.start]
    if segment.running and segment.on:
        runs.append((segment.on[0], 1.0))
    model.at_most([*runs, (whole, most)], most + 1)
    gain = run * max((power.gained[tick] for tick in segment.ticks), default=0.0)
    most_gain = max(gain, segment.most_at_end)
    model.at_most(
        [(segment.at_end, 1), (segment.at_start, -1), (whole, most_gain - gain)], most_gain
    )
    return whole


def _ticks_of_no_run(problem: PlanningProblem) -> int:
    """Count the most ticks that are no shortest run; a set current's last one, cut, is none."""
    return problem.min_run - (problem.min_amps is None and problem.least_part <= 0)


def may_be_whole(problem: PlanningProblem, power: Power, segment: Segment) -> bool:
    """Whether fewer ticks than the shortest run could reach a target."""
    deadline = segment.deadline
    gain = max((power.gained[tick] for tick in segment.ticks), default=0.0)
    reach = segment.most_at_start + _ticks_of_no_run(problem) * gain + NEAR_KWH
    below = segment.least_at_start <= deadline.want_kwh + NEAR_KWH
    may_be_short = problem.min_run > 1 or problem.least_part > 0
    return may_be_short and below and segment.targets[0] <= reach


def least_ticks(model: LinearModel, power: Power, segment: Segment) -> tuple[int, int]:
    """Add a row that counts the ticks, and return it with the least count that meets the need.

    Returns
    -------
    tuple of int
        The row, which bounds nothing yet (the need may be beyond reach), and its bound. The bound
        follows from the other rows; as a whole number it makes the relaxation tighter.
    """
    gain = max((power.gained[tick] for tick in segment.ticks), default=0.0)
    missing = segment.deadline.need_kwh - segment.most_at_start - NEAR_KWH
    ticks = math.ceil(missing / gain) if missing > 0 and gain > 0 else 0
    return model.at_least([(number, 1.0) for number in segment.on], 0.0), ticks


def battery(model: LinearModel, segment: Segment) -> None:
    """Keep the energy at or below the want (or what came home); it may be short of the need."""
    want, most = segment.deadline.want_kwh, segment.most_at_start
    gained = [term for terms in segment.gained for term in terms]
    model.equal([(segment.at_end, 1), (segment.at_start, -1), *times(-1, gained)], 0)
    model.at_least([(segment.at_end, 1), (segment.short, 1)], segment.deadline.need_kwh)
    if segment.least_at_start < want < most:
        over = model.binary()
        model.at_most([(segment.at_end, 1), (over, want - most)], want)
        model.at_most([(segment.at_end, 1), (segment.at_start, -1), (over, want)], want)
    elif want <= segment.least_at_start:
        model.at_most([(segment.at_end, 1), (segment.at_start, -1)], 0)


def trip(model: LinearModel, before: Segment, after: Segment) -> int | None:
    """Add the battery after a trip, and return the column that says whether it is empty."""
    used = before.deadline.trip_kwh
    left: Terms = [(after.at_start, 1), (before.at_end, -1)]
    if before.least_at_start >= used:
        model.equal(left, -used)
        return None
    emptied, missing = model.binary(), model.column(used)
    model.equal([*left, (missing, -1)], -used)
    model.at_most([(missing, 1), (emptied, -used)], 0)
    model.at_most([(after.at_start, 1), (emptied, after.most_at_start)], after.most_at_start)
    return emptied


def money(
    model: LinearModel, problem: PlanningProblem, power: Power, segment: Segment, place: int
) -> None:
    """Add the cost of energy and starts, minus the worth of the energy that no departure needs.

    Before the last departure that is what the segment gained, and no more than lies above the
    need. The columns only bound it from above: it is worth something, so it rises to the lower of
    the two.
    """
    for tick, terms in zip(segment.ticks, segment.metered, strict=True):
        model.charge(times(float(problem.rates_per_kwh[tick]), terms))
    if problem.export_rates_per_kwh is not None:
        for tick, terms in zip(segment.ticks, segment.roof, strict=True):
            less = float(problem.export_rates_per_kwh[tick] - problem.rates_per_kwh[tick])
            model.charge(times(less, terms))
    model.charge([(number, problem.start_cost) for number in segment.start])
    if place + 1 < len(problem.deadlines):
        pieces = _pieces(problem, segment, place)
        for column, factor in ((segment.at_end, -1.0), (segment.at_start, 1.0)):
            rates = _filled(model, pieces, column)
            model.charge(times(factor * power.metered_per_gained, rates))
        return
    worth = segment.deadline.max_rate_per_kwh * power.metered_per_gained
    past = model.column(segment.deadline.want_kwh)
    model.at_most([(past, 1), (segment.at_end, -1), (segment.at_start, 1)], 0)
    above: Terms = [(past, 1), (segment.at_end, -1), (segment.short, -1)]
    model.at_most(above, -segment.deadline.need_kwh)
    model.charge([(past, -worth)])


def _pieces(problem: PlanningProblem, segment: Segment, place: int) -> list[tuple[float, float]]:
    """List how long each piece of one worth is, from an empty battery up, and that worth."""
    most = max(segment.most_at_end, segment.most_at_start)
    inside = [edge for edge in worth_edges(problem, place) if 0 < edge < most]
    pieces: list[tuple[float, float]] = []
    for low, high in pairwise([0.0, *inside, most]):
        rate = worth_rate(problem, place, (low + high) / 2)
        if pieces and pieces[-1][1] == rate:
            pieces[-1] = pieces[-1][0] + high - low, rate
        elif high - low > NEAR_KWH:
            pieces.append((high - low, rate))
    return pieces


def _filled(model: LinearModel, pieces: list[tuple[float, float]], column: int) -> Terms:
    """Fill the pieces in order up to a battery energy, and return them with their worths."""
    if len(pieces) < 2:
        return [(column, rate) for _, rate in pieces]
    parts = [model.column(length) for length, _ in pieces]
    model.equal([(column, -1), *((part, 1.0) for part in parts)], 0)
    for (length, _), part, (next_length, _), following in zip(
        pieces, parts, pieces[1:], parts[1:], strict=False
    ):
        is_full = model.binary()
        model.at_least([(part, 1), (is_full, -length)], 0)
        model.at_most([(following, 1), (is_full, -next_length)], 0)
    return [(part, rate) for part, (_, rate) in zip(parts, pieces, strict=True)]
