"""What is too much in whole ticks is cut off the dearest run: to the second, not to the tick."""

from __future__ import annotations

import random
from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING, Any

import pytest

from config.files.price_series import PricePoint
from planners.plan.horizon import Situation, departures_known, horizon_of
from planners.plan.planning import make_plan
from planners.rates.prices import prices_of
from tests.planners.households import band, bands, series
from tests.planners.planned import EVERY_DAY, DemoHousehold, minutes, runs_of, utc

if TYPE_CHECKING:
    from planners.plan.plan import Plan

HOUR = timedelta(hours=1)
BEGINS = utc("2026-06-03T14:00:00")
"""Two o'clock at night in Auckland."""


def household(
    rates: list[str],
    point: dict[str, Any] | None = None,
    **leaves: Any,  # noqa: ANN401 - of any field
) -> DemoHousehold:
    """Give each hour from two o'clock on its rate; 3.68 kW, all of which reaches the battery."""
    points = [PricePoint(BEGINS + minutes(60 * i), Decimal(rate)) for i, rate in enumerate(rates)]
    return DemoHousehold(
        tariffs=[series(step_minutes=60)],
        point={"max_amps": 16.0, "switching": "on_off"} | (point or {}),
        car={"charging_efficiency_percent": 100.0},
        leaves={"margin_minutes": 0, "need_percent": 40.0} | leaves,
        series={"Series": points},
    )


def soc_before(kwh: float) -> float:
    """Return the state of charge from which an energy leads to the need of 40 %."""
    return 40 - 100 * kwh / 52


def hours_at(plan: Plan, rate: float) -> float:
    return sum((p.end - p.start) / HOUR for p in plan.periods if abs(p.cost - rate * p.kwh) < 1e-9)


def test_a_dear_run_begins_later_so_that_the_cheap_time_after_it_is_used_whole() -> None:
    """29 minutes at 0.10 and 34.1 minutes at 0.30: not 35 there, and a minute less at 0.10."""
    given = household(["0.30", "0.10"], at="03:29")
    plan = given.plan(soc_before(3.68 * (29 + 34.1) / 60), "2026-06-03T14:00:00")
    assert hours_at(plan, 0.10) == pytest.approx(29 / 60)
    assert hours_at(plan, 0.30) == pytest.approx(34.1 / 60)
    assert plan.periods[0].start == BEGINS + timedelta(minutes=60 - 34.1)


def test_what_was_charged_before_the_first_tick_is_taken_off_the_dearest_hour() -> None:
    """The 43 seconds before 02:01 are cheap; the last cheap hour stays whole all the same."""
    given = household(["0.18", "0.24", "0.40", "0.10", "0.30"], at="06:58")
    soc = soc_before(3.68 * (59.7 + 31.5 + 60) / 60)
    plan = given.plan(soc, "2026-06-03T14:00:17")
    assert hours_at(plan, 0.10) == pytest.approx(1)
    assert hours_at(plan, 0.18) == pytest.approx(1 - 17 / 3600)
    assert hours_at(plan, 0.24) == pytest.approx((31.5 - 0.3 + 17 / 60) / 60, abs=1 / 3600)


def test_no_minute_above_the_highest_rate_is_begun_for_what_is_wanted() -> None:
    """34.1 minutes at 0.30 are needed: the 0.9 minutes after them are only wanted, at 0.20."""
    given = household(["0.30", "0.10"], at="03:29", want_percent=70.0, max_rate=Decimal("0.20"))
    plan = given.plan(soc_before(3.68 * (29 + 34.1) / 60), "2026-06-03T14:00:00")
    assert hours_at(plan, 0.30) == pytest.approx(34.1 / 60)
    assert plan.reaches_percent == pytest.approx(40.0)


def test_a_run_stays_as_long_as_the_shortest_one() -> None:
    """35 minutes are the shortest run, in which the dear time is: nothing is cut there."""
    point = {"min_run_minutes": 65}
    given = household(["0.30", "0.40", "0.10"], point, at="04:30")
    plan = given.plan(soc_before(3.68 * (30 + 60 + 4.1) / 60), "2026-06-03T14:00:00")
    runs = [(period.start, period.end) for period in plan.periods]
    assert (runs[-1][1] - runs[0][0]) / minutes(1) >= 65


