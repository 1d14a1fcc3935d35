"""Plans for more than the next departure, or at less than the full current."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING

import hypothesis
import pytest
from hypothesis import strategies as st

from config.files.price_series import PricePoint
from planners.plan.horizon import Situation, departures_known
from planners.plan.later_nights import why_no_more
from planners.plan.planning import make_plan
from planners.rates.prices import prices_of
from tests.planners.households import band, bands, series
from tests.planners.planned import DemoHousehold, minutes, runs_of, utc
from tests.planners.solver.linear_model import LinearModel, minimised

if TYPE_CHECKING:
    from planners.plan.plan import Plan

EVENING = "2026-06-03T06:30:00"
"""Wednesday, 18:30 in Auckland."""

HOME_AT_NIGHT = {
    "at": "07:20",
    "returns": "18:10",
    "uses_kwh": 7.8,
    "need_percent": 40.0,
    "want_percent": 80.0,
    "max_rate": Decimal(0),
}
"""What is past the need is bought only because it saves later."""

CHEAP_WEDNESDAY = bands(
    band("low", "0.10", hours=["21:00-00:00"], days=["wed"]),
    band("dear", "0.60", hours=["17:00-21:00"]),
    band("day", "0.30"),
)


def planned(given: DemoHousehold, soc: float, nights: int | None = None, at: str = EVENING) -> Plan:
    file, now = given.file(), utc(at)
    prices = prices_of(file, given.series or {})
    departure, *later = departures_known(file, prices, "hatchback", now, nights)
    return make_plan(file, prices, Situation(now, soc, departure, later=tuple(later)))


def test_a_cheap_night_serves_the_dear_ones_after_it() -> None:
    """Tonight has three cheap hours: all are used, though 40 % would do until tomorrow."""
    given = DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=HOME_AT_NIGHT)
    alone, week = planned(given, 30.0, 1), planned(given, 30.0)
    assert alone.reaches_percent == pytest.approx(40.0)
    assert week.energy_kwh == pytest.approx(3 * 7.36)
    assert week.reaches_percent == pytest.approx(30 + 100 * 3 * 7.36 * 0.9 / 52)
    assert {period.band for period in week.periods} == {"low"}
    # 68.2 % less 15 % a day lasts until Friday's return; what comes dearer is bought when needed.
    later = [night.reaches_percent for night in week.later]
    assert later == pytest.approx([53.215, *[40] * 5], abs=0.01)


def test_later_nights_are_listed_one_by_one_in_json() -> None:
    """Each later night has its return, its departure, its energy and cost; seven days at most."""
    plan = planned(DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=HOME_AT_NIGHT), 30.0)
    assert [night.departure - plan.departure for night in plan.later] == [
        timedelta(days=k) for k in range(1, 7)
    ]
    later = plan.to_json()["later"]
    assert later[0]["returns"] == "2026-06-04T06:10:00Z"
    assert later[0]["soc_percent"] == pytest.approx(53.215)
    left = [plan.reaches_percent, *(night.reaches_percent for night in plan.later)]
    for night, before in zip(plan.later, left, strict=False):
        assert night.soc_percent == pytest.approx(before - 15, abs=1e-6)
        assert night.reaches_percent >= 40 - 1e-6
        assert night.cost == pytest.approx(sum(period.cost for period in night.periods))
        assert all(night.returns <= p.start < p.end <= night.departure for p in night.periods)
    assert sum(len(night["periods"]) for night in later) == sum(len(n.periods) for n in plan.later)


def test_a_plan_of_several_nights_says_how_much_better_another_could_be() -> None:
    """With a current that can be set, the levels do not suffice: `gap`, and a sentence, rounded up.

    With a taper nothing is known, and one night alone is the best.
    """
    given = DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=HOME_AT_NIGHT)
    plan = planned(given, 30.0)
    gap = plan.to_json()["gap"]
    assert 0 < gap < 0.02 * plan.cost
    (said,) = [sentence for sentence in plan.why if "could be better" in sentence]
    assert said.startswith("No plan until Wed 10 Jun 07:20 in steps of 5 min could be better by")
    amount = float(said.split("NZD ")[1].split(",")[0])
    assert gap <= amount < gap + 0.001
    tapering = replace(given, car={"taper": [[80, 100], [100, 25]]})
    for other in (planned(given, 30.0, 1), planned(tapering, 30.0)):
        assert "gap" not in other.to_json()
        assert not any("could be better" in sentence for sentence in other.why)


def test_charging_for_later_nights_is_explained_with_its_saving() -> None:
    """The sentence's saving is the difference to plans that serve one departure after another."""
    given = DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=HOME_AT_NIGHT)
    why = planned(given, 30.0).why
    assert any(
        line.startswith("The battery gets 14.7 kWh more than for the next departure alone")
        for line in why
    )
    # 68.2 % instead of 40 % in the battery, at 0.30 - 0.10 for each metered kWh.
    assert any(f"saves NZD {(3 * 7.36 - 5.2 / 0.9) * 0.20:.2f}" in line for line in why)


