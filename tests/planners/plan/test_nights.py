"""Whole nights of random households against HiGHS, with the rates evaluated a second time.

The planner reads the household's file; the reference is given rates that `evaluator` finds tick by
tick with plain `datetime` and `zoneinfo`. Half-hour ticks (or quarters, see `problem_of`), so that
a mixed-integer programme solves a night in some hundredths of a second.
"""

from __future__ import annotations

import os
import random
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from functools import cache, partial
from math import ceil
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from planners.plan.horizon import Situation, departures_known
from planners.plan.planning import make_plan
from planners.power.charging import ChargeModel
from planners.rates.prices import prices_of
from planners.solver.exact import solve
from planners.solver.problem import Deadline, PlanningProblem, SwitchingState
from tests.planners.evaluator import DAYS, EvaluatedRate, evaluate
from tests.planners.planned import DemoHousehold, utc
from tests.planners.solver.reference_several import cheapest

if TYPE_CHECKING:
    from planners.plan.plan import Plan
    from planners.plan.planning import Draft
    from planners.solver.solution import Solution

QUARTER = timedelta(minutes=15)

CLOCK_CHANGES = {
    "Europe/London": ["2026-03-28", "2026-10-24"],
    "Europe/Berlin": ["2027-03-27", "2027-10-30"],
    "America/New_York": ["2026-03-07", "2026-10-31"],
    "Australia/Lord_Howe": ["2026-04-04", "2026-10-03"],
    "Pacific/Auckland": ["2026-04-04", "2026-09-26"],
    "Pacific/Chatham": ["2026-04-04", "2026-09-26"],
    "Antarctica/Troll": ["2026-03-28", "2026-10-24"],
    "Asia/Kathmandu": ["2026-03-28", "2026-10-24"],
}
"""Evenings before the clocks change (IANA 2026f); Kathmandu's never do."""

NIGHTS_PER_ZONE = int(os.environ.get("LULLWATT_PROBLEMS", "200")) // 40
"""`make prove` asks for many more."""


@dataclass(frozen=True)
class Night:
    """A household, its state in the evening, and the facts that the reference may use."""

    given: DemoHousehold
    tariff: dict[str, Any]
    zone: ZoneInfo
    now: datetime
    ready_by: datetime
    soc: float
    on: bool
    minutes_before: int

    @property
    def since(self) -> datetime:
        return self.now - timedelta(minutes=self.minutes_before)

    def draft(self) -> Draft:
        """Make the planner's plan, with what the solver found in whole ticks."""
        at, since = (t.astimezone(UTC).replace(tzinfo=None) for t in (self.now, self.since))
        return self.given.draft(self.soc, at.isoformat(), on=self.on, since=since.isoformat())

    def without_margin(self) -> Night:
        """Return the night with the time until the departure itself."""
        margin = timedelta(minutes=dict(self.given.leaves or {})["margin_minutes"])
        return replace(self, ready_by=self.ready_by + margin)

    def answers(self) -> list[EvaluatedRate]:
        """Evaluate each quarter of an hour up to the end, at its first and its last minute."""
        found = []
        start = self.now
        while start < self.ready_by:
            first, last = (
                evaluate(instant, self.zone, [self.tariff], {})
                for instant in (start, start + QUARTER - timedelta(minutes=1))
            )
            assert first == last
            found.append(first)
            start += QUARTER
        return found


def random_tariff(rng: random.Random) -> dict[str, Any]:
    """Bands that do not overlap, some by days, and one for the rest; perhaps a meter's clock."""
    edges = sorted(rng.sample(range(48), rng.randint(4, 14)))
    times = [f"{edge // 2:02d}:{edge % 2 * 30:02d}" for edge in edges]
    rows: list[dict[str, Any]] = [{"name": "rest", "rate": random_rate(rng)}]
    for i, (start, end) in enumerate(zip(times, times[1:] + times[:1], strict=True)):
        row: dict[str, Any] = {
            "name": f"band {i}",
            "rate": random_rate(rng),
            "hours": [f"{start}-{end}"],
        }
        if rng.random() < 0.4:
            row["days"] = sorted(rng.sample(DAYS, 5), key=DAYS.index)
        if rng.random() < 0.7:
            rows.append(row)
    return {
        "name": "Bands",
        "bands": rows,
        "tax_percent": Decimal(rng.choice(["0", "5", "15"])),
        "clock": rng.choice(["wall", "wall", "standard"]),
    }


def random_rate(rng: random.Random) -> Decimal:
    return Decimal(rng.randint(-40, 600)) / 1000