def test_charging_that_may_begin_now_begins_now() -> None:
    """The dear hour is now: its end is cut, not its beginning."""
    given = household(["0.20", "0.40", "0.10"], at="04:29")
    plan = given.plan(soc_before(3.68 * (29 + 34.1) / 60), "2026-06-03T14:00:00")
    assert plan.periods[0].start == BEGINS
    assert plan.periods[0].end == BEGINS + timedelta(minutes=34.1)
    assert hours_at(plan, 0.10) == pytest.approx(29 / 60)


def test_the_energy_is_that_of_the_cheapest_hours_to_the_second() -> None:
    """Random prices and times: the cost is that of an own reckoning, without ticks."""
    for number in range(60):
        rng = random.Random(f"odd minutes {number}")
        rates = [f"{rng.randint(2, 45) / 100:.2f}" for _ in range(8)]
        at, second = rng.randint(1, 59), rng.choice([0, 0, 17, 43])
        given = household(rates, at=f"{rng.randint(5, 9):02d}:{at:02d}")
        begins = BEGINS + timedelta(minutes=rng.randint(0, 59), seconds=second)
        soc = rng.uniform(20, 39)
        plan = given.plan(soc, begins.isoformat())
        left, cost = 52 * (40 - soc) / 100, 0.0
        hours = {i: (max(begins, BEGINS + i * HOUR), BEGINS + (i + 1) * HOUR) for i in range(8)}
        for i in sorted(hours, key=lambda i: float(rates[i])):
            start, end = hours[i]
            kwh = min(left, 3.68 * max(0.0, (min(end, plan.departure) - start) / HOUR))
            left, cost = left - kwh, cost + kwh * float(rates[i])
        if left > 1e-9:
            continue
        # A tick is begun at the end of a run where half of one before another run costs less.
        assert plan.cost == pytest.approx(cost, abs=0.006), number


def test_what_is_cut_to_the_need_costs_nothing_beyond_it() -> None:
    """The solver bought 35 whole minutes at 0.30; the plan ends at exactly the need."""
    given = household(["0.30", "0.10"], at="03:29", want_percent=70.0, max_rate=Decimal("0.20"))
    plan = given.plan(soc_before(3.68 * (29 + 34.1) / 60), "2026-06-03T14:00:00")
    assert not any("of this is beyond the need" in sentence for sentence in plan.why)


LEFT = [
    pytest.param(70.0, [], id="prints alike"),
    pytest.param(
        69.7,
        ["Stops at 69 % of the 70 % wanted: the rest is less than 5 minutes of charging."],
        id="half a tick",
    ),
]


@pytest.mark.parametrize(("want", "said"), LEFT)
def test_no_start_is_blamed_for_less_than_a_tick(want: float, said: list[str]) -> None:
    """A tick at 0.20 before the free hour is worth 0.25 per kWh for a half of it only."""
    leaves = {"need_percent": 20.0, "want_percent": want, "max_rate": Decimal("0.25")}
    point = {"start_cost": Decimal("0.05")}
    given = household(["0.20", "0.00"], point, at="04:00", **leaves)
    soc = want - 100 * 3.68 * 62.5 / 60 / 52
    why = given.plan(soc, "2026-06-03T14:00:00").why
    assert [sentence for sentence in why if sentence.startswith("Stops")] == said


def test_other_hours_are_dear_where_more_than_the_need_was_bought() -> None:
    """A run must go on for an hour at 0.40; half an hour at 0.10 after it is beyond the need."""
    leaves = {"need_percent": 41.0, "want_percent": 80.0, "max_rate": Decimal("0.20")}
    given = household(["0.40", "0.10", "0.40"], {"min_run_minutes": 60}, at="05:00", **leaves)
    plan = given.plan(36.0, "2026-06-03T14:00:00", on=True, since="2026-06-03T14:00:00")
    assert plan.reaches_percent > 45
    (left,) = [sentence for sentence in plan.why if sentence.startswith("Stops")]
    assert (
        "wanted: every other hour that it may use costs more than the limit of 0.20 NZD per kWh."
        in left
    )


def test_another_run_is_cut_where_the_dearest_is_at_its_shortest() -> None:
    """Three minutes before the first tick are charged too: the last run stays at 20 minutes."""
    rates = ["0.10", "0.90", "0.30", "0.90"]
    given = household(rates, {"min_run_minutes": 20}, at="06:00")
    plan = given.plan(soc_before(3.68 * 67 / 60), "2026-06-03T14:02:00")
    assert hours_at(plan, 0.10) == pytest.approx(47 / 60)
    assert hours_at(plan, 0.30) == pytest.approx(20 / 60)