@pytest.mark.parametrize("key", ["returns", "uses_kwh"])
def test_without_a_return_or_a_use_only_the_next_departure_is_planned(key: str) -> None:
    """The battery's energy on an unknown return, or after an unknown trip, is not guessed."""
    leaves = {name: value for name, value in HOME_AT_NIGHT.items() if name != key}
    plan = planned(DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=leaves), 30.0)
    assert plan.later == ()
    assert "later" not in plan.to_json()


def test_prices_known_until_tomorrow_allow_one_more_night_on_estimates() -> None:
    """Known to the end of the next day: the next departure for certain, and one on estimates."""
    points = [
        PricePoint(utc("2026-05-30T12:00:00") + minutes(60 * i), Decimal("0.20"))
        for i in range(24 * 5)
    ]
    given = DemoHousehold(
        tariffs=[series(step_minutes=60)], leaves=HOME_AT_NIGHT, series={"Series": points}
    )
    plan = planned(given, 30.0)
    assert len(plan.later) == 1
    assert plan.rests_on_estimates is False


def test_a_current_is_kept_low_through_a_dear_hour_rather_than_started_again() -> None:
    """Between two cheap hours a dear one: 6 A through it costs less than a second start."""
    hours = ["0.10", "0.50", "0.10", *["0.90"] * 10]
    points = [
        PricePoint(utc(EVENING) + minutes(30) + minutes(60 * i), Decimal(rate))
        for i, rate in enumerate(["0.90", *hours])
    ]
    leaves = {"at": "06:00", "margin_minutes": 0}
    given = DemoHousehold(
        {"tick_minutes": 60}, [series(step_minutes=60)], {"start_cost": Decimal("0.80")}, None,
        leaves, {"Series": points},
    )  # fmt: skip
    energy = 2 * 7.36 + 1.38
    plan = planned(given, 80 - 100 * energy * 0.9 / 52, at="2026-06-03T07:00:00")
    assert [period.amps for period in plan.periods] == [32.0, 6.0, 32.0]
    assert plan.starts == 1
    stopped = replace(given, point={"switching": "on_off", "start_cost": Decimal("0.80")})
    assert planned(stopped, plan.soc_percent, at="2026-06-03T07:00:00").cost > plan.cost


def test_the_known_load_of_the_home_is_kept_clear_of() -> None:
    """63 A less 40 A from 21:00 to 23:00 leaves 23 A; less 60 A from 23:00, none at all."""
    loads = [
        {"amps": 40.0, "hours": ["21:00-23:00"]},
        {"amps": 60.0, "hours": ["23:00-00:00"]},
    ]
    plan = DemoHousehold(home={"known_load": loads}).plan(10.0, EVENING)
    for period in plan.periods:
        assert period.end <= utc("2026-06-03T11:00:00") or period.start >= utc("2026-06-03T12:00")
        if utc("2026-06-03T09:00") <= period.start < utc("2026-06-03T11:00"):
            assert period.amps <= 23.0
    assert plan.shortfall is None
    free = DemoHousehold().plan(10.0, EVENING)
    assert plan.cost == pytest.approx(free.cost)
    assert free.periods[0].start < runs_of(plan)[0][0] == utc("2026-06-03T12:00:00")