def random_night(zone_name: str, number: int) -> Night:
    """Draw a household and a night: every other one is a night of a clock change."""
    rng = random.Random(f"{zone_name} {number}")
    zone = ZoneInfo(zone_name)
    evening = (
        date.fromisoformat(CLOCK_CHANGES[zone_name][number // 2 % 2])
        if number % 2
        else date(2026, 1, 1) + timedelta(days=rng.randrange(365))
    )
    now = datetime(
        evening.year, evening.month, evening.day, rng.randint(17, 22), rng.choice([0, 30]),
        tzinfo=zone,
    ).astimezone(UTC)  # fmt: skip
    morning = evening + timedelta(days=1)
    hour, minute, margin = rng.randint(5, 9), rng.choice([0, 15, 30]), rng.choice([0, 15, 30])
    leaves = datetime(morning.year, morning.month, morning.day, hour, minute, tzinfo=zone)
    need = rng.uniform(20, 100)
    want = rng.choice([need, rng.uniform(need, 100)])
    max_rate = rng.choice([None, Decimal("0.05"), Decimal("0.2"), Decimal("0.4")])
    tariff = random_tariff(rng)
    switching = rng.choice(["on_off", "current"])
    given = DemoHousehold(
        home={"timezone": zone_name, "tick_minutes": 30},
        tariffs=[tariff],
        point={
            "max_amps": rng.choice([10.0, 16.0, 32.0]),
            "phases": rng.choice([1, 3]),
            "min_run_minutes": rng.choice([0, 30, 45, 90]),
            "min_rest_minutes": rng.choice([0, 30, 70]),
            "start_cost": Decimal(rng.choice(["0", "0", "0.02", "0.30"])),
            "switching": switching,
        },
        car={
            "phases": rng.choice([1, 3]),
            "charging_efficiency_percent": rng.choice([85.0, 90.0, 100.0]),
            # With a current that can be set, standby is planned nearly, not exactly.
            "standby_watts": rng.choice([0.0, 0.0, 250.0]) if switching == "on_off" else 0.0,
            "prefer": rng.choice(["early", "late"]),
        },
        leaves={
            "at": f"{hour:02d}:{minute:02d}",
            "margin_minutes": margin,
            "need_percent": need,
            "want_percent": want,
            "max_rate": max_rate,
        },
    )  # fmt: skip
    return Night(
        given,
        tariff,
        zone,
        now,
        leaves.astimezone(UTC) - timedelta(minutes=margin),
        rng.uniform(0, 70),
        rng.random() < 0.3,
        30 * rng.randint(0, 4),
    )


def problem_of(night: Night) -> PlanningProblem:
    """Put a night in the reference's terms, from the file's figures: whole ticks, kWh, amperes."""
    point, car = dict(night.given.point or {}), dict(night.given.car or {})
    leaves = dict(night.given.leaves or {})
    unlimited = leaves["max_rate"] is None
    want = 52 * leaves["want_percent"] / 100
    answers = night.answers()
    # Chatham's clocks change at a quarter to the hour, so that a rate may change inside a tick.
    off_tick = any(a != b for a, b in zip(answers[::2], answers[1::2], strict=False))
    # A tick ends where charging must be done.
    minutes = 15 if off_tick or night.ready_by.astimezone(night.zone).minute % 30 else 30
    ticks = (night.ready_by - night.now) // timedelta(minutes=minutes)
    rates = [float(answer.rate) for answer in answers[:: minutes // 15][:ticks]]
    deadline = Deadline(
        end=len(rates),
        need_kwh=want if unlimited else 52 * leaves["need_percent"] / 100,
        want_kwh=want,
        max_rate_per_kwh=0.0 if unlimited else float(leaves["max_rate"]),
    )
    return PlanningProblem(
        rates_per_kwh=np.array(rates),
        highest_amps=np.full(len(rates), point["max_amps"]),
        tick_hours=minutes / 60,
        model=ChargeModel(
            amps=point["max_amps"],
            phases=min(point["phases"], car["phases"]),
            volts=230,
            usable_kwh=52,
            efficiency=car["charging_efficiency_percent"] / 100,
            standby_kw=car["standby_watts"] / 1000,
        ),
        stored_kwh=52 * night.soc / 100,
        deadlines=(deadline,),
        min_amps=6.0 if point["switching"] == "current" else None,
        start_cost=float(point["start_cost"]),
        min_run=max(1, -(-point["min_run_minutes"] // minutes)),
        min_rest=-(-point["min_rest_minutes"] // minutes),
        before=SwitchingState(night.on, _ticks_before(night, minutes)),
    )


def _ticks_before(night: Night, minutes: int) -> int:
    """Count the ticks that the state in the evening has lasted: at least enough, if it may end."""
    point = dict(night.given.point or {})
    shortest = point["min_run_minutes" if night.on else "min_rest_minutes"]
    ticks = night.minutes_before // minutes
    return max(ticks, 1, -(-shortest // minutes)) if night.minutes_before >= shortest else ticks


def is_out_of_reach(night: Night, short_kwh: float) -> bool:
    """Whether the need itself is missed; a want at any price may be missed with the margin kept."""
    leaves = dict(night.given.leaves or {})
    unlimited = leaves["max_rate"] is None
    wanted = 52 * (leaves["want_percent"] - leaves["need_percent"]) / 100 if unlimited else 0.0
    return short_kwh > wanted + 2e-6


def optimum_of(
    plan: Plan | Solution, problem: PlanningProblem, reached: float
) -> tuple[float, float]:
    """Judge the planner's plan as the reference judges its own: kWh short, and money."""
    deadline, model = problem.deadlines[0], problem.model
    kw = model.amps * model.phases * 230 / 1000
    ratio = kw / (model.efficiency * kw - model.standby_kw)
    past = ratio * max(0.0, reached - max(deadline.need_kwh, problem.stored_kwh))
    money = plan.cost + problem.start_cost * plan.starts - deadline.max_rate_per_kwh * past
    return max(0.0, deadline.need_kwh - reached), money


def part_that_lasts(night: Night, problem: PlanningProblem) -> float:
    """Return how much of its last tick the shortest run must last, as it is told in minutes."""
    shortest = dict(night.given.point or {})["min_run_minutes"]
    if not shortest or (problem.min_amps is not None and problem.min_run > 1):
        return 0.0  # then no tick that is cut counts
    in_ticks: float = shortest / 60 / problem.tick_hours
    return in_ticks - (problem.min_run - 1)


def least_cost(kwh: float, problem: PlanningProblem) -> float:
    """Price an energy in the cheapest hours, whatever starts and rests that takes."""
    cost, tick_kwh = 0.0, problem.model.full_kw * problem.tick_hours
    for rate in sorted(problem.rates_per_kwh.tolist()):
        bought = min(kwh, tick_kwh)
        cost, kwh = cost + rate * bought, kwh - bought
    return cost


def stopped_now(night: Night, problem: PlanningProblem) -> SwitchingState:
    """Stop a run in progress: its rest begins once its shortest time is over."""
    left = max(0, dict(night.given.point or {})["min_run_minutes"] - night.minutes_before)
    return SwitchingState(on=False, ticks=-ceil(left / (60 * problem.tick_hours)))


def least_money(
    problem: PlanningProblem, before: SwitchingState, least_part: float, min_run: int
) -> float:
    """Ask HiGHS with another state before the first tick, or another rule for runs."""
    return cheapest(replace(problem, before=before, least_part=least_part, min_run=min_run)).money


@pytest.mark.parametrize("zone", CLOCK_CHANGES)
@pytest.mark.parametrize("block", range(3))
def test_a_night_costs_what_highs_finds(zone: str, block: int) -> None:
    """On a hundred nights in eight zones, half with a clock change, no plan is cheaper."""
    for number in range(block * NIGHTS_PER_ZONE // 3, (block + 1) * NIGHTS_PER_ZONE // 3):
        night = random_night(zone, number)
        problem = problem_of(night)
        theirs = cheapest(problem)
        if is_out_of_reach(night, theirs.short_kwh[0]):
            night = night.without_margin()
            problem = problem_of(night)
            theirs = cheapest(problem)
        plan, horizon, solution, *_ = night.draft()
        lasts, shortest = part_that_lasts(night, problem), problem.min_run
        # A run that is too short to stop is yet stopped, if nothing is needed any more, and all of
        # it is worth too little, or at its present rate.
        is_stopped = horizon.problem.before.on < night.on
        may_stop = night.on and problem.stored_kwh >= problem.deadlines[0].need_kwh
        is_dear = problem.rates_per_kwh[0] > problem.deadlines[0].max_rate_per_kwh + 1e-9
        assert not is_stopped or (may_stop and (is_dear or not sum(theirs.metered_kwh)))
        stopped = stopped_now(night, problem)
        before = stopped if is_stopped else problem.before
        theirs_with = cache(partial(least_money, problem))
        short, money = optimum_of(solution, problem, solution.reaches_kwh[0])
        # Commands carry tenths of an ampere: 0.1 A in one tick may be bought elsewhere.
        tenth = 0.0 if problem.min_amps is None else 0.1 * 0.23 * problem.model.phases * 0.5
        near = 2e-6 + problem.dearest * tenth
        assert short == pytest.approx(theirs.short_kwh[0], abs=2e-6), night
        # Where a run would be too short in minutes, it lasts longer, or all runs do.
        ways = ((0.0, shortest), (lasts, shortest), (0.0, shortest + 1))
        assert any(money == pytest.approx(theirs_with(before, *way), abs=near) for way in ways), (
            night
        )
        # In the dearest run the plan cuts what is too much in whole ticks: it never costs more than
        # one whose last run is cut, and lasts in minutes.
        short, money = optimum_of(plan, problem, 52 * plan.reaches_percent / 100)
        assert short == pytest.approx(theirs.short_kwh[0], abs=2e-6), night
        assert money <= theirs_with(problem.before, lasts, shortest) + near, night
        if is_stopped or (
            may_stop and is_dear
        ):  # but no run is stopped for what whole seconds may cost
            seconds = problem.dearest * problem.model.full_kw * 2 / 3600
            assert money <= theirs_with(stopped, lasts, shortest) + near + seconds, night
        assert plan.cost >= least_cost(plan.energy_kwh, problem) - 2e-6, night


@pytest.mark.parametrize("zone", CLOCK_CHANGES)
def test_every_half_hour_has_the_rate_of_the_second_evaluation(zone: str) -> None:
    """What a period costs is its energy at the rate that plain `datetime` finds at its start."""
    for number in range(NIGHTS_PER_ZONE):
        night = random_night(zone, number)
        for period in night.draft().plan.periods:
            rate = evaluate(period.start, night.zone, [night.tariff], {})
            assert rate.band == period.band
            assert period.cost == pytest.approx(float(rate.rate) * period.kwh)


def test_a_full_battery_after_a_run_that_is_too_short_empties_no_plan() -> None:
    """A relay must run 20 minutes, and its last run would fill the battery sooner.

    The tables round energies down, so they had planned that run. As it could not be carried out,
    every need was lowered until nothing was charged in five nights.
    """
    point = {"max_amps": 16, "switching": "on_off", "min_run_minutes": 20, "min_rest_minutes": 10}
    car = {
        "usable_kwh": 70, "charging_efficiency_percent": 91, "everyday_limit_percent": 100,
        "daily_distance_km": 45, "kwh_per_100km": 22,
    }  # fmt: skip
    bands = [
        {"name": "free", "rate": 0.0, "hours": ["11:00-14:00"]},
        {"name": "cheap", "rate": 0.18, "hours": ["00:00-06:00"]},
        {"name": "dear", "rate": 0.56, "hours": ["15:00-21:00"]},
        {"name": "rest", "rate": 0.31},
    ]
    leaves = {
        "days": ["mon", "tue", "wed", "thu", "fri"], "at": "06:45",
        "need_percent": 45.0, "max_rate": 0.19, "returns": "16:40",
    }  # fmt: skip
    given = DemoHousehold(
        tariffs=[{"name": "Four bands", "bands": bands}], point=point, car=car, leaves=leaves
    )
    file = given.file()
    prices, now = prices_of(file, {}), utc("2026-11-23T02:30")
    first, *later = departures_known(file, prices, "hatchback", now, 5)
    plan = make_plan(file, prices, Situation(now, 60.0, first, later=tuple(later)))
    assert len(plan.later) == 4
    assert plan.energy_kwh == pytest.approx(22.08, abs=0.01)  # six hours of 3.68 kW at 0.18
    assert plan.shortfall is None
    assert all(night.reaches_percent >= 45 for night in plan.later)


def test_a_last_run_of_minutes_takes_no_cheap_hours_away() -> None:
    """It must last its shortest time; so a plan of longer runs is cheaper than one that ends so."""
    night = random_night("Australia/Lord_Howe", 40)
    problem, plan = problem_of(night), night.draft().plan
    assert problem.min_run * problem.tick_hours == 0.5, "so long must a run be"
    solution = solve(problem)
    short, in_ticks = optimum_of(solution, problem, solution.reaches_kwh[0])
    missing, in_minutes = optimum_of(plan, problem, 52 * plan.reaches_percent / 100)
    assert missing == pytest.approx(short, abs=2e-6)
    assert in_ticks < in_minutes < 1.02 * in_ticks
