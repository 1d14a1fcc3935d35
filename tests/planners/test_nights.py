"""Whole nights of random households against HiGHS, with the rates evaluated a second time.

The planner reads the household's file; the reference is given rates that `evaluator` finds tick by
tick with plain `datetime` and `zoneinfo`. Half-hour ticks (or quarters, see `case_of`), so that a
mixed-integer programme solves a night in some hundredths of a second.
"""

from __future__ import annotations

import random
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

import pytest

from tests.planners.evaluator import DAYS, Answer, evaluate
from tests.planners.planned import Given
from tests.planners.reference import Case, Optimum, cheapest_by_highs

if TYPE_CHECKING:
    from planners.plan import Plan

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

NIGHTS_PER_ZONE = 30


@dataclass(frozen=True)
class Night:
    """A household, its state in the evening, and what the reference may know of it."""

    given: Given
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

    def plan(self) -> Plan:
        """Plan of the house."""
        at, since = (t.astimezone(UTC).replace(tzinfo=None) for t in (self.now, self.since))
        return self.given.plan(self.soc, at.isoformat(), on=self.on, since=since.isoformat())

    def answers(self) -> list[Answer]:
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
    hour, minute, margin = rng.randint(5, 9), rng.choice([0, 20, 30]), rng.choice([0, 15, 30])
    leaves = datetime(morning.year, morning.month, morning.day, hour, minute, tzinfo=zone)
    need = rng.uniform(20, 100)
    want = rng.choice([need, rng.uniform(need, 100)])
    max_rate = rng.choice([None, Decimal("0.05"), Decimal("0.2"), Decimal("0.4")])
    tariff = random_tariff(rng)
    given = Given(
        home={"timezone": zone_name, "tick_minutes": 30},
        tariffs=[tariff],
        point={
            "max_amps": rng.choice([10.0, 16.0, 32.0]),
            "phases": rng.choice([1, 3]),
            "min_run_minutes": rng.choice([0, 30, 45, 90]),
            "min_rest_minutes": rng.choice([0, 30, 70]),
            "start_cost": Decimal(rng.choice(["0", "0", "0.02", "0.30"])),
        },
        car={
            "phases": rng.choice([1, 3]),
            "charging_efficiency_percent": rng.choice([85.0, 90.0, 100.0]),
            "standby_watts": rng.choice([0.0, 0.0, 250.0]),
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


def case_of(night: Night) -> Case:
    """Put a night in the reference's terms: energy at the meter, whole ticks."""
    point, car = dict(night.given.point or {}), dict(night.given.car or {})
    leaves = dict(night.given.leaves or {})
    kw: float = point["max_amps"] * min(point["phases"], car["phases"]) * 230 / 1000
    gained_kw: float = car["charging_efficiency_percent"] / 100 * kw - car["standby_watts"] / 1000
    unlimited = leaves["max_rate"] is None

    def metered_kwh(percent: float) -> float:
        return max(0.0, 52 * (percent - night.soc) / 100) / gained_kw * kw

    want = metered_kwh(leaves["want_percent"])
    answers = night.answers()
    # Chatham's clocks change at a quarter to the hour, so that a rate may change inside a tick.
    off_tick = any(a != b for a, b in zip(answers[::2], answers[1::2], strict=False))
    minutes = 15 if off_tick else 30
    ticks = (night.ready_by - night.now) // timedelta(minutes=minutes)
    return Case(
        rates=tuple(float(answer.rate) for answer in answers[:: minutes // 15][:ticks]),
        tick_kwh=kw * minutes / 60,
        need_kwh=want if unlimited else metered_kwh(leaves["need_percent"]),
        want_kwh=want,
        max_rate=0.0 if unlimited else float(leaves["max_rate"]),
        start_cost=float(point["start_cost"]),
        min_run=max(1, -(-point["min_run_minutes"] // minutes)),
        min_rest=-(-point["min_rest_minutes"] // minutes),
        on_before=night.on,
        ticks_before=night.minutes_before // minutes,
    )


def optimum_of(plan: Plan, case: Case) -> Optimum:
    """Judge the house's plan as the reference judges its own."""
    extra = max(0.0, plan.energy_kwh - case.need_kwh)
    money = plan.cost + case.start_cost * plan.starts - case.max_rate * extra
    return Optimum(max(0.0, case.need_kwh - plan.energy_kwh), money)


@pytest.mark.parametrize("zone", CLOCK_CHANGES)
@pytest.mark.parametrize("block", range(3))
def test_a_night_costs_what_highs_finds(zone: str, block: int) -> None:
    """On 240 nights in eight zones, half of them with a clock change, no plan is cheaper."""
    for number in range(block * NIGHTS_PER_ZONE // 3, (block + 1) * NIGHTS_PER_ZONE // 3):
        night = random_night(zone, number)
        case = case_of(night)
        ours, theirs = optimum_of(night.plan(), case), cheapest_by_highs(case)
        assert ours.short_kwh == pytest.approx(theirs.short_kwh, abs=1e-6), night
        assert ours.money == pytest.approx(theirs.money, abs=1e-6), night


@pytest.mark.parametrize("zone", CLOCK_CHANGES)
def test_every_half_hour_has_the_rate_of_the_second_evaluation(zone: str) -> None:
    """What a period costs is its energy at the rate that plain `datetime` finds at its start."""
    for number in range(NIGHTS_PER_ZONE):
        night = random_night(zone, number)
        for period in night.plan().periods:
            rate = evaluate(period.start, night.zone, [night.tariff], {})
            assert rate.band == period.band
            assert period.cost == pytest.approx(float(rate.rate) * period.kwh)