def test_a_relay_waits_while_the_home_leaves_too_little() -> None:
    """A relay draws its 32 A or nothing: nothing while 40 A of 63 A are in use."""
    loads = [{"amps": 40.0, "hours": ["21:00-01:00"]}]
    plan = DemoHousehold(home={"known_load": loads}, point={"switching": "on_off"}).plan(
        35.0, EVENING
    )
    assert plan.periods[0].start == utc("2026-06-03T13:00:00")
    assert {period.amps for period in plan.periods} == {32.0}


def test_what_the_home_leaves_is_used_where_time_is_short() -> None:
    """All hours until 23:00 are needed: 32 A until 21:00, then the 23 A that are left."""
    loads = [{"amps": 40.0, "hours": ["21:00-23:00"]}]
    leaves = {"at": "23:00", "margin_minutes": 0}
    plan = DemoHousehold(home={"known_load": loads}, leaves=leaves).plan(10.0, EVENING)
    assert [(period.amps, period.end - period.start) for period in plan.periods] == [
        (32.0, minutes(150)),
        (23.0, minutes(120)),
    ]
    assert plan.shortfall is not None
    # 52 x 70 % / 0.9 kWh, less what the four and a half hours give, at 7.36 kW from 23:00 on.
    missing = 52 * 0.7 / 0.9 - 2.5 * 7.36 - 2 * 5.29
    assert plan.shortfall.kwh == pytest.approx(missing, abs=0.01)
    assert plan.shortfall.earliest_ready is not None
    late = plan.shortfall.earliest_ready - utc("2026-06-03T11:00:00")
    assert late / minutes(60) == pytest.approx(missing / 7.36, abs=0.01)
    # Only until 21:00 would more current have helped: by 2.5 x 0.23 kWh for each ampere.
    would_do = plan.shortfall.amps_that_would_do
    assert would_do is not None
    assert would_do - 33 < missing / (2.5 * 0.23) <= would_do - 32


def test_no_other_current_is_priced_that_the_vehicle_cannot_draw() -> None:
    """A vehicle of 16 A at a charge point of 32 A: neither 16 A nor 32 A would be another."""
    why = DemoHousehold(car={"max_amps": 16.0}).plan(60.0, EVENING).why
    assert not [line for line in why if line.startswith("At ") and " A it would " in line]
    assert "At 16 A it would cost the same." in DemoHousehold().plan(60.0, EVENING).why


NEED_ONLY = {key: HOME_AT_NIGHT[key] for key in ("at", "returns", "uses_kwh", "need_percent")}
"""40 % each morning, and no word about more."""


def total(plan: Plan) -> float:
    return plan.cost + sum(night.cost for night in plan.later)


def test_needs_alone_are_bought_in_the_cheapest_hours_of_all_nights() -> None:
    """A cheap evening serves the needs of the dear nights after it, as far as they go."""
    given = DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=NEED_ONLY)
    alone, week = planned(given, 30.0, 1), planned(given, 30.0)
    assert alone.reaches_percent == pytest.approx(40.0)
    assert week.energy_kwh == pytest.approx(3 * 7.36)
    assert [night.reaches_percent for night in week.later] == pytest.approx(
        [53.215, *[40] * 5], abs=0.01
    )
    same = planned(DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=HOME_AT_NIGHT), 30.0)
    assert total(week) == pytest.approx(total(same))
    assert any(
        sentence.startswith("The battery gets 14.7 kWh more than for the next departure alone,")
        for sentence in week.why
    ), week.why


def test_no_need_is_bought_ahead_at_the_same_rate() -> None:
    """Where every night costs the same, each need is left to its own night."""
    every_night = bands(band("low", "0.10", hours=["21:00-00:00"]), band("day", "0.30"))
    week = planned(DemoHousehold(tariffs=[every_night], leaves=NEED_ONLY), 30.0)
    reached = [week.reaches_percent, *(night.reaches_percent for night in week.later)]
    assert reached == pytest.approx([40.0] * 7)