def test_a_run_goes_on_where_another_one_would_take_more_than_it_needs() -> None:
    """Nine minutes at 0.40 cost less than twenty at 0.30, for which eleven at 0.10 would go."""
    rates = ["0.10", "0.40", "0.30", "0.40"]
    given = household(rates, {"min_run_minutes": 20}, at="06:00")
    plan = given.plan(soc_before(3.68 * 67 / 60), "2026-06-03T14:02:00")
    assert hours_at(plan, 0.10) == pytest.approx(58 / 60)
    assert hours_at(plan, 0.40) == pytest.approx(9 / 60)


def test_a_run_before_a_departure_is_no_shorter_than_the_shortest() -> None:
    """Ten minutes at 0.10 are left before leaving: too short for a run of their own."""
    given = household(["0.10", "0.40", "0.10"], {"min_run_minutes": 15}, at="04:10")
    plan = given.plan(soc_before(3.68 * 65 / 60), "2026-06-03T14:00:00")
    assert [(end - start) / minutes(1) for start, end in runs_of(plan)] == pytest.approx([65])


def test_a_need_is_met_in_a_run_that_is_too_short_where_there_is_no_other_way() -> None:
    """It leaves in ten minutes; the shortest run is fifteen."""
    given = household(["0.10"], {"min_run_minutes": 15}, at="02:10")
    plan = given.plan(35.0, "2026-06-03T14:00:00")
    assert [(end - start) / minutes(1) for start, end in runs_of(plan)] == pytest.approx([10])


def test_the_last_minutes_before_a_departure_count_with_several_nights() -> None:
    """Two nights are planned in ticks of five minutes: four more at 0.10 are used until 03:29."""
    given = household(
        ["0.30", "0.10", *["0.50"] * 46], at="03:29", returns="17:00", uses_kwh=0.0, days=EVERY_DAY
    )
    file, now = given.file(), utc("2026-06-03T14:00:00")
    prices = prices_of(file, given.series or {})
    departure, *later = departures_known(file, prices, "hatchback", now, 2)
    soc = soc_before(3.68 * (29 + 34.1) / 60)
    plan = make_plan(file, prices, Situation(now, soc, departure, later=tuple(later)))
    assert len(plan.later) == 1
    assert hours_at(plan, 0.10) == pytest.approx(29 / 60)
    assert hours_at(plan, 0.30) == pytest.approx(34.1 / 60)


def test_the_last_minutes_before_the_departure_are_used_in_several_nights_too() -> None:
    """Free hours end with the time before 07:54; two nights have ticks of five minutes.

    At constant power minutes between the ticks are used as well; here it falls above 90 %.
    """
    given = DemoHousehold(
        tariffs=[bands(band("free", "0", hours=["06:00-11:00"]), band("day", "0.30"))],
        point={"switching": "on_off"},
        car={"taper": [[90, 100], [100, 40]]},
        leaves={
            "at": "07:54", "need_percent": 60.0, "want_percent": 60.0, "returns": "18:07",
            "uses_kwh": 10.0,
        },
    )  # fmt: skip
    file, now = given.file(), utc("2026-06-03T05:35:00")
    prices = prices_of(file, {})
    first, *later = departures_known(file, prices, "hatchback", now, 2)
    one = make_plan(file, prices, Situation(now, 20.0, first))
    two = make_plan(file, prices, Situation(now, 20.0, first, later=tuple(later)))
    assert len(two.later) == 1
    assert [(p.start, p.end) for p in two.periods] == [(p.start, p.end) for p in one.periods]
    assert first.ready_by - two.periods[-1].end < timedelta(minutes=1)
    assert two.cost == pytest.approx(one.cost)
    assert two.why[0] == one.why[0]


def test_a_departure_that_has_passed_makes_no_tick_shorter() -> None:
    """A plan may begin after one, as where a person asked to wait past it."""
    file = DemoHousehold(leaves={"need_percent": 60.0}).file()
    prices, now = prices_of(file, {}), utc("2026-06-03T21:00")
    (leaves, *_) = departures_known(file, prices, "hatchback", now)
    passed = replace(
        leaves, instant=now - minutes(207), ready_by=now - minutes(222), need_percent=40.0
    )
    horizon = horizon_of(file, prices, Situation(now, 50.0, passed, later=(leaves,)))
    assert horizon.window.tick_minutes == 5