def test_needs_are_bought_ahead_to_the_everyday_limit_and_for_what_is_needed() -> None:
    """80 % is the limit; two nights of 15 % after a 40 % need take no more than 70 %."""
    ahead = planned(DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=NEED_ONLY), 70.0)
    assert ahead.reaches_percent == pytest.approx(80.0)
    three = planned(DemoHousehold(tariffs=[CHEAP_WEDNESDAY], leaves=NEED_ONLY), 60.0, 3)
    assert three.reaches_percent == pytest.approx(70.0)


@hypothesis.given(
    rates=st.lists(st.integers(5, 60), min_size=4, max_size=4),
    need=st.sampled_from([40.0, 60.0]),
    soc=st.sampled_from([30.0, 55.0]),
)
def test_needs_of_several_nights_cost_no_more_together(
    rates: list[int], need: float, soc: float
) -> None:
    """Within what the plan states of a linear programme over the nights together, by HiGHS."""
    days = ("wed", "thu", "fri", "sat")
    rows = [
        band(day, f"{rate / 100:.2f}", hours=["21:00-00:00"], days=[day])
        for day, rate in zip(days, rates, strict=True)
    ]
    leaves = NEED_ONLY | {"need_percent": need}
    household = DemoHousehold(tariffs=[bands(*rows, band("rest", "0.90"))], leaves=leaves)
    week = planned(household, soc, 4)
    # One column a night: what it puts into the battery, at most what three hours give. Every
    # morning holds the need, and at most the everyday limit.
    battery, trip, model = 52.0, 7.8, LinearModel()
    bought = [model.column(upper=3 * 7.36 * 0.9) for _ in days]
    model.charge((number, rates[number] / 100 / 0.9) for number in bought)
    for k in bought:
        left = soc / 100 * battery - k * trip
        model.at_least([(number, 1.0) for number in bought[: k + 1]], need / 100 * battery - left)
        model.at_most([(number, 1.0) for number in bought[: k + 1]], 0.8 * battery - left)
    solver = model.highs()
    assert minimised(solver, model.cost)
    dearer = total(week) - solver.getInfo().objective_function_value
    assert -1e-4 < dearer < (week.gap or 0.0) + 1e-4


@pytest.mark.parametrize(
    ("changes", "nights", "why"),
    [
        (
            {"returns": None},
            2,
            "the file does not say when hatchback is back after Thu 04 Jun 07:20 (returns)",
        ),
        (
            {"uses_kwh": None},
            2,
            (
                "the file does not say what the trip of Thu 04 Jun 07:20 uses (uses_kwh, uses_km or"
                " daily_distance_km)"
            ),
        ),
        (
            {"returns": "07:10"},
            2,
            "hatchback is back at Fri 05 Jun 07:10, too late to charge for Fri 05 Jun 07:20",
        ),
        (
            {"days": ["thu"]},
            2,
            "hatchback has no other departure in the 7 days that are planned",
        ),
    ],
)
def test_the_one_reason_why_no_more_nights_are_planned_is_named(
    changes: dict[str, object], nights: int, why: str
) -> None:
    given = DemoHousehold(leaves=HOME_AT_NIGHT | changes)
    file, now = given.file(), utc(EVENING)
    prices = prices_of(file, {})
    known = departures_known(file, prices, "hatchback", now, nights)
    assert len(known) == 1
    assert why_no_more(file, prices, now, known) == why


def test_where_prices_end_no_more_nights_are_planned() -> None:
    points = [
        PricePoint(utc("2026-05-30T12:00:00") + minutes(60 * i), Decimal("0.20"))
        for i in range(24 * 5)
    ]
    given = DemoHousehold(
        tariffs=[series(step_minutes=60)], leaves=HOME_AT_NIGHT, series={"Series": points}
    )
    file, now = given.file(), utc(EVENING)
    prices = prices_of(file, given.series or {})
    known = departures_known(file, prices, "hatchback", now, 7)
    assert why_no_more(file, prices, now, known) == (
        "the rates are known only until Fri 05 Jun 00:00, and one night more is estimated"
    )
